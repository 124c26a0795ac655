"""The first codeword, the code and the rest of the page, from pages that a known recipe made."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, in_line, parity_gathered, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.nand import add_bit_errors
from deadstick.solve.codeword.decoding import DEEP, DEEPEST, MIDDLE, SHALLOW, DecodingTest, Depth
from deadstick.solve.codeword.heads import Heads, Rows, Tail
from deadstick.solve.codeword.places import Places, ending_places, every_place, in_line_places, spare_places
from deadstick.solve.codeword.polynomials import known_polynomials, polynomial_rounds
from deadstick.solve.codeword.structure import densities, fitting, groups, parity_runs
from deadstick.solve.codeword.structure import places as structure_places
from deadstick.solve.codeword.window import Window, search
from deadstick.solve.codeword.words import corrected
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.page import code as code_search
from deadstick.solve.page.code import code_view, identify
from deadstick.solve.page.page import complete_page


def polynomials_of(m: int) -> tuple[int, ...]:
    """Some primitive polynomials of one degree."""
    return tuple(gf2poly.primitive_polynomials(m)[:20])


LAYOUTS = {
    "in line": in_line(2048 + 128, 2, 1024, 6, 42),
    "spare groups": spare_groups(2048 + 128, 2, 1024, 6, 42, offset=2),
    "uncovered metadata": spare_groups(2048 + 128, 2, 1024, 6, 42, offset=0, covered=False),
    "gathered": parity_gathered(2048 + 128, 2, 1024, 6, 42),
    "short codewords": in_line(2048 + 128, 4, 512, 0, 20),
    "long codewords": spare_groups(4096 + 256, 2, 2048, 8, 53),
}
CODES = {
    "in line": Code(14, 0x402B, 24),
    "spare groups": Code(14, 0x5803, 24, bit_order="lsb"),
    "uncovered metadata": Code(14, 0x4443, 24),
    "gathered": Code(14, 0x402B, 24, bit_order="lsb"),
    "short codewords": Code(13, 0x201B, 12),
    "long codewords": Code(15, 0x8003, 28, bit_order="lsb"),
}


def pages_of(layout: PageLayout, code: Code, seed: int = 1, rate: float = 5e-5) -> np.ndarray:
    recipe = Recipe(64, layout, code)
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (400, layout.data_bytes), np.uint8)
    # A number and filler, as controllers write them: random bytes could not be told from parity by their density.
    metadata = np.full((400, layout.metadata_bytes), 0xFF, np.uint8)
    metadata[:, : min(2, layout.metadata_bytes)] = rng.integers(0, 30, (400, min(2, layout.metadata_bytes)), np.uint8)
    raw = recipe.encode(data, metadata, np.arange(400))
    add_bit_errors(raw.reshape(-1), rate, seed)
    return raw


@pytest.mark.parametrize("name", LAYOUTS)
def test_layout_and_code_follow_from_the_pages(name: str) -> None:
    layout, code = LAYOUTS[name], CODES[name]
    rows = Rows("pages as read", pages_of(layout, code))
    answers = []
    for window in search(Heads.of(rows), known_polynomials(), 1):
        view = code_view(rows, window)
        words = identify(view, window)
        assert words is not None
        found = complete_page(view, words, layout.page_bytes)
        if found is not None:
            answers.append((found.codewords, words.bch, window.bit_order))
    assert answers
    assert answers[0] == (layout.codewords, code.bch, code.bit_order)


@pytest.mark.parametrize("metadata", [1, 10, 24])
def test_scrambled_metadata_outside_the_cover_are_no_part_of_the_parity_behind_them(metadata: int) -> None:
    """They are as dense as it: 16 groups of both, of which the parity has 25 bytes."""
    runs = [(16386 + number * (metadata + 28), metadata + 25) for number in range(16)]
    found = structure_places(groups(runs, 16), 16384)
    first = 16386 + metadata
    assert any(place.first == first and not place.length and place.shortest <= 25 <= place.longest for place in found)


def suggested(rows: np.ndarray, heads: Heads, data: int) -> list[Places]:
    runs = parity_runs(densities(rows[1:] ^ rows[:-1]), data)
    spare = [spare_places(heads, structure_places(groups(runs, data // m), data), m) for m in (512, 1024, 2048)]
    return [*in_line_places(heads), *(item for item in spare if len(item.table))]


@pytest.mark.parametrize("name", LAYOUTS)
def test_decoding_finds_what_no_clean_word_shows(name: str) -> None:
    layout, code = LAYOUTS[name], CODES[name]
    bits = layout.codewords[0].message_bits + code.parity_bits
    rows = Rows("pages as read", pages_of(layout, code, rate=9 / bits))
    # Nine errors in a word leave one word in 8,000 clean (Poisson): no two of 400, as a divisor or a root would need.
    assert search(Heads.of(rows), (code.primitive_polynomial,), 1) == []
    test = DecodingTest(Heads.of(rows))
    depth = Depth(min(DEEP.syndromes, code.t), 3)
    decoys = [p for p in known_polynomials() if p != code.primitive_polynomial]
    windows = test.search(
        suggested(rows.values, test.heads, layout.data_bytes), [*decoys, code.primitive_polynomial], depth, 1
    )
    view = code_view(rows, windows[0])
    words = identify(view, windows[0])
    assert words is not None
    assert words.bch == code.bch
    found = complete_page(view, words, layout.page_bytes)
    assert found is not None
    assert found.codewords == layout.codewords


def test_a_known_strength_shows_a_code_that_has_fewer_syndromes_than_are_taken() -> None:
    code = CODES["gathered"]
    pages = pages_of(LAYOUTS["gathered"], code, rate=9 / (8 * 1030 + code.parity_bits))
    test = DecodingTest(Heads.of(Rows("pages as read", pages)))
    places = suggested(pages, test.heads, 2048)
    assert test.search(places, [code.primitive_polynomial], DEEPEST, 1) == []
    assert test.search(places, [code.primitive_polynomial], DEEPEST, 1, t=code.t)
    assert test.search(places, [code.primitive_polynomial], DEEPEST, 1, t=code.t, orders=(code.bit_order,))
    assert test.search(places, [code.primitive_polynomial], DEEPEST, 1, t=code.t, orders=("msb",)) == []


def test_noise_decodes_nowhere() -> None:
    rng = np.random.default_rng(6)
    heads = Heads.of(Rows("pages as read", rng.integers(0, 256, (256, 2176), np.uint8)))
    test = DecodingTest(heads)
    places = [*in_line_places(heads), every_place(heads, 1024)]
    for depth in (SHALLOW, MIDDLE):
        assert test.search(places, polynomials_of(14), depth, 1) == []


def test_a_polynomial_that_no_driver_names_is_found_among_all() -> None:
    code = Code(14, 0x7ABB, 40)
    layout = in_line(2048 + 160, 2, 1024, 4, 70)
    rows = Rows("pages as read", pages_of(layout, code))
    windows = []
    rounds = 0
    for polynomials in polynomial_rounds():
        rounds += 1
        windows = search(Heads.of(rows), polynomials, 1)
        if windows:
            break
    assert windows[0].m == 14
    # One in about 19 primitive roots of GF(2^14) belongs to a code with t = 40.
    assert rounds <= 4
    words = identify(code_view(rows, windows[0]), windows[0])
    assert words is not None
    assert words.bch == code.bch


def test_powers_of_alpha_under_which_clean_words_decode_tell_the_code() -> None:
    """A strong code has many: words with errors decode under none, and the right polynomial had no turn."""
    code = Code(13, 0x290F, 62, bit_order="lsb")
    layout = spare_groups(2048 + 512, 4, 512, 0, code.bch.parity_bytes, offset=2)
    rows = Rows("pages as read", pages_of(layout, code, rate=1.5 / 4902))
    test = DecodingTest(Heads.of(rows))
    places = [item for item in suggested(rows.values, test.heads, layout.data_bytes) if item.message == 512]
    others = [p for p in gf2poly.primitive_polynomials(13)[:320] if p != code.primitive_polynomial]
    shown = set()
    for polynomial in others:
        for window in test.search(places, [polynomial], Depth(6, 20, 4), 1)[:1]:
            if window.errors == 0:
                shown.add(polynomial)
                words = identify(code_view(rows, window), window)
                assert words is not None
                assert words.bch == code.bch
    assert len(shown) > 3


def test_noise_has_no_codeword() -> None:
    rng = np.random.default_rng(5)
    heads = Heads.of(Rows("pages as read", rng.integers(0, 256, (256, 2176), np.uint8)))
    assert search(heads, next(polynomial_rounds()), 1) == []


def test_rounds_hold_every_primitive_polynomial_once() -> None:
    # phi(2^m - 1) / m primitive polynomials of degree m: 630, 756 and 1800 for m = 13, 14, 15 (OEIS A011260).
    every = [polynomial for part in polynomial_rounds() for polynomial in part]
    assert len(every) == len(set(every)) == 630 + 756 + 1800
    assert {PRIMITIVE_DEFAULTS[m] for m in (13, 14, 15)} <= set(every)


def test_tail_bound_is_above_the_exact_binomial() -> None:
    for trials, hits, chance in ((100, 3, 0.001), (256, 10, 2.0**-13), (40, 40, 0.5)):
        exact = float(binom.logsf(hits - 1, trials, chance)) / np.log(10)
        assert exact <= log10_tail(trials, hits, chance) + 1e-9


@pytest.mark.parametrize("zeros", [0, 1, 2, 4])
def test_zeros_behind_a_codeword_are_no_part_of_it(zeros: int) -> None:
    """A long word that is divided gives windows some zero bytes too long; the code's own length is the shortest."""
    code = Code(15, PRIMITIVE_DEFAULTS[15], 33)
    layout = in_line(582, 1, 512, 8, 62)
    rng = np.random.default_rng(5)
    recipe = Recipe(1, layout, code)
    words = recipe.encode(
        rng.integers(0, 256, (48, 512), np.uint8), rng.integers(0, 256, (48, 8), np.uint8), np.arange(48)
    )
    add_bit_errors(words.reshape(-1), 1e-3, seed=4)
    rows = np.hstack([words, np.zeros((48, 6), np.uint8)])
    window = Window(
        "rows", 15, PRIMITIVE_DEFAULTS[15], "msb", 0, 512, Tail(512), 70 + zeros, 40, 48, -50.0, depth=15, errors=4.7
    )
    found = identify(rows, window)
    assert found is not None
    assert found.bch.t == 33
    assert found.metadata_bits == 64


def test_no_shorter_length_is_asked_where_no_word_decodes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window over noise, 142 bytes long: all lengths down to four bytes had been tried with every number of roots."""
    lengths: list[int] = []

    def counted(bits: NDArray[np.uint8], weaker: BchCode) -> tuple[NDArray[np.uint8], NDArray[np.int16]]:
        lengths.append(bits.shape[1])
        return corrected(bits, weaker)

    monkeypatch.setattr(code_search, "corrected", counted)
    rows = np.random.default_rng(6).integers(0, 256, (24, 2190), np.uint8)
    window = Window(
        "rows", 15, PRIMITIVE_DEFAULTS[15], "msb", 0, 2048, Tail(2048), 142, 12, 24, -50.0, depth=40, errors=20.0
    )
    assert identify(rows, window) is None
    assert min(lengths) >= 8 * (2048 + 142) - 9 - 8 * 4
    assert len(set(lengths)) < 60


def test_a_codeword_alone_ends_where_the_spare_area_shows_an_end() -> None:
    places = Places(2048, np.array([(2048, 0, 0, 4, 300)], np.int64))
    found = ending_places(places, [(2071, 135), (2300, 4)])
    assert found is not None
    assert found.table.tolist() == [[2048, 0, 0, 157, 159], [2048, 0, 0, 255, 257]]
    assert ending_places(places, []) is None


def test_parity_must_have_room_in_the_page() -> None:
    # One run of 135 bytes: parity of one codeword, or of four with a quarter each, but not of four with all of it.
    suggested = groups([(2071, 135)], 4)
    assert {group.parity for group in suggested} == {135, 33, 34}
    assert {group.parity for group in fitting(suggested, 2206)} == {33, 34}
