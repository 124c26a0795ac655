"""Where a block belongs in the volumes on blocks whose numbers are known.

A volume promises what lies in the blocks that are missing: files that begin and end as their names say, tables,
directories that know themselves. So a block is put in every place in turn, and it has one if the volumes are clearly
ahead with it there of what they are with it anywhere else, or left out.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import volume_consistency
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.translation_trials import LEAD
from deadstick.solve.blocks.trial_disk import PageCache, TrialDisk
from deadstick.solve.keystream_groups.grouped_blocks import GroupedBlocks

MOST_TRIALS = 512
"""Disks that are judged for all blocks together: some ten seconds."""
LOOKED_AT = 16
"""Pages of a block that are looked at for content."""


@dataclass
class Places:
    """Judges the disks that blocks make.

    Attributes:
        space: the pages of one chip.
        recipe: decodes pages.
        count: blocks of the chip; numbers are smaller.
        cache: of decoded pages.
        left: disks that may still be judged.
    """

    space: PageSpace
    recipe: Recipe
    count: int
    cache: PageCache = field(default_factory=PageCache)
    left: int = MOST_TRIALS

    def placed(self, numbers: NDArray[np.int64], blocks: NDArray[np.int64]) -> NDArray[np.int64]:
        """`int64[count]`: the block in each place, one of its copies; -1 for none.

        Args:
            numbers: `int64[rows]`, -1 for blocks whose number is not known.
            blocks: `int64[rows]`.
        """
        physical = np.full(self.count, -1, np.int64)
        inside = (numbers >= 0) & (numbers < self.count)
        physical[numbers[inside]] = blocks[inside]
        return physical

    def place_of(self, block: int, physical: NDArray[np.int64]) -> int | None:
        """The place in which a block belongs; None where the volumes do not tell, or it would take too long.

        Args:
            block: whose number is not known.
            physical: `int64[count]`, see `placed`. All disks are as long as this, so that no place makes one longer.
        """
        if self.left <= self.count or not self._has_content(block):
            return None
        self.left -= self.count + 1
        scores = np.zeros(self.count)
        for place in range(self.count):
            tried = physical.copy()
            tried[place] = block
            scores[place] = self._score(tried)
        best = int(scores.argmax())
        others = max(float(np.delete(scores, best).max(initial=0.0)), self._score(physical))
        return best if scores[best] - others >= LEAD else None

    def _score(self, physical: NDArray[np.int64]) -> float:
        return volume_consistency(TrialDisk(self.space, self.recipe, physical, self.cache)).score

    def _has_content(self, block: int) -> bool:
        """Whether some page of a block is not of one byte throughout: a blank one belongs anywhere."""
        size = self.recipe.pages_per_block
        pages = block * size + np.arange(0, size, max(1, size // LOOKED_AT), dtype=np.int64)
        batch = self.recipe.decode(self.space.take(pages), self.space.numbers(pages))
        told = (batch.errors >= 0).all(axis=1) & ~batch.erased
        return bool((batch.data[told] != batch.data[told, :1]).any())


class Votes:
    """Blocks that the volumes place, each asked once."""

    def __init__(self, space: PageSpace, recipe: Recipe, blocks: GroupedBlocks) -> None:
        self.volumes, self.blocks = Places(space, recipe, blocks.count), blocks.metadata.blocks
        self.asked = np.zeros(len(self.blocks), np.bool_)

    def ask_again(self) -> None:
        """Another field is asked about."""
        self.asked[:] = False

    def next_of(self, mine: NDArray[np.bool_], numbers: NDArray[np.int64]) -> tuple[int, int] | None:
        """The next of some blocks that has a place in the volumes on all others, and that place.

        Args:
            mine: `bool[rows]`.
            numbers: `int64[rows]`, of all blocks; -1 where it is not known.
        """
        physical = self.volumes.placed(np.where(mine, -1, numbers), self.blocks)
        for row in np.flatnonzero(mine & ~self.asked).tolist():
            self.asked[row] = True
            place = self.volumes.place_of(int(self.blocks[row]), physical)
            if place is not None:
                return row, place
        return None

    def confirm(
        self,
        numbers: NDArray[np.int64],
        groups: NDArray[np.int64],
        doubted: Callable[[Sequence[int]], tuple[int, ...] | None],
        voters: Iterable[int] = (),
    ) -> bool:
        """Whether the volumes place a block of every group that is doubted, and each where its number has it.

        Args:
            numbers: `int64[rows]`, -1 for blocks without one.
            groups: `int64[rows]`.
            doubted: groups that may be where they are by accident, if the blocks of some rows are placed; None for
                none.
            voters: rows of blocks that were placed before.
        """
        placed = list(voters)
        while some := doubted(placed):
            votes = (self.next_of((groups == group) & (numbers >= 0), numbers) for group in some)
            vote = next((vote for vote in votes if vote is not None), None)
            if vote is None or vote[1] != numbers[vote[0]]:
                return False
            placed.append(vote[0])
        return True
