"""Where every logical page lies on the chip, and what else has a claim to its place."""

from bisect import bisect_right
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave


@dataclass(frozen=True, slots=True)
class BlockCopy:
    """One physical block that says which logical block it is.

    Attributes:
        block: physical number, counted over all chips.
        logical: the logical block of the disk that it holds, from the number that its pages agree on.
        version: the version that they agree on; -1 where the recipe has no such field.
        sure: whether the logical number is beyond doubt.
        version_sure: whether the version is.
        agreeing: pages that carry that logical number.
        written: pages that are written.
    """

    block: int
    logical: int
    version: int
    sure: bool
    version_sure: bool
    agreeing: int
    written: int


@dataclass(frozen=True, slots=True)
class Aside:
    """A written block that has no place on the disk.

    Attributes:
        block: physical number, counted over all chips.
        reason: one line for a person.
        unreadable: its place could not be read, so it may be the newer copy of any logical block.
    """

    block: int
    reason: str
    unreadable: bool


@dataclass(frozen=True)
class BlockTable:
    """The logical-to-physical table.

    Attributes:
        pages_per_block: pages in a block, physical and logical.
        physical: `int64[logical pages]`: the row of the page table that holds each; -1 where none does.
        doubtful: `bool[logical pages]`: another page has as good a claim, or the claim of this one is unsure.
        copies: for each logical block every copy, the newest first; empty for identity translation.
        aside: written blocks without a place.
        free: erased blocks.
        interleave: which logical pages a logical block holds.
        chips: the number of the first block of each chip.
    """

    pages_per_block: int
    physical: NDArray[np.int64]
    doubtful: NDArray[np.bool_]
    copies: tuple[tuple[BlockCopy, ...], ...] = ()
    aside: tuple[Aside, ...] = ()
    free: tuple[int, ...] = ()
    interleave: Interleave = NO_INTERLEAVE
    chips: tuple[int, ...] = (0,)

    def logical_pages(self, block: int) -> slice:
        """The logical pages of a logical block, in the order of its own pages."""
        return self.interleave.logical_pages(block, self.pages_per_block)

    def name(self, block: int) -> str:
        """A physical block in the numbers of its own chip.

        >>> nothing = np.zeros(0, np.int64)
        >>> BlockTable(64, nothing, nothing > 0, chips=(0, 1024)).name(1030)
        '6 of chip 1'
        """
        if len(self.chips) == 1:
            return str(block)
        chip = bisect_right(self.chips, block) - 1
        return f"{block - self.chips[chip]} of chip {chip}"

    @cached_property
    def newest(self) -> NDArray[np.int64]:
        """`int64[logical blocks]`: the physical block of the newest copy, -1 where there is none."""
        if not self.copies:
            count = -(-len(self.physical) // self.pages_per_block)
            firsts = [self.logical_pages(block).start for block in range(count)]
            first = self.physical[np.array(firsts, np.int64)]
            return np.where(first >= 0, first // self.pages_per_block, -1)
        return np.array([copies[0].block if copies else -1 for copies in self.copies], np.int64)

    @property
    def older(self) -> dict[int, tuple[BlockCopy, ...]]:
        """Older copies of the logical blocks that have any, the newest of them first."""
        return {number: copies[1:] for number, copies in enumerate(self.copies) if len(copies) > 1}

    @property
    def unreadable(self) -> tuple[int, ...]:
        """Written blocks whose logical number is not sure: one may be the newer copy of any logical block."""
        unsure = [copy.block for copies in self.copies for copy in copies if not copy.sure]
        return tuple(sorted(unsure + [item.block for item in self.aside if item.unreadable]))

    @property
    def generations(self) -> int:
        """Most copies of one logical block: 1 where nothing is left of older ones."""
        return max((len(copies) for copies in self.copies), default=1)

    def generation(self, back: int) -> "BlockTable":
        """The disk as it may have been: each block in its copy `back` steps before the newest, or its oldest.

        Every page that is not the newest one is doubtful: nothing says that these copies stood side by side.

        Args:
            back: 1 for the copy before the newest.
        """
        physical, doubtful = self.physical.copy(), self.doubtful.copy()
        for number, copies in self.older.items():
            start = copies[min(back, len(copies)) - 1].block * self.pages_per_block
            rows = self.logical_pages(number)
            physical[rows] = np.arange(start, start + self.pages_per_block)
            doubtful[rows] = True
        return replace(self, physical=physical, doubtful=doubtful)
