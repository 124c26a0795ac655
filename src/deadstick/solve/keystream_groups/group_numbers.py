"""Numbers of blocks whose metadata are known but for a row of each group of keystreams, see `group_ties`.

Groups that copies tie have one constant over the number in common. The block in which the disk begins is number 0,
which tells that of its own. The others must fill the gaps that this one leaves in the row of numbers: if that happens
under one constant of each alone, and hardly by accident, all numbers are told. Blocks before the first partition, as
the table in number 0 has it, may never have been written.

Bytes that most blocks have in common are made equal under all groups; so are versions that count how often each block
was written, as most were written as often as each other. Numbers of writes, which all differ, lie in a narrow range.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.solve.keystream_groups.group_chances import SURE_GAPS, doubted_without_gaps, log10_filling
from deadstick.solve.keystream_groups.group_places import Votes
from deadstick.solve.keystream_groups.group_ties import aligned_in_groups, copy_ties, joined
from deadstick.solve.keystream_groups.group_writes import constants_of_writes
from deadstick.solve.keystream_groups.grouped_blocks import GroupedBlocks, grouped_blocks, number_fields, readings_of
from deadstick.solve.scrambler.metadata_table import with_offsets
from deadstick.solve.versions.version_bits import Copied

Bytes = NDArray[np.uint8]

MOST_BLOCKS = 1024
MOST_STEPS = 20_000


def with_tied_groups(space: PageSpace, recipe: Recipe) -> Iterator[Recipe]:
    """Recipes under which the metadata of all groups are known but for one row, one for each field that tells it.

    A field of two bytes may hold the low byte of the number and, in place of its high byte, one that all blocks have in
    common. The copies agree under it, too, and more blocks than there are values fill all gaps. But it gives blocks
    that are no copies one number: a field that tells more numbers apart comes first, and the volumes judge all of them.

    Args:
        space: the pages of one chip.
        recipe: with a table of keystreams, several groups of which do not meet inside blocks.
    """
    count = len(space) // recipe.pages_per_block
    if count > MOST_BLOCKS:
        return
    recipe = aligned_in_groups(space, recipe, count)
    blocks = grouped_blocks(space, recipe)
    if not blocks.begins:
        return
    blocks = replace(blocks, ties=copy_ties(space, recipe, blocks.metadata.blocks))
    votes = Votes(space, recipe, blocks)
    every = ((number, _told(blocks, number, votes)) for number in number_fields(blocks))
    told = [(number, constants) for number, constants in every if constants is not None]
    for number, constants in sorted(told, key=lambda item: -_told_apart(blocks, *item)):
        yield with_offsets(recipe, offsets_of(blocks, number, constants)[blocks.of_streams])


def _told_apart(blocks: GroupedBlocks, number: BitField, constants: dict[int, int]) -> int:
    """Different numbers that blocks have in a field under the constants of their groups."""
    values = number.read(blocks.metadata.first_good)
    every = np.array([constants.get(group, 0) for group in blocks.groups.tolist()], np.int64)
    readings, _ = readings_of(blocks, number)
    return len(np.unique((values ^ every)[readings >= 0]))


def _told(blocks: GroupedBlocks, number: BitField, votes: Votes) -> dict[int, int] | None:
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
        needed_from = blocks.needed_from.get(begin, 1)
        told = filled(sets, {first: int(readings[begin]) ^ added}, blocks.count, needed_from)
        if told is None or not _are_filled(sets, told, first, blocks.width, needed_from):
            continue
        constants = {group: told[places[group][0]] ^ places[group][1] for group in names}
        named = {group for group in names if places[group][0] == first}
        if _is_sure(blocks, readings, constants, begin, named, votes):
            found[tuple(constants.values())] = constants
    if len(found) != 1:
        return None
    (constants,) = found.values()
    return {group: constant | high[group] for group, constant in constants.items()}


def _are_filled(
    sets: dict[int, NDArray[np.int64]], told: dict[int, int], first: int, width: int, needed_from: int
) -> bool:
    """Whether no groups that ties join, but the first, fill the gaps that all others leave by accident."""
    numbers = {root: sets[root] ^ constant for root, constant in told.items()}
    chances = [log10_filling(numbers, [root], width, needed_from) for root in told if root != first]
    return all(chance + width * math.log10(2) < SURE_GAPS for chance in chances)


def _is_sure(
    blocks: GroupedBlocks,
    readings: NDArray[np.int64],
    constants: dict[int, int],
    begin: int,
    named: set[int],
    votes: Votes,
) -> bool:
    """Whether every group but that of number 0 is hardly where it is by accident, if the disk begins in some row.

    The volumes are asked for places of blocks in groups that may be. Each counts as one more pair of copies.
    """
    added = np.array([constants.get(group, 0) for group in blocks.groups.tolist()], np.int64)
    numbered = readings >= 0
    rows = np.where(numbered, readings ^ added, -1)
    numbers = {group: np.unique(rows[(blocks.groups == group) & numbered]) for group in constants}
    told = [tie for tie in blocks.ties if numbered[tie.one] and numbered[tie.other]]
    ties = [(int(blocks.groups[tie.one]), int(blocks.groups[tie.other])) for tie in told]
    first, needed_from = int(blocks.groups[begin]), blocks.needed_from.get(begin, 1)

    def doubted(placed: Sequence[int]) -> tuple[int, ...] | None:
        pairs = [*ties, *((int(blocks.groups[row]), first) for row in placed)]
        return doubted_without_gaps(numbers, pairs, first, named, blocks.width, needed_from)

    votes.ask_again()
    return votes.confirm(rows, blocks.groups, doubted)


def filled(
    sets: dict[int, NDArray[np.int64]], known: dict[int, int], limit: int, needed_from: int = 1
) -> dict[int, int] | None:
    """The only constants under which numbers fill a range from 0 on.

    Args:
        sets: by group, its numbers but for a constant.
        known: by group, constants that are known.
        limit: numbers are smaller.
        needed_from: smaller numbers than this, but 0, may be missing.

    Returns:
        By group; None where there is none, there are several, or it would take too long to tell.

    >>> filled({0: np.array([0, 1, 2, 5, 7]), 1: np.array([3, 1, 4])}, {0: 0}, 8)
    {0: 0, 1: 7}
    >>> filled({0: np.array([0, 1, 2]), 1: np.array([1, 2])}, {0: 0}, 4) is None  # 3 and 4, 0 and 3, ...
    True
    """

    @cache
    def mask(root: int, constant: int) -> int:
        numbers = (sets[root] ^ constant).tolist()
        return sum(1 << number for number in numbers) if max(numbers) < limit else 0

    def is_hopeless(taken: int, left: Iterable[int]) -> bool:
        gaps = taken.bit_length() - taken.bit_count()
        return gaps > sum(len(sets[root]) for root in left)

    spare = (1 << needed_from) - 1
    found: set[tuple[tuple[int, int], ...]] = set()
    begun = _union(mask(root, constant) for root, constant in known.items())
    stack = [(known, begun | spare if begun else 0)]
    # Two groups that have the number of one gap in common come in either order.
    seen: set[tuple[tuple[int, int], ...]] = set()
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
                some = {**constants, root: constant}
                name = tuple(sorted(some.items()))
                if more and name not in seen and not is_hopeless(taken | more, set(left) - {root}):
                    seen.add(name)
                    stack.append((some, taken | more))
    return dict(next(iter(found))) if len(found) == 1 else None


def _union(masks: Iterator[int]) -> int:
    taken = 0
    for mask in masks:
        taken |= mask
    return taken


def offsets_of(blocks: GroupedBlocks, number: BitField, constants: dict[int, int]) -> Bytes:
    """`uint8[groups, metadata_bytes]`: the number as told, all other bytes as most blocks have them."""
    rows, metadata_bytes = blocks.metadata.first_good, blocks.metadata.values.shape[2]
    offsets = np.zeros((int(blocks.of_streams.max()) + 1, metadata_bytes), np.uint8)
    for group in np.unique(blocks.groups).tolist():
        mine = rows[blocks.groups == group]
        offsets[group] = [np.bincount(column).argmax() for column in mine.T]
    every = np.array([constants.get(group, 0) for group in range(len(offsets))], np.int64)
    number.write(offsets, every)
    readings, _ = readings_of(blocks, number)
    numbered = np.flatnonzero(readings >= 0)
    groups = blocks.groups[numbered]
    logical = (readings[numbered] ^ every[groups]) & ((1 << blocks.width) - 1)
    inside = range(number.first_byte, number.first_byte + number.length)
    for byte in range(metadata_bytes):
        if byte not in inside and not blocks.metadata.changing[:, byte].any():
            values = rows[numbered, byte].astype(np.int64)
            some = Copied(logical, values, blocks.metadata.blocks[numbered], blocks.copies)
            for group, constant in (constants_of_writes(some, groups) or {}).items():
                offsets[group, byte] = constant
    return offsets
