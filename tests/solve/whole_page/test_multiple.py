"""How many codewords make a page."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, bit_packed
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, stream_positions
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.register.register import Register
from deadstick.solve.scrambler.coded_pages import Unscrambled
from deadstick.solve.whole_page.multiple import (
    MOST_WORDS,
    by_metadata,
    by_register,
    is_filled,
    repeated,
    unit_with_rest,
)
from deadstick.solve.whole_page.whole_page import _fewer_codewords, larger_page, with_larger_pages

POLYNOMIAL = 0x100400007  # x^32 + x^22 + x^2 + x + 1
DATA, PARITY, WORD = 512, 48, 560
UNIT = PageLayout(WORD, (Codeword((Span.of_bytes(Part.DATA, 0, DATA),), (Span.of_bytes(Part.PARITY, DATA, PARITY),)),))


REGISTER = Register(POLYNOMIAL, "lsb", 100, 100)


def restarting(seeds: NDArray[np.uint64], words: int) -> NDArray[np.uint8]:
    """Free space under a register that starts anew at every codeword, from one seed all over a page."""
    rng = np.random.default_rng(3)
    data = rng.integers(0, 256, (len(seeds) * words, WORD), np.uint8)
    data[:, :DATA] = Lfsr(POLYNOMIAL).keystream(np.repeat(seeds, words), DATA, "lsb")
    return data.reshape(-1)


def test_the_largest_page_inside_which_the_keystream_stays_the_same() -> None:
    """Of the borders of half a page every second one lies inside it, so half a page is nearly as likely as the page."""
    pages, words = 60, 4
    rng = np.random.default_rng(1)
    seeds = rng.integers(1, 1 << 32, pages, np.uint64)
    seeds[1] = seeds[0]  # two pages in a row with one keystream: just below half of the borders agree
    found = by_register(restarting(seeds, words), UNIT, (REGISTER,))
    assert found is not None
    assert found.times == words


def test_four_pages_of_many_codewords_are_not_one() -> None:
    """Of 31 borders between 32 words three are those of pages of 8, so more than nine in ten agree."""
    words = 8
    data = restarting(np.random.default_rng(4).integers(1, 1 << 32, 60, np.uint64), words)
    found = by_register(data, UNIT, (REGISTER,))
    assert found is not None
    assert found.times == words
    assert by_register(data, repeated(UNIT, words), (REGISTER,)) is None


@pytest.mark.parametrize(
    "covers",
    [
        frozenset(Part),
        frozenset({Part.DATA}),
        frozenset({Part.DATA, Part.METADATA}),
        frozenset({Part.DATA, Part.PARITY}),
    ],
)
def test_a_register_that_goes_on_from_codeword_to_codeword_tells_the_page(covers: frozenset[Part]) -> None:
    """What it passes over, metadata or parity or both, must not look like a start, or each codeword is a page."""
    pages, words = 60, 4
    message = (Span.of_bytes(Part.DATA, 0, DATA), Span.of_bytes(Part.METADATA, DATA, 2))
    unit = PageLayout(WORD, (Codeword(message, (Span.of_bytes(Part.PARITY, DATA + 2, PARITY - 2),)),))
    page = repeated(unit, words)
    positions = stream_positions(page, "page", covers)
    rng = np.random.default_rng(5)
    # As long as the keystream stays the same from page to page, no other place tells where a page ends.
    seeds = np.repeat(rng.integers(1, 1 << 32, 2, np.uint64), pages // 2)
    streams = Lfsr(POLYNOMIAL).keystream(seeds, page.page_bytes, "lsb")
    data = rng.integers(0, 256, (pages, page.page_bytes), np.uint8)
    blank = np.flatnonzero((positions >= 0) & (np.arange(page.page_bytes) % WORD < DATA))
    data[:, blank] = streams[:, positions[blank]]
    found = by_register(data.reshape(-1), unit, (REGISTER,))
    assert found is not None
    assert found.times == words


def test_half_a_page_is_not_taken_for_want_of_borders() -> None:
    """Where files are packed the register shows seldom: borders are too few in the words that are looked at first."""
    pages, near, words = 10_000, MOST_WORDS // 4, 4
    rng = np.random.default_rng(6)
    data = rng.integers(0, 256, (pages * words, WORD), np.uint8)
    stream = Lfsr(POLYNOMIAL).keystream(np.array([77], np.uint64), words * WORD, "lsb").reshape(words, WORD)
    # Of two words with free space, which of its page the second is: 5 borders of a page, 9 of half a page, then more.
    places = np.concatenate([rng.permutation([0] * 5 + [1, 2, 3] * 4), rng.permutation([0, 1, 2, 3] * 10)])
    at = np.concatenate([np.linspace(1, near - 1, 17), np.linspace(near + 1, pages - 1, 40)]).astype(np.int64)
    for second in words * at + places:
        for number in (second - 1, second):
            data[number] = stream[number % words]
    found = by_register(data.reshape(-1), UNIT, (REGISTER,))
    assert found is not None
    assert found.times == words


def test_a_page_with_an_odd_codeword_missing_may_be_several_pages() -> None:
    nine = repeated(UNIT, 9)
    assert unit_with_rest(PageLayout(nine.page_bytes, nine.codewords[:8])) == UNIT
    assert unit_with_rest(nine) is None
    assert unit_with_rest(PageLayout(nine.page_bytes + 64, nine.codewords[:8])) is None
    assert unit_with_rest(UNIT) is None


def test_two_codewords_a_page_with_metadata_in_the_first_alone() -> None:
    recipe, pages = marked_pages(0xFF)
    found = by_metadata(pages, recipe)
    assert found is not None
    assert found.times == 2


def test_erased_pages_a_block_of_zeros_and_bit_errors_do_not_hide_which_codewords_are_marked() -> None:
    recipe, pages = marked_pages(0x00, loose=2)
    pages[100:112] = 0xFF
    pages[112:] = 0x00
    pages[1:100:5, -1] ^= 0x10  # in metadata that no code covers
    found = by_metadata(pages, recipe)
    assert found is not None
    assert found.times == 2


def test_metadata_that_a_register_had_hidden_tell_the_page_once_it_is_known() -> None:
    """The register starts anew at every codeword, with one seed all over a block: codewords look like pages."""
    plain, _ = marked_pages(0xFF)
    streams = LfsrKeystreams(POLYNOMIAL, (0x1234567, 0x89ABCDE, 0x5555))
    scrambler = Scrambler("after_ecc", "codeword", streams, frozenset(Part), page_step=0, block_step=1)
    recipe, pages = marked_pages(0xFF, scrambler=scrambler)
    assert by_metadata(pages, plain) is None
    found = Unscrambled(recipe, 0, 0)
    larger = larger_page(found, Survey(pages.reshape(-1), recipe.layout.page_bytes))
    assert larger is not None
    assert larger.times == 2
    whole = with_larger_pages(found, larger.times).recipe
    assert whole.pages_per_block == 8
    assert len(whole.layout.codewords) == 2
    assert (whole.decode(pages.reshape(64, -1), np.arange(64)).errors == 0).all()


def test_a_keystream_that_changes_with_every_codeword_makes_no_larger_page() -> None:
    streams = LfsrKeystreams(POLYNOMIAL, (0x1234567, 0x89ABCDE))
    recipe, pages = marked_pages(0xFF, scrambler=Scrambler("after_ecc", "codeword", streams, frozenset(Part)))
    assert larger_page(Unscrambled(recipe, 0, 0), Survey(pages.reshape(-1), recipe.layout.page_bytes)) is None


def marked_pages(filler: int, loose: int = 0, scrambler: Scrambler | None = None) -> tuple[Recipe, NDArray[np.uint8]]:
    """Single codewords, 16 a block, of which every second one has the number of a block, and the others filler."""
    code = Code(13, 0x201B, 8)
    end = DATA + 8 + code.parity_bytes
    word = Codeword(
        (Span.of_bytes(Part.DATA, 0, DATA), Span.of_bytes(Part.METADATA, DATA, 8)),
        (Span.of_bytes(Part.PARITY, DATA + 8, code.parity_bytes),),
    )
    behind = (Span.of_bytes(Part.METADATA, end, loose),) if loose else ()
    recipe = Recipe(16, PageLayout(end + loose, (word,), behind), code, scrambler)
    rng = np.random.default_rng(2)
    metadata = np.full((128, 8 + loose), filler, np.uint8)
    metadata[:, 8:] = 0xFF
    # Numbers of blocks between 0 and 11: half of the words have one, and their median lies between them and filler.
    metadata[::2, 2:4] = np.stack([np.full(64, filler ^ 0xFF), np.arange(64) % 12], axis=1)
    return recipe, recipe.encode(rng.integers(0, 256, (128, DATA), np.uint8), metadata, np.arange(128))


def test_codewords_that_end_inside_a_byte_are_no_pages() -> None:
    """Sixteen words of 1024 bytes and 812 bits of parity: a sixteenth of the page is no whole number of bytes."""
    layout = bit_packed(18008, 0, 16, 1024, 812)
    assert is_filled(layout)
    found = cast(FoundPage, SimpleNamespace(layout=layout))
    assert _fewer_codewords(found, ()) is None
