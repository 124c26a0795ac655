"""A table of keystreams over the codewords, of which free space shows all but one."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, spare_groups, with_marker
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.answer.complete import GivenPages
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.scrambler.code_schedule import unlike_neighbours
from deadstick.solve.scrambler.coded_pages import known_pages
from deadstick.solve.scrambler.stored_after_code import stored_after_code

LAYOUT = spare_groups(1024 + 64, 2, 512, 2, 26)
CODE = Code(13, 0x201B, 16)
COUNT, PER_BLOCK, BLOCKS = 6, 64, 24


def test_blank_neighbours_under_a_keystream_for_each_block_are_no_trial_block() -> None:
    """One keystream shows nowhere, so the data are read again from what the code corrects; the others stay known."""
    rng = np.random.default_rng(6)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(COUNT)))
    recipe = Recipe(PER_BLOCK, LAYOUT, CODE, Scrambler("after_ecc", "page", streams, frozenset(Part), 0, 1))
    data = rng.integers(0, 256, (PER_BLOCK * BLOCKS, 1024), np.uint8)
    pages = np.arange(len(data))
    under = recipe.scrambler.index(pages, PER_BLOCK) if recipe.scrambler is not None else pages
    data[(pages % PER_BLOCK >= 40) & (under != 5)] = 0
    raw = recipe.encode(data, np.full((len(data), 4), 0x5A, np.uint8), pages)
    found = stored_after_code(GivenPages(Survey(raw.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 1))
    assert found is not None
    assert found.table is not None
    assert (found.table.unknown, found.recipe.pages_per_block) == (1, PER_BLOCK)
    known = under != 5
    batch = found.recipe.decode(raw[known], pages[known])
    assert (batch.errors >= 0).all()
    assert np.array_equal(batch.data, data[known])


def test_pages_of_a_trial_block_are_unlike_no_neighbour() -> None:
    raw = np.random.default_rng(7).integers(0, 256, (12, 1088), np.uint8)
    raw[4:8] = raw[0]
    assert np.flatnonzero(~unlike_neighbours(raw)).tolist() == [4, 5, 6, 7]
    assert unlike_neighbours(raw, np.zeros(12, np.int64)).all()
    assert unlike_neighbours(raw[:1]).tolist() == [True]
    assert unlike_neighbours(raw[:0]).tolist() == []


SHORT_CODE, SHORT_PER_BLOCK = Code(13, 0x201B, 4), 16
DATA_FIRST, METADATA_FIRST = (
    PageLayout(528, (Codeword(message, (Span(Part.PARITY, 8 * 518, 52),)),))
    for message in (
        (Span.of_bytes(Part.DATA, 0, 512), Span.of_bytes(Part.METADATA, 512, 6)),
        (Span.of_bytes(Part.METADATA, 0, 6), Span.of_bytes(Part.DATA, 6, 512)),
    )
)


def check_told(
    given: PageLayout,
    true: PageLayout,
    *,
    number: int,
    steps: tuple[int, int] = (1, 0),
    covers: frozenset[Part] = frozenset(Part),
) -> None:
    """From one layout of pages in which a metadata byte numbers the blocks, the true one and the data are found."""
    rng = np.random.default_rng(8)
    streams = StoredKeystreams(tuple(rng.bytes(true.page_bytes) for _ in range(COUNT)))
    recipe = Recipe(SHORT_PER_BLOCK, true, SHORT_CODE, Scrambler("after_ecc", "column", streams, covers, *steps))
    data = rng.integers(0, 256, (1536, 512), np.uint8)
    pages = np.arange(len(data))
    data[rng.random(len(data)) < 0.4] = 0
    data[rng.random(len(data)) < 0.3, 200:] = 0
    metadata = np.full((len(data), 6), 0x5A, np.uint8)
    metadata[:, number] = rng.permutation(len(data) // SHORT_PER_BLOCK).repeat(SHORT_PER_BLOCK)
    raw = recipe.encode(data, metadata, pages)
    found = stored_after_code(GivenPages(Survey(raw.reshape(-1), true.page_bytes), given, SHORT_CODE, 0))
    assert found is not None
    assert found.recipe.layout == true
    batch = found.recipe.decode(raw, pages)
    known = known_pages(found.recipe, pages)
    assert len(known) > len(pages) / 2
    assert np.array_equal(batch.data[known], data[known])


@pytest.mark.parametrize("steps", [(1, 0), (0, 1)])
@pytest.mark.parametrize("is_changed", [True, False])
def test_the_byte_of_the_marker_is_told_under_stored_keystreams(steps: tuple[int, int], *, is_changed: bool) -> None:
    """It is the lowest byte of a number; as long as it counts as data, few keystreams or none show all of them."""
    true = with_marker(METADATA_FIRST, 512) if is_changed else METADATA_FIRST
    check_told(METADATA_FIRST, true, number=0, steps=steps)


def test_metadata_before_the_data_are_told_by_what_stays_the_same_under_stored_keystreams() -> None:
    """A table over the codewords fits either order; numbers of blocks are the same in neighbours, and data are not."""
    check_told(DATA_FIRST, METADATA_FIRST, number=1, covers=frozenset({Part.DATA, Part.PARITY}))
