"""Pages in a block, where metadata bytes count pages as well."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.blocks.block_size import block_size
from deadstick.solve.scrambler.metadata_table import with_aligned_metadata

LAYOUT = spare_groups(512 + 16, 1, 512, 8, 7)
CODE = Code(13, 0x201B, 4)
BLOCKS, NUMBER, COUNT = 24, 2, 5
PERIOD = 16


def numbered(size: int) -> np.ndarray:
    """`uint8[pages, 8]`: metadata of blocks in any order, with their numbers."""
    metadata = np.full((size * BLOCKS, 8), 0xA5, np.uint8)
    metadata[:, NUMBER] = np.random.default_rng(1).permutation(BLOCKS)[np.arange(len(metadata)) // size]
    return metadata


def stored(metadata: np.ndarray, scrambler: Scrambler | None = None) -> np.ndarray:
    data = np.random.default_rng(2).integers(0, 256, (len(metadata), 512), np.uint8)
    return Recipe(PERIOD, LAYOUT, CODE, scrambler).encode(data, metadata, np.arange(len(metadata)))


@pytest.mark.parametrize("size", [32, 48, 64])
def test_a_count_of_pages_under_a_table_of_fewer_keystreams_than_pages(size: int) -> None:
    """Neighbours are made alike, and so is the count under all keystreams; it goes on where the table begins anew."""
    metadata = numbered(size)
    metadata[:, COUNT] = np.arange(len(metadata)) % size
    rng = np.random.default_rng(3)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(PERIOD)))
    raw = stored(metadata, Scrambler("after_ecc", "column", streams, frozenset(Part)))
    # A table that data and code told: each keystream is known but for a codeword over metadata and parity.
    unknown = rng.integers(0, 256, (PERIOD, 8), np.uint8)
    words = Recipe(1, LAYOUT, CODE).encode(np.zeros((PERIOD, 512), np.uint8), unknown, np.arange(PERIOD), filler=0)
    told = tuple(bytes(np.frombuffer(one, np.uint8) ^ word) for one, word in zip(streams.streams, words, strict=True))
    scrambler = Scrambler("after_ecc", "column", StoredKeystreams(told), frozenset(Part))
    recipe = with_aligned_metadata(Recipe(PERIOD, LAYOUT, CODE, scrambler), raw, np.arange(len(raw)))
    batch = recipe.decode(raw, np.arange(len(raw)))
    assert (batch.metadata[1:PERIOD, COUNT] == batch.metadata[0, COUNT]).all()
    assert block_size(raw, recipe, PERIOD).pages == size


def test_the_high_byte_of_a_count_of_pages() -> None:
    metadata = numbered(512)
    metadata[:, COUNT] = np.arange(len(metadata)) % 512 >> 8
    metadata[:, COUNT + 1] = np.arange(len(metadata)) % 256
    assert block_size(stored(metadata), Recipe(1, LAYOUT, CODE), 0).pages == 512


def test_a_byte_that_several_blocks_have_in_common_leaves_the_block_as_it_is() -> None:
    """Blocks of 32 pages have numbers of their own, and every three of them were written by one command."""
    metadata = numbered(32)
    metadata[:, COUNT] = np.random.default_rng(4).permutation(BLOCKS)[np.arange(len(metadata)) // 96]
    assert block_size(stored(metadata), Recipe(1, LAYOUT, CODE), 0).pages == 32


def test_numbers_in_steps_that_lie_in_order_but_for_two_are_no_count_of_pages() -> None:
    """Each block has the number of its first page: a byte comes again after 16 blocks, when the next one changes."""
    first = np.arange(160)
    first[[9, 11]] = first[[11, 9]]
    metadata = np.full((16 * 160, 8), 0xA5, np.uint8)
    metadata[:, NUMBER] = np.repeat(16 * first % 256, 16)
    metadata[:, NUMBER + 1] = np.repeat(16 * first // 256, 16)
    assert block_size(stored(metadata), Recipe(1, LAYOUT, CODE), 0).pages == 16


@pytest.mark.parametrize("constant", [0x00, 0x5C])
def test_numbers_in_steps_that_lie_in_order_are_no_count_of_pages(constant: int) -> None:
    """As on a disk that was filled once, where what was written over lies at the end, out of the pages looked at."""
    first = np.repeat(16 * np.arange(160), 16)
    metadata = np.full((len(first), 8), 0xA5, np.uint8)
    metadata[:, NUMBER] = first % 256 ^ constant
    metadata[:, NUMBER + 1] = first // 256 ^ constant
    assert block_size(stored(metadata), Recipe(1, LAYOUT, CODE), 0).pages == 16
