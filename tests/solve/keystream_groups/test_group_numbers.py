"""Numbers and versions of blocks under stored keystreams that meet at the borders of blocks alone."""

import struct

import numpy as np
import pytest

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.keystream_groups.group_numbers import with_tied_groups
from deadstick.solve.keystream_groups.group_ties import groups_of_blocks, has_open_groups, keystream_groups
from deadstick.solve.keystream_groups.group_versions import constant_of_writes, versions_agree
from deadstick.solve.scrambler.metadata_table import has_open_metadata, with_offsets

BLOCK, NUMBERS, COPIES, STREAMS = 16, 30, 12, 3
BLOCKS = NUMBERS + COPIES
LAYOUT = spare_groups(512 + 64, 1, 512, 8, 28)
CODE = Code(14, 0x402B, 16)
PAGES = np.arange(BLOCK * BLOCKS)
RNG = np.random.default_rng(5)
LOGICAL = RNG.permutation(np.r_[np.arange(NUMBERS), np.arange(COPIES)])
WRITES = 0x40 + RNG.permutation(BLOCKS)
NUMBER, VERSION = BitField(2, 1, "big"), BitField(5, 1, "big")
TRANSLATION = Translation("block", NUMBER, VERSION)


def controller(page_step: int = 0, block_step: int = 1) -> Recipe:
    rng = np.random.default_rng(6)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(STREAMS)))
    covers = frozenset({Part.DATA, Part.METADATA})
    return Recipe(BLOCK, LAYOUT, CODE, Scrambler("before_ecc", "column", streams, covers, page_step, block_step))


def metadata_of(logical: np.ndarray, versions: np.ndarray) -> np.ndarray:
    metadata = np.full((len(PAGES), 8), 0xA5, np.uint8)
    metadata[:, 2], metadata[:, 5] = logical[PAGES // BLOCK], versions[PAGES // BLOCK]
    return metadata


def dump(logical: np.ndarray = LOGICAL, versions: np.ndarray = WRITES, partition: int = 0) -> np.ndarray:
    """Copies of a block hold the same data; the disk begins in number 0, and its partition in another, if any."""
    content = np.random.default_rng(7).integers(0, 256, (64, BLOCK, 512), np.uint8)
    content[:, 0, 510:] = 0
    content[0, 0, 510:] = 0x55, 0xAA
    if partition:
        slot = struct.pack("<B3xB3xII", 0, 0x0C, partition * BLOCK, NUMBERS * BLOCK)
        content[0, 0, 446:510] = np.frombuffer(slot.ljust(64, b"\0"), np.uint8)
    data = content[logical].reshape(-1, 512)
    return controller().encode(data, metadata_of(logical, versions), PAGES)


def without_metadata() -> Recipe:
    return with_offsets(controller(), np.random.default_rng(8).integers(0, 256, (STREAMS, 8), np.uint8))


def test_keystreams_that_meet_inside_blocks_are_of_one_group() -> None:
    assert len(np.unique(keystream_groups(controller(), BLOCKS))) == STREAMS
    assert len(np.unique(keystream_groups(controller(1, 0), BLOCKS))) == 1
    assert has_open_groups(controller(), BLOCKS)
    assert not has_open_groups(controller(1, 0), BLOCKS)


def test_copies_and_gaps_tell_the_metadata_of_all_groups() -> None:
    raw = dump()
    tied = next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None)
    assert tied is not None
    assert has_open_metadata(tied)
    constant = tied.decode(raw, PAGES).metadata ^ metadata_of(LOGICAL, WRITES)
    assert (constant == constant[0]).all()
    assert constant[0, 2] == 0


def test_a_field_with_half_of_the_number_does_not_stand_in_for_the_whole() -> None:
    """A byte that all blocks have in common, with the low byte of the number behind it, fills all gaps as well.

    Most blocks of one group have another high byte than those of the others, so that it does not follow from them.
    """
    rng = np.random.default_rng(10)
    high, low = rng.permutation(np.arange(256, 400)), rng.permutation(np.r_[np.arange(256), np.arange(40)])
    logical = np.zeros(440, np.int64)
    logical[2::STREAMS] = rng.permutation(np.r_[high[:90], low[:56]])
    logical[np.arange(440) % STREAMS != 2] = rng.permutation(np.r_[high[90:], low[56:]])
    pages = np.arange(BLOCK * len(logical))
    content = rng.integers(0, 256, (400, BLOCK, 512), np.uint8)
    content[:, 0, 510:] = 0
    content[0, 0, 510:] = 0x55, 0xAA
    metadata = np.full((len(pages), 8), 0xA5, np.uint8)
    metadata[:, 2:4] = logical.astype("<u2").view(np.uint8).reshape(-1, 2)[pages // BLOCK]
    raw = controller().encode(content[logical].reshape(-1, 512), metadata, pages)
    tied = next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None)
    assert tied is not None
    assert (tied.decode(raw, pages).metadata[:, 2:4] == metadata[:, 2:4]).all()


def test_counts_of_writes_are_those_of_most_blocks_in_each_group() -> None:
    counts = np.array(
        [3 + np.count_nonzero(LOGICAL[:block] == number) for block, number in enumerate(LOGICAL.tolist())]
    )
    raw = dump(versions=counts)
    space = PageSpace.of(raw, BLOCK)
    tied = next(with_tied_groups(space, without_metadata()), None)
    assert tied is not None
    metadata = block_metadata(space, tied)
    groups = groups_of_blocks(tied, BLOCKS)
    assert versions_agree(TRANSLATION, metadata.first_good, groups, BLOCKS)
    shifted = metadata.first_good.copy()
    shifted[groups == 1, 5] ^= 7
    assert not versions_agree(TRANSLATION, shifted, groups, BLOCKS)


def test_nothing_is_told_where_a_number_is_missing() -> None:
    raw = dump(np.where(LOGICAL == NUMBERS - 4, NUMBERS, LOGICAL))
    assert next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None) is None


@pytest.mark.parametrize(("partition", "is_told"), [(4, True), (3, False), (0, False)])
def test_blocks_before_the_first_partition_need_not_be_written(partition: int, is_told: bool) -> None:
    """Numbers 1 to 3 are missing."""
    logical = np.where(LOGICAL > 0, LOGICAL + 3, 0)
    raw = dump(logical, partition=partition)
    tied = next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None)
    assert (tied is not None) == is_told
    if tied is not None:
        constant = tied.decode(raw, PAGES).metadata ^ metadata_of(logical, WRITES)
        assert (constant == constant[0]).all()
        assert constant[0, 2] == 0


def test_a_partition_table_excuses_no_gap_behind_it() -> None:
    logical = np.where(LOGICAL > 0, LOGICAL + 3, 0)
    raw = dump(np.where(logical == NUMBERS - 4, NUMBERS + 3, logical), partition=4)
    assert next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None) is None


def test_nothing_is_told_where_copies_are_none() -> None:
    """A file that was stored twice looks like copies of a block."""
    logical = np.r_[np.arange(NUMBERS), NUMBERS : NUMBERS + COPIES]
    raw = controller().encode(
        np.random.default_rng(7)
        .integers(0, 256, (BLOCKS // 2, BLOCK, 512), np.uint8)[np.arange(BLOCKS) % (BLOCKS // 2)]
        .reshape(-1, 512),
        metadata_of(logical, WRITES),
        PAGES,
    )
    assert next(with_tied_groups(PageSpace.of(raw, BLOCK), without_metadata()), None) is None


class Filled:
    """Copies of which some pairs say which is the later one, or all of which hold the same data."""

    def __init__(self, told: int, *, lies: bool = False, same: bool = False) -> None:
        self.told, self.lies, self.same = told, lies, same

    def vote(self, one: int, other: int) -> int:
        if LOGICAL[one] >= self.told:
            return 0
        lie = self.lies and LOGICAL[one] == 0
        return 1 if (WRITES[one] < WRITES[other]) != lie else -1

    def alike(self, one: int, other: int) -> bool:
        return self.same or one == other


def order_of(copies: Filled, constant: int) -> np.ndarray | None:
    metadata = block_metadata(PageSpace.of(dump(versions=WRITES ^ constant), BLOCK), controller())
    offset = constant_of_writes(TRANSLATION, metadata, copies, BLOCKS)
    return None if offset is None else VERSION.read(metadata.first_good ^ offset)


def test_copies_tell_which_way_numbers_of_writes_go() -> None:
    versions = order_of(Filled(COPIES), 0xFF)
    assert versions is not None
    for number in range(COPIES):
        one, other = np.flatnonzero(np.isin(LOGICAL, number))
        assert (versions[one] < versions[other]) == (WRITES[one] < WRITES[other])


def test_numbers_of_writes_tell_no_order_without_the_copies_or_against_them() -> None:
    assert order_of(Filled(0), 0xFF) is None
    assert order_of(Filled(COPIES, lies=True), 0) is None


def test_of_copies_with_the_same_data_the_newer_is_told_by_numbers_that_lie_closest_together() -> None:
    versions = order_of(Filled(0, same=True), 0x06)
    assert versions is not None
    assert np.ptp(versions) == BLOCKS - 1
