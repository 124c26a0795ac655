"""Where every logical page lies on the chip, and what else has a claim to its place."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class BlockCopy:
    """One physical block that says which logical block it is.

    Attributes:
        block: physical number.
        logical: the logical number that its pages agree on.
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
        block: physical number.
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
        physical: `int64[logical pages]`: the physical page that holds each; -1 where none does.
        doubtful: `bool[logical pages]`: another page has as good a claim, or the claim of this one is unsure.
        copies: for each logical block every copy, the newest first; empty for identity translation.
        aside: written blocks without a place.
        free: erased blocks.
    """

    pages_per_block: int
    physical: NDArray[np.int64]
    doubtful: NDArray[np.bool_]
    copies: tuple[tuple[BlockCopy, ...], ...] = ()
    aside: tuple[Aside, ...] = ()
    free: tuple[int, ...] = ()

    @cached_property
    def newest(self) -> NDArray[np.int64]:
        """`int64[logical blocks]`: the physical block of the newest copy, -1 where there is none."""
        if not self.copies:
            first = self.physical[:: self.pages_per_block]
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
            rows = slice(number * self.pages_per_block, (number + 1) * self.pages_per_block)
            physical[rows] = np.arange(start, start + self.pages_per_block)
            doubtful[rows] = True
        return BlockTable(self.pages_per_block, physical, doubtful, self.copies, self.aside, self.free)
