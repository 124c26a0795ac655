"""Strong codes over long messages, where nothing in the dump tells how many bits are wrong."""

from dataclasses import replace

import numpy as np

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.bits import bit_reverse
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page.plan import EARLY_CANDIDATES, MANY_CANDIDATES, first_steps, later_steps
from deadstick.solve.page_size.geometry import PageCandidate

MESSAGE, PERIOD, PAGES = 2048, 4, 96
POLYNOMIALS = gf2poly.primitive_polynomials(15)[700:732]


def packed_pages(code: BchCode, errors: int, seed: int) -> np.ndarray:
    """Pages of two codewords of random data and some unused bytes, under keystreams that come again."""
    rng = np.random.default_rng(seed)
    messages = rng.integers(0, 256, (2 * PAGES, MESSAGE), np.uint8)
    words = np.hstack([messages, code.encode(messages)])
    for word in words:
        places = rng.choice(8 * words.shape[1], errors, replace=False)
        np.bitwise_xor.at(word, places // 8, (0x80 >> places % 8).astype(np.uint8))
    pages = np.hstack([bit_reverse(words).reshape(PAGES, -1), np.full((PAGES, 14), 0xFF, np.uint8)])
    keystreams = rng.integers(0, 256, (PERIOD, pages.shape[1]), np.uint8)
    stored: np.ndarray = (pages ^ keystreams[np.arange(PAGES) % PERIOD]).ravel()
    return stored


def test_a_strong_code_is_found_among_the_first_although_no_place_tells_the_rate_of_errors() -> None:
    code = BchCode(15, POLYNOMIALS[17], 72)
    data = packed_pages(code, 18, 5)
    page = len(data) // PAGES
    candidates = (PageCandidate(page, (PERIOD,), 50.0, "a lag"),)
    search = CodeSearch(data, candidates)
    assert search.rows.chip_rate(candidates[0]) is None
    # All other steps ask for another length of message or for words with fewer errors than these.
    steps = [replace(step, polynomials=POLYNOMIALS) for step in first_steps(1) if step.messages == (MESSAGE,)]
    found = next((found for step in steps if (found := search.over(candidates, step)) is not None), None)
    assert found is not None
    assert (found.words.bch.primitive_polynomial, found.words.bch.t) == (code.primitive_polynomial, 72)
    assert len(found.layout.codewords) == 2
    assert found.layout.page_bytes == page


def test_page_sizes_further_down_are_searched_for_every_length_of_message_as_deep_as_the_errors_demand() -> None:
    further = [step for step in later_steps() if step.depth is None and step.after == EARLY_CANDIDATES]
    assert {step.candidates for step in further} == {MANY_CANDIDATES}
    assert [(step.messages, step.natural) for step in further] == [((512,), True), ((1024,), True), ((2048,), True)]


def test_a_weak_code_over_a_larger_field_is_found_although_no_place_tells_the_rate_of_errors() -> None:
    code = BchCode(14, gf2poly.primitive_polynomials(14)[500], 5)
    rng = np.random.default_rng(3)
    messages = rng.integers(0, 256, (PAGES, 512), np.uint8)
    words = np.hstack([messages, code.encode(messages)])
    for word in words:
        place = int(rng.integers(8 * 512))
        word[place // 8] ^= 0x80 >> place % 8
    unused = np.full((PAGES, 7), 0xFF, np.uint8)
    pages = np.hstack([words[:, :512], unused, words[:, 512:]])
    candidate = PageCandidate(pages.shape[1], (), 50.0, "a comb")
    search = CodeSearch(pages.ravel(), (candidate,))
    assert search.rows.chip_rate(candidate) is None
    polynomials = gf2poly.primitive_polynomials(14)[490:510]
    steps = [replace(step, polynomials=polynomials) for step in first_steps(1)]
    found = next((found for step in steps if (found := search.over((candidate,), step)) is not None), None)
    assert found is not None
    assert (found.words.bch.primitive_polynomial, found.words.bch.t) == (code.primitive_polynomial, 5)
