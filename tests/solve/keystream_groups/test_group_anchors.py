"""Numbers of blocks under groups of stored keystreams where some are lost: boot records and volumes tell them."""

import numpy as np
import pytest

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.simulate.contents import scenario_files
from deadstick.simulate.volume import FatVolume
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.block_size import BlockSize
from deadstick.solve.blocks.placed_blocks import newest_blocks
from deadstick.solve.keystream_groups.group_anchors import with_anchored_groups
from deadstick.solve.keystream_groups.group_numbers import with_tied_groups
from deadstick.solve.keystream_groups.group_ties import CopyTie, copy_ties, sparse_ties
from deadstick.solve.scrambler.metadata_table import with_offsets
from deadstick.solve.translation.find_translation import translated

BLOCK, NUMBERS, STREAMS = 64, 24, 3
LAYOUT = spare_groups(2048 + 128, 2, 1024, 8, 28)
BLOCK_BYTES = BLOCK * LAYOUT.data_bytes
LOST = (14, 19)
RNG = np.random.default_rng(6)
CONTROLLER = Recipe(
    BLOCK,
    LAYOUT,
    Code(14, 0x402B, 16),
    Scrambler(
        "before_ecc",
        "column",
        StoredKeystreams(tuple(RNG.bytes(LAYOUT.page_bytes) for _ in range(STREAMS))),
        frozenset({Part.DATA, Part.METADATA}),
        0,
        1,
    ),
)
WITHOUT_METADATA = with_offsets(CONTROLLER, RNG.integers(0, 256, (STREAMS, LAYOUT.metadata_bytes), np.uint8))


def states() -> tuple[np.ndarray, np.ndarray]:
    """`uint8[numbers, block_bytes]` each: a disk with one partition, before and after its last files were saved."""
    files = scenario_files(5, NUMBERS * BLOCK_BYTES // 2)
    volume = FatVolume(NUMBERS * BLOCK_BYTES, 4, first_sector=BLOCK_BYTES // 512, cluster_sectors=4)
    for file in files[:-6]:
        volume.write(file)
    before = volume.image()
    for file in files[-6:]:
        volume.write(file)
    return before.reshape(NUMBERS, -1), volume.image().reshape(NUMBERS, -1)


def dump(
    *, tied: tuple[int, ...] = (0, 1, 2), lost: tuple[int, ...] = LOST, stale: tuple[int, ...] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """Blocks in any order, in groups by their number; the older copies of some lie in the next group.

    Args:
        tied: groups that may hold copies of each other's blocks.
        lost: numbers of which there is no block.
        stale: numbers of which the newest block is lost alone.

    Returns:
        `uint8[pages, page_bytes]`, and the number of each block.
    """
    old, new = states()
    again = [n for n in range(NUMBERS) if (old[n] != new[n]).any() or n in (3, 4, 5)]
    group = {n: n % STREAMS for n in range(NUMBERS)}
    turn = dict(zip(tied, (*tied[1:], tied[0]), strict=True))
    written = [(group[n], n, 41 if n in again else 40, new[n]) for n in range(NUMBERS) if n not in (*lost, *stale)]
    written += [(turn[group[n]], n, 40, old[n]) for n in again if group[n] in turn and n not in lost]
    order = np.random.default_rng(9).permutation(len(written)).tolist()
    queues = [[written[i] for i in order if written[i][0] == stream] for stream in range(STREAMS)]
    longest = max(map(len, queues))
    raw = np.full((longest * STREAMS * BLOCK, LAYOUT.page_bytes), 0xFF, np.uint8)
    logical = np.full(longest * STREAMS, -1)
    for stream, queue in enumerate(queues):
        for turn_of, (_, number, version, data) in enumerate(queue):
            block = turn_of * STREAMS + stream
            pages = block * BLOCK + np.arange(BLOCK)
            metadata = np.full((BLOCK, LAYOUT.metadata_bytes), 0xA5, np.uint8)
            metadata[:, 2], metadata[:, 5] = number, version
            raw[pages] = CONTROLLER.encode(data.reshape(BLOCK, -1), metadata, pages)
            logical[block] = number
    return raw, logical


def numbers(raw: np.ndarray, recipe: Recipe) -> np.ndarray:
    first = np.arange(0, len(raw), BLOCK)
    decoded = recipe.decode(raw[first], first)
    return np.where(decoded.erased, -1, decoded.metadata[:, 2].astype(np.int64))


@pytest.fixture(scope="module")
def cut() -> tuple[np.ndarray, np.ndarray]:
    return dump()


def test_a_partition_table_and_copies_tell_numbers_where_blocks_are_lost(cut: tuple[np.ndarray, np.ndarray]) -> None:
    raw, logical = cut
    assert next(with_tied_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA), None) is None
    found = with_anchored_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA)
    assert found is not None
    assert (numbers(raw, found) == logical).all()


def test_the_volumes_tell_the_numbers_of_a_group_without_copies() -> None:
    raw, logical = dump(tied=(0, 1))
    found = with_anchored_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA)
    assert found is not None
    assert (numbers(raw, found) == logical).all()


def test_nothing_is_told_of_a_group_without_copies_where_its_blocks_fit_no_volume() -> None:
    raw, logical = dump(tied=(0, 1))
    pages = np.flatnonzero(np.repeat((logical >= 0) & (logical % STREAMS == 2), BLOCK))
    decoded = CONTROLLER.decode(raw[pages], pages)
    raw[pages] = CONTROLLER.encode(RNG.integers(0, 256, decoded.data.shape, np.uint8), decoded.metadata, pages)
    assert with_anchored_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA) is None


def test_nothing_is_told_without_the_block_in_which_the_disk_begins() -> None:
    raw, _ = dump(lost=(0, *LOST))
    assert with_anchored_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA) is None


@pytest.mark.parametrize("stale", [(), (13,)])
def test_the_newest_copies_are_in_place(stale: tuple[int, ...]) -> None:
    """Even if the files are lost that the newest directories promise, as older directories do not."""
    raw, _ = dump(stale=stale)
    found = translated(PageSpace.of(raw, 1), WITHOUT_METADATA, BlockSize(BLOCK, "", None), silent).recipe
    assert found.translation.version is not None
    space = PageSpace.of(raw, BLOCK)
    physical = newest_blocks(block_metadata(space, found), found.translation, len(raw) // BLOCK)
    kept = np.setdiff1d(np.arange(NUMBERS), (*LOST, *stale))
    pages = physical[kept, None] * BLOCK + np.arange(BLOCK)
    data = CONTROLLER.decode(raw[pages.reshape(-1)], pages.reshape(-1)).data.reshape(len(kept), -1)
    assert (data == states()[1][kept]).all()


@pytest.mark.parametrize(("written", "are_tied"), [(40, True), (24, False)])
def test_blocks_that_are_nearly_blank_are_compared_page_by_page(written: int, are_tied: bool) -> None:
    size = 256
    recipe = Recipe(size, LAYOUT, CONTROLLER.code)
    data = np.zeros((2, size, LAYOUT.data_bytes), np.uint8)
    data[:, :written] = RNG.integers(0, 256, (written, LAYOUT.data_bytes), np.uint8)
    pages = np.arange(2 * size)
    metadata = np.zeros((len(pages), LAYOUT.metadata_bytes), np.uint8)
    space = PageSpace.of(recipe.encode(data.reshape(len(pages), -1), metadata, pages), size)
    assert copy_ties(space, recipe, np.arange(2)) == []
    assert sparse_ties(space, recipe, np.arange(2)) == ([CopyTie(0, 1)] if are_tied else [])
