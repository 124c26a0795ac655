"""Numbers of blocks whose metadata are known but for a row of each group of keystreams, see `group_ties`.

Groups that copies tie have one constant over the number in common. The block in which the disk begins is number 0,
which tells that of its own. The others must fill the gaps that this one leaves in the row of numbers: if that happens
under one constant of each alone, and hardly by accident, all numbers are told.

Bytes that most blocks have in common are made equal under all groups; so are versions that count how often each block
was written, as most were written as often as each other. Numbers of writes, which all differ, lie in a narrow range.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.solve.block_metadata import BlockMetadata, block_metadata, fields
from deadstick.solve.group_ties import CopyTie, aligned_in_groups, copy_ties, groups_of_blocks, joined, keystream_groups
from deadstick.solve.group_versions import constants_of_writes
from deadstick.solve.metadata_table import beginnings, with_offsets

Bytes = NDArray[np.uint8]

MOST_BLOCKS = 1024
STEADY = 0.8
"""Share of the blocks in which a number is that of all pages, and has the bits above it that most have."""
MOST_STEPS = 20_000
SURE_GAPS, AGREEING = -3.0, -1.0
"""Logarithm of the chance that a group fills the gaps under a wrong constant, which is small enough, as the volumes
must confirm it; and what each further pair of copies adds that says the same. Two copies of a file, which are no copies
of a block, say the same in many pairs, but leave gaps."""


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
    """

    metadata: BlockMetadata
    groups: NDArray[np.int64]
    ties: list[CopyTie]
    begins: list[int]
    count: int
    of_streams: NDArray[np.int64]

    @property
    def width(self) -> int:
        """Bits that tell so many blocks apart."""
        return (self.count - 1).bit_length()


def with_tied_groups(space: PageSpace, recipe: Recipe) -> Recipe | None:
    """The recipe under which the metadata of all groups are known but for one row; None where that is not told.

    Args:
        space: the pages of one chip.
        recipe: with a table of keystreams, several groups of which do not meet inside blocks.
    """
    count = len(space) // recipe.pages_per_block
    if count > MOST_BLOCKS:
        return None
    recipe = aligned_in_groups(space, recipe, count)
    blocks = grouped_blocks(space, recipe)
    if not blocks.begins:
        return None
    blocks = replace(blocks, ties=copy_ties(space, recipe, blocks.metadata.blocks))
    for number in number_fields(blocks):
        constants = _told(blocks, number)
        if constants is not None:
            return with_offsets(recipe, offsets_of(blocks, number, constants)[blocks.of_streams])
    return None


def grouped_blocks(space: PageSpace, recipe: Recipe) -> GroupedBlocks:
    """What is known of the written blocks, but for copies, under keystreams that are aligned in each group."""
    count, metadata = len(space) // recipe.pages_per_block, block_metadata(space, recipe)
    groups = groups_of_blocks(recipe, count)[metadata.blocks]
    begins = np.flatnonzero(np.isin(metadata.blocks, beginnings(space, recipe))).tolist()
    return GroupedBlocks(metadata, groups, [], begins, count, keystream_groups(recipe, count))


def number_fields(blocks: GroupedBlocks) -> Iterator[BitField]:
    """Bytes that may be the low ones of the number."""
    length = 1 if blocks.width <= 8 else 2
    for number in fields(blocks.metadata.values.shape[2]):
        steady = number.read(blocks.metadata.changing) == 0
        if number.length == length and steady.mean() >= STEADY:
            readings, _ = readings_of(blocks, number)
            if (readings >= 0).mean() >= STEADY:
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


def _told(blocks: GroupedBlocks, number: BitField) -> dict[int, int] | None:
    """By group, what is to be added to a field to make it the number of the block; None where that is not told."""
    readings, high = readings_of(blocks, number)
    places = joined(blocks.groups, readings, blocks.ties)
    if places is None:
        return None
    numbered = readings >= 0
    names = np.unique(blocks.groups[numbered]).tolist()
    tied: dict[int, list[NDArray[np.int64]]] = {}
    for group in names:
        root, added = places[group]
        tied.setdefault(root, []).append(readings[numbered & (blocks.groups == group)] ^ added)
    sets = {root: np.unique(np.concatenate(parts)) for root, parts in tied.items()}
    found: dict[tuple[int, ...], dict[int, int]] = {}
    for begin in blocks.begins:
        first, added = places[int(blocks.groups[begin])]
        if not numbered[begin]:
            continue
        told = filled(sets, {first: int(readings[begin]) ^ added}, blocks.count)
        if told is None or any(_chance(sets, told, root, blocks.width) >= SURE_GAPS for root in told if root != first):
            continue
        constants = {group: told[places[group][0]] ^ places[group][1] for group in names}
        if _is_sure(blocks, readings, constants, int(blocks.groups[begin])):
            found[tuple(constants.values())] = constants
    if len(found) != 1:
        return None
    (constants,) = found.values()
    return {group: constant | high[group] for group, constant in constants.items()}


def _is_sure(blocks: GroupedBlocks, readings: NDArray[np.int64], constants: dict[int, int], first: int) -> bool:
    """Whether every group but that of number 0 is hardly where it is by accident."""
    sets = {group: np.unique(readings[(blocks.groups == group) & (readings >= 0)]) for group in constants}
    pairs = [{int(blocks.groups[tie.one]), int(blocks.groups[tie.other])} for tie in blocks.ties]
    for group in constants:
        further = sum(group in pair and len(pair) == 2 for pair in pairs) - 1
        chance = _chance(sets, constants, group, blocks.width) + AGREEING * max(0, further)
        if group != first and chance >= SURE_GAPS:
            return False
    return True


def filled(sets: dict[int, NDArray[np.int64]], known: dict[int, int], limit: int) -> dict[int, int] | None:
    """The only constants under which numbers fill a range from 0 on.

    Args:
        sets: by group, its numbers but for a constant.
        known: by group, constants that are known.
        limit: numbers are smaller.

    Returns:
        By group; None where there is none, there are several, or it would take too long to tell.

    >>> filled({0: np.array([0, 1, 2, 5, 7]), 1: np.array([3, 1, 4])}, {0: 0}, 8)
    {0: 0, 1: 7}
    >>> filled({0: np.array([0, 1, 2]), 1: np.array([1, 2])}, {0: 0}, 4) is None  # 3 and 4, 0 and 3, ...
    True
    """

    def mask(root: int, constant: int) -> int:
        numbers = (sets[root] ^ constant).tolist()
        return sum(1 << number for number in numbers) if max(numbers) < limit else 0

    found: set[tuple[tuple[int, int], ...]] = set()
    stack = [(known, _union(mask(root, constant) for root, constant in known.items()))]
    steps = 0
    while stack:
        constants, taken = stack.pop()
        steps += 1
        if not taken or steps > MOST_STEPS or len(found) > 1:
            return None
        left = [root for root in sets if root not in constants]
        gap = (~taken & (taken + 1)).bit_length() - 1
        if taken == (1 << gap) - 1:
            # Nothing need fill the gap behind the last number; what is left lies below then.
            inside = [[c for c in range(1 << limit.bit_length()) if 0 < mask(r, c) <= taken] for r in left]
            choices = (dict(zip(left, choice, strict=True)) for choice in product(*inside))
            for _, choice in zip(range(2), choices, strict=False):
                found.add(tuple(sorted({**constants, **choice}.items())))
        for root in left:
            for constant in (sets[root] ^ gap).tolist():
                more = mask(root, constant)
                if more:
                    stack.append(({**constants, root: constant}, taken | more))
    return dict(next(iter(found))) if len(found) == 1 else None


def _union(masks: Iterator[int]) -> int:
    taken = 0
    for mask in masks:
        taken |= mask
    return taken


def _chance(sets: dict[int, NDArray[np.int64]], constants: dict[int, int], root: int, width: int) -> float:
    """Logarithm of the chance that a group fills the gaps that all others leave under any wrong constant.

    Of so many numbers, drawn at random, the gaps must all be among them (hypergeometric distribution).
    """
    others = np.concatenate([[0], *(numbers ^ constants[one] for one, numbers in sets.items() if one != root)])
    mine = sets[root] ^ constants[root]
    gaps = np.setdiff1d(np.arange(max(int(mine.max()), int(others.max())) + 1), others)
    drawn = np.arange(len(gaps))
    return float(width * np.log10(2) + np.log10((len(mine) - drawn) / ((1 << width) - drawn)).sum())


def offsets_of(blocks: GroupedBlocks, number: BitField, constants: dict[int, int]) -> Bytes:
    """`uint8[groups, metadata_bytes]`: the number as told, all other bytes as most blocks have them."""
    rows, metadata_bytes = blocks.metadata.first_good, blocks.metadata.values.shape[2]
    offsets = np.zeros((int(blocks.of_streams.max()) + 1, metadata_bytes), np.uint8)
    for group in np.unique(blocks.groups).tolist():
        mine = rows[blocks.groups == group]
        offsets[group] = [np.bincount(column).argmax() for column in mine.T]
    number.write(offsets, np.array([constants.get(group, 0) for group in range(len(offsets))], np.int64))
    inside = slice(number.first_byte, number.first_byte + number.length)
    numbered = readings_of(blocks, number)[0] >= 0
    for byte in range(metadata_bytes):
        steady = not blocks.metadata.changing[:, byte].any()
        if byte not in range(*inside.indices(metadata_bytes)) and steady:
            told = constants_of_writes(rows[numbered, byte].astype(np.int64), blocks.groups[numbered])
            for group, constant in (told or {}).items():
                offsets[group, byte] = constant
    return offsets
