"""What is known of written blocks under several groups of keystreams, and which of their bytes may number them."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deadstick.files.partitions import first_partition_sector
from deadstick.rebuild.disk_protocol import SECTOR_BYTES
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata, fields
from deadstick.solve.blocks.filling import Copies, Fillings
from deadstick.solve.keystream_groups.group_ties import CopyTie, groups_of_blocks, keystream_groups
from deadstick.solve.scrambler.metadata_table import beginnings

STEADY = 0.8
"""Share of the blocks in which a number is that of all pages, and has the bits above it that most have."""


@dataclass(frozen=True)
class GroupedBlocks:
    """What is known of the written blocks.

    Attributes:
        metadata: under keystreams that are aligned in each group.
        groups: `int64[rows]`.
        ties: copies.
        begins: rows of the blocks in which a disk may begin.
        count: blocks of the chip; numbers are smaller.
        of_streams: `int64[keystreams]`, the group of each.
        copies: what lies in the blocks.
        needed_from: by row of `begins`, see `_needed_from`; 1 where nothing is said.
    """

    metadata: BlockMetadata
    groups: NDArray[np.int64]
    ties: list[CopyTie]
    begins: list[int]
    count: int
    of_streams: NDArray[np.int64]
    copies: Copies
    needed_from: dict[int, int] = field(default_factory=dict)

    @property
    def width(self) -> int:
        """Bits that tell so many blocks apart."""
        return (self.count - 1).bit_length()


def grouped_blocks(space: PageSpace, recipe: Recipe) -> GroupedBlocks:
    """What is known of the written blocks, but for copies, under keystreams that are aligned in each group."""
    count, metadata = len(space) // recipe.pages_per_block, block_metadata(space, recipe)
    groups = groups_of_blocks(recipe, count)[metadata.blocks]
    begins = np.flatnonzero(np.isin(metadata.blocks, beginnings(space, recipe))).tolist()
    copies = Fillings.of(space, recipe, len(metadata.blocks))
    needed_from = {row: _needed_from(space, recipe, int(metadata.blocks[row])) for row in begins}
    return GroupedBlocks(metadata, groups, [], begins, count, keystream_groups(recipe, count), copies, needed_from)


def _needed_from(space: PageSpace, recipe: Recipe, begin: int) -> int:
    """The first number behind 0 that must be there, if the disk begins in some block.

    Partitions begin at round places, as at 1 MiB (common practice, no source). Blocks between the partition table and
    the first partition belong to no volume, and numbers that were never written are missing. Nothing is forgiven
    behind that: there lie the files, two copies of which may be taken for copies of a block.
    """
    block_sectors = recipe.pages_per_block * recipe.layout.data_bytes // SECTOR_BYTES
    pages = np.array([begin * recipe.pages_per_block], np.int64)
    batch = recipe.decode(space.take(pages), space.numbers(pages))
    disk_sectors = len(space) // recipe.pages_per_block * block_sectors
    first = first_partition_sector(batch.data[0, :SECTOR_BYTES].tobytes(), disk_sectors)
    return max(1, first // block_sectors)


def number_fields(blocks: GroupedBlocks) -> Iterator[BitField]:
    """Bytes that may be the low ones of the number."""
    length = 1 if blocks.width <= 8 else 2
    for number in fields(blocks.metadata.values.shape[2]):
        steady = number.read(blocks.metadata.changing) == 0
        if number.length == length and steady.mean() >= STEADY:
            readings, _ = readings_of(blocks, number)
            numbered = readings >= 0
            # A byte that all blocks of a group have in common agrees with every tie, and numbers nothing.
            several = len(np.unique(np.stack([blocks.groups, readings])[:, numbered], axis=1).T) > len(
                np.unique(blocks.groups[numbered])
            )
            if numbered.mean() >= STEADY and several:
                yield number


def readings_of(blocks: GroupedBlocks, number: BitField) -> tuple[NDArray[np.int64], dict[int, int]]:
    """The bits that tell blocks apart, -1 where the higher ones are not those of most; and the higher ones.

    Returns:
        `int64[rows]`, and by group.
    """
    values = number.read(blocks.metadata.first_good)
    readings, high = np.full(len(values), -1, np.int64), {}
    for group in np.unique(blocks.groups).tolist():
        rows = np.flatnonzero(blocks.groups == group)
        above, counts = np.unique(values[rows] >> blocks.width, return_counts=True)
        usual = int(above[counts.argmax()])
        numbered = rows[values[rows] >> blocks.width == usual]
        readings[numbered] = values[numbered] & (1 << blocks.width) - 1
        high[group] = usual << blocks.width
    return readings, high
