"""Numbers of blocks under several groups of keystreams on a chip that has lost some blocks, told by what lies in them.

Behind the end of a dump that was cut short, and in blocks that went bad, numbers are missing. Then `group_numbers`
finds no constants that leave no gap. But some blocks say which number they have: a partition table lies in number 0,
and a boot sector says how many sectors lie before it. Copies tie other groups to theirs, and where there are none, the
volumes on the blocks that are known say where the others belong (`group_places`). So no constant is looked for. What is
named in this way is taken only if hardly any set of groups could leave so few numbers missing by accident. Where one
could, the volumes are asked for places of its blocks as well, and each must be the one that was named.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from deadstick.files.partitions import first_partition_sector
from deadstick.rebuild.disk_protocol import SECTOR_BYTES
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.numbering import DISTINCT_SHARE, FEWEST_BLOCKS
from deadstick.solve.keystream_groups.group_chances import doubted_with_gaps
from deadstick.solve.keystream_groups.group_numbers import MOST_BLOCKS, offsets_of
from deadstick.solve.keystream_groups.group_places import Votes
from deadstick.solve.keystream_groups.group_ties import aligned_in_groups, copy_ties, joined, sparse_ties
from deadstick.solve.keystream_groups.grouped_blocks import GroupedBlocks, grouped_blocks, number_fields, readings_of
from deadstick.solve.scrambler.boot_sectors import told_block
from deadstick.solve.scrambler.metadata_table import with_offsets

FEWEST_VOTES = 2
"""Blocks of a group that no copy ties which must say the same of its constant."""


def with_anchored_groups(space: PageSpace, recipe: Recipe) -> Recipe | None:
    """The recipe under which the numbers of all groups are those that their content tells; None where it does not.

    Args:
        space: the pages of one chip.
        recipe: with a table of keystreams, several groups of which do not meet inside blocks.
    """
    count = len(space) // recipe.pages_per_block
    if count > MOST_BLOCKS:
        return None
    recipe = aligned_in_groups(space, recipe, count)
    blocks = grouped_blocks(space, recipe)
    told = told_numbers(space, recipe, blocks)
    if 0 not in told.values():
        return None
    rows = blocks.metadata.blocks
    ties = [*copy_ties(space, recipe, rows), *sparse_ties(space, recipe, rows)]
    anchored = _Anchored(space, recipe, replace(blocks, ties=ties), told)
    found = [(number, constants) for number in number_fields(blocks) if (constants := anchored.constants(number))]
    if len(found) != 1:
        return None
    return with_offsets(recipe, offsets_of(anchored.blocks, *found[0])[blocks.of_streams])


def told_numbers(space: PageSpace, recipe: Recipe, blocks: GroupedBlocks) -> dict[int, int]:
    """By row, the numbers that blocks with a partition table or a boot sector say they have."""
    size = recipe.pages_per_block
    pages = blocks.metadata.blocks[blocks.begins] * size
    batch = recipe.decode(space.take(pages), space.numbers(pages))
    disk_sectors = blocks.count * size * recipe.layout.data_bytes // SECTOR_BYTES
    told = {}
    for row, data in zip(blocks.begins, batch.data, strict=True):
        has_table = first_partition_sector(data[:SECTOR_BYTES].tobytes(), disk_sectors) > 0
        number = 0 if has_table else told_block(data, size * recipe.layout.data_bytes)
        if number is not None and number < blocks.count:
            told[row] = number
    return told


class _Anchored:
    """Looks for the constants that blocks of known numbers and ties name."""

    def __init__(self, space: PageSpace, recipe: Recipe, blocks: GroupedBlocks, told: dict[int, int]) -> None:
        self.blocks, self.told = blocks, told
        self.votes = Votes(space, recipe, blocks)

    def constants(self, number: BitField) -> dict[int, int] | None:
        """By group, what is to be added to a field to make it the number of the block; None where that is not told."""
        blocks = self.blocks
        readings, high = readings_of(blocks, number)
        places = joined(blocks.groups, readings, blocks.ties)
        if places is None:
            return None
        roots = np.array([places[group][0] for group in blocks.groups.tolist()])
        readings = np.where(readings >= 0, readings ^ [places[group][1] for group in blocks.groups.tolist()], -1)
        known = self._by_records(readings, roots)
        if known is None:
            return None
        numbers = _numbers(readings, roots, known)
        if len(np.unique(numbers[numbers >= 0])) < max(FEWEST_BLOCKS, DISTINCT_SHARE * (numbers >= 0).sum()):
            return None
        self.votes.ask_again()
        voters: list[int] = []
        for root in sorted(set(roots[readings >= 0].tolist()) - set(known)):
            votes = [self._vote(numbers, readings, roots == root) for _ in range(FEWEST_VOTES)]
            said = [vote for vote in votes if vote is not None]
            if len(said) < FEWEST_VOTES or len({constant for _, constant in said}) > 1:
                return None
            known[root] = said[0][1]
            voters += [row for row, _ in said]
        if not self._are_confirmed(readings, roots, known, voters):
            return None
        return {group: known[places[group][0]] ^ places[group][1] | above for group, above in high.items()}

    def _by_records(self, readings: NDArray[np.int64], roots: NDArray[np.int64]) -> dict[int, int] | None:
        """By tied groups, the constants that boot records tell; None where they contradict each other."""
        known: dict[int, int] = {}
        for row, number in self.told.items():
            constant = int(readings[row]) ^ number
            if readings[row] < 0 or known.setdefault(int(roots[row]), constant) != constant:
                return None
        return known

    def _vote(
        self, numbers: NDArray[np.int64], readings: NDArray[np.int64], mine: NDArray[np.bool_]
    ) -> tuple[int, int] | None:
        """The next of some blocks that has a place in the volumes on all others, and the constant that this names."""
        vote = self.votes.next_of(mine & (readings >= 0), np.where(mine, -1, numbers))
        return vote and (vote[0], int(readings[vote[0]]) ^ vote[1])

    def _are_confirmed(
        self, readings: NDArray[np.int64], roots: NDArray[np.int64], known: dict[int, int], voters: list[int]
    ) -> bool:
        """Whether hardly any group is where it is by accident; blocks of those that may be so are placed by volumes."""
        numbers = _numbers(readings, roots, known)
        if int(numbers.max()) >= 1 << self.blocks.width:
            return False
        doubted = partial(self._doubted, numbers, roots)
        return self.votes.confirm(numbers, self.blocks.groups, doubted, voters)

    def _doubted(
        self, numbers: NDArray[np.int64], roots: NDArray[np.int64], voters: Sequence[int]
    ) -> tuple[int, ...] | None:
        """Groups that may be where they are by accident."""
        groups, told = self.blocks.groups, numbers >= 0
        sets = {group: np.unique(numbers[(groups == group) & told]) for group in np.unique(groups[told]).tolist()}
        begin = next(row for row, number in self.told.items() if number == 0)
        first = int(groups[begin])
        ties = [(tie.one, tie.other) for tie in self.blocks.ties if told[tie.one] and told[tie.other]]
        pairs = [(int(groups[one]), int(groups[other])) for one, other in ties]
        # A boot record is worth a tie to number 0, however many copies it has; so is a block that volumes place.
        records = {int(roots[row]): int(groups[row]) for row in self.told}
        pairs += [(group, first) for group in records.values()]
        pairs += [(int(groups[row]), first) for row in voters]
        return doubted_with_gaps(sets, pairs, first, self.blocks.width, self.blocks.needed_from.get(begin, 1))


def _numbers(readings: NDArray[np.int64], roots: NDArray[np.int64], known: dict[int, int]) -> NDArray[np.int64]:
    """`int64[rows]`: the numbers under constants that are known; -1 for other blocks."""
    constants = np.array([known.get(root, -1) for root in roots.tolist()], np.int64)
    return np.where((readings >= 0) & (constants >= 0), readings ^ constants, -1)
