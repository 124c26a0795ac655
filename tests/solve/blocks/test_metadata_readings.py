"""Layouts that differences of pages cannot tell from each other; blocks that are a period, or that nothing can read."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import without_lone_bits
from deadstick.solve.blocks.block_size import BlockSize, _common_step, as_period, is_mere_period
from deadstick.solve.blocks.placed_blocks import has_unread_blocks
from deadstick.solve.scrambler.metadata_order import readings

DATA, METADATA, PARITY = Part.DATA, Part.METADATA, Part.PARITY


def in_line(first: int, pitch: int, metadata: int, *, covered: bool) -> PageLayout:
    """Four codewords of 512 bytes and 26 of parity in line, metadata before each or nothing said of them."""
    words = []
    for number in range(4):
        start = first + number * pitch
        before = (Span.of_bytes(METADATA, start - metadata, metadata),) if covered else ()
        message = (*before, Span.of_bytes(DATA, start, 512))
        words.append(Codeword(message, (Span.of_bytes(PARITY, start + 512, 26),)))
    return PageLayout(2300, tuple(words))


def test_silent_metadata_before_every_codeword_are_a_reading() -> None:
    """The first codeword was found three bytes late, as a cyclic code allows before zeros."""
    true = in_line(14, 552, 14, covered=True)
    seen = in_line(14, 552, 14, covered=False)
    late = Codeword((Span.of_bytes(METADATA, 0, 17), Span.of_bytes(DATA, 17, 512)), (Span.of_bytes(PARITY, 529, 26),))
    assert true in list(readings(replace(seen, codewords=(late, *seen.codewords[1:]))))


def test_codewords_without_room_between_them_have_no_silent_metadata() -> None:
    layout = in_line(0, 538, 0, covered=False)
    assert list(readings(layout)) == [layout]


def test_metadata_that_some_codewords_show_are_before_all_behind_the_same_unused_bytes() -> None:
    """Filler in the last two of four codewords is zero in differences; three bytes between codewords are nobody's."""
    true = in_line(14, 555, 14, covered=True)
    bare = in_line(14, 555, 14, covered=False)
    seen = replace(true, codewords=(*true.codewords[:2], *bare.codewords[2:]))
    assert true in list(readings(seen))
    # Without a codeword that shows both, three bytes more are as likely metadata themselves.
    alone = replace(true, codewords=(true.codewords[0], *bare.codewords[1:]))
    assert true not in list(readings(replace(alone, codewords=alone.codewords[:2])))


def gathered(metadata: int, parity: int) -> PageLayout:
    """Two codewords of 1024 bytes and 40 of parity; nine of metadata in the first begin at a column."""
    first = Codeword(
        (Span.of_bytes(DATA, 0, 1024), Span.of_bytes(METADATA, metadata, 9)), (Span.of_bytes(PARITY, parity, 40),)
    )
    second = Codeword((Span.of_bytes(DATA, 1024, 1024),), (Span.of_bytes(PARITY, parity + 40, 40),))
    return PageLayout(2160, (first, second))


def test_silent_metadata_may_begin_behind_the_column_of_the_marker() -> None:
    """Marker and metadata are zeros in differences of pages: in which of ten columns the nine lie, nothing said."""
    assert gathered(2049, 2058) in list(readings(gathered(2048, 2058)))
    # Where parity follows at once, or the marker has its column already, the metadata lie where they were seen.
    assert list(readings(gathered(2048, 2057))) == [gathered(2048, 2057)]
    assert list(readings(gathered(2049, 2059))) == [gathered(2049, 2059)]


@pytest.mark.parametrize(("borders", "times", "expected"), [(13, 32, 3072), (6, 32, 1024), (13, 1, 1024)])
def test_blocks_of_parts_of_pages_may_have_more_pages_than_any_block(borders: int, times: int, expected: int) -> None:
    """A few borders alone are no blocks of three thousand pages, nor are any where pages are whole."""
    found = _common_step(3072 * np.random.default_rng(8).permutation(40)[:borders], times)
    assert found is not None
    assert found.pages == expected


def scrambled(block: int, count: int, block_step: int) -> Recipe:
    keystreams = LfsrKeystreams(0x14D, tuple(range(1, count + 1)), "msb")
    layout = in_line(0, 538, 0, covered=False)
    return Recipe(block, layout, None, Scrambler("before_ecc", "page", keystreams, page_step=2, block_step=block_step))


def test_keystreams_of_a_period_are_the_same_on_every_page() -> None:
    recipe = scrambled(286, 51, 0)
    longer, period = as_period(recipe)
    assert period == 286
    assert recipe.scrambler is not None
    assert longer.scrambler is not None
    pages = np.arange(5000)
    # Under blocks of 512 pages the number of the page on the chip goes on: 512 mod 286 further with each block.
    on_chip = replace(longer.scrambler, block_step=512 % period)
    before = recipe.scrambler.keystreams.table(8)[recipe.scrambler.index(pages, 286)]
    after = on_chip.keystreams.table(8)[on_chip.index(pages, 512)]
    assert np.array_equal(before, after)


@pytest.mark.parametrize(
    ("block_step", "pages", "log10_chance", "expected"),
    [
        (0, 512, -10.0, True),
        (0, 572, -10.0, False),
        (0, 572, -80.0, True),
        (0, 286, -80.0, False),
        (0, 512, -3.0, False),
        (0, 512, None, False),
        (7, 512, -10.0, False),
    ],
)
def test_metadata_alone_make_a_block_a_period(
    block_step: int, pages: int, log10_chance: float | None, expected: bool
) -> None:
    assert is_mere_period(scrambled(286, 51, block_step), BlockSize(pages, "", log10_chance)) is expected


def test_blocks_under_unknown_keystreams_are_unread() -> None:
    """Two keystreams in turn from block to block, one of them unknown; blocks of one byte were never written."""
    number = Translation("block", BitField(0, 1))
    recipe = replace(scrambled(64, 2, 1), translation=number)
    assert recipe.scrambler is not None
    by_block = replace(recipe.scrambler, page_step=0, keystreams=LfsrKeystreams(0x14D, (7, 0), "msb"))
    pages = np.random.default_rng(1).integers(0, 256, (64 * 4, 2300), dtype=np.uint8)
    assert has_unread_blocks(pages, replace(recipe, scrambler=by_block))
    assert not has_unread_blocks(pages, recipe)
    beside = replace(by_block, covers=frozenset({Part.DATA, Part.PARITY}))
    assert not has_unread_blocks(pages, replace(recipe, scrambler=beside))
    by_place = replace(by_block, page_step=1)
    assert not has_unread_blocks(pages, replace(recipe, scrambler=by_place))
    pages[64:128], pages[192:] = 0xFF, 0xFF
    assert not has_unread_blocks(pages, replace(recipe, scrambler=by_block))


def test_a_second_codeword_may_have_the_metadata_of_the_first() -> None:
    """Filler in the second one is zero in differences, where the word looks as if it began behind it."""
    words = in_line(16, 554, 16, covered=True).codewords[:2]
    true = PageLayout(1300, words)
    bare = Codeword(words[1].message[1:], words[1].parity)
    assert true in list(readings(replace(true, codewords=(words[0], bare))))
    # Without room for them there is no such reading.
    near = Codeword((Span.of_bytes(DATA, 562, 512),), (Span.of_bytes(PARITY, 1074, 26),))
    close = PageLayout(1300, (words[0], near))
    assert all(len(layout.codewords[1].message) == 1 for layout in readings(close))


def test_a_bit_error_outside_the_code_does_not_make_a_number_change() -> None:
    """Sixty blocks, of which four pages each are looked at, with a bit error in two of a hundred bits of one page."""
    rng = np.random.default_rng(4)
    values = np.repeat(rng.permutation(60).astype(">u2").view(np.uint8).reshape(60, 1, 2), 4, axis=1)
    pages = np.tile(np.arange(0, 64, 16, dtype=np.uint8), (60, 1))[:, :, None]
    read = np.concatenate([values, pages], axis=2)
    wrong = read.copy()
    wrong[:, 1] ^= np.packbits(rng.random((60, 24)) < 0.02, axis=1)
    good = np.ones((60, 4), np.bool_)
    assert (wrong != read).any()
    assert np.array_equal(without_lone_bits(wrong, good)[:, :, :2], read[:, :, :2])
    assert np.array_equal(without_lone_bits(read, good), read)  # a count of pages goes on changing
    good[:, 3] = False
    assert np.array_equal(without_lone_bits(wrong, good), wrong)  # too few pages to tell
