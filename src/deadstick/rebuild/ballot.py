"""What each block says it is: the number and the version that its pages agree on, or why it has no place."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.rebuild.mapping import Aside, BlockCopy
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.votes import Vote, field_is_exact, field_values, field_width, vote
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField

_USUAL_MARKS = 0.02
"""Share of sound pages with 00h in the place of the mark up to which a mark means something."""

_FEWEST_IN_PATTERN = 3
"""Metadata bytes that must be equal: a number, a version and something else."""


class Ballot:
    """The vote of the pages of every block.

    Raises:
        RecipeError: a field leaves the metadata bytes.
    """

    def __init__(self, table: PageTable, recipe: Recipe, number: BitField) -> None:
        """Take the decoded pages, and where the number of a block stands."""
        version = recipe.translation.version
        for field in (number, version):
            if field and field.first_byte + field.length > recipe.layout.metadata_bytes:
                raise RecipeError(f"metadata {field.describe()}: a page has {recipe.layout.metadata_bytes} of them")
        self.table, self.number, self.version = table, number, version
        self.blocks = -(-len(table) // recipe.pages_per_block)
        self.pages_per_block = recipe.pages_per_block
        self.interleave = recipe.interleave
        chip, own = (column[:: self.pages_per_block].astype(np.int64) for column in (table.chip, table.block))
        self.slots = self.interleave.slots(chip, own)
        shared = self.interleave.numbers == "common"
        self.most = self.blocks if shared else int(np.bincount(self.slots).max(initial=0))
        sound = table.spare_mark[table.kind == PageKind.DATA]
        self.usual_marks = float((sound == 0).mean()) if len(sound) else 0.0
        self.numbers = field_values(number, table.metadata)
        self.number_exact = field_is_exact(number, table, recipe.layout)
        if version:
            self.versions = field_values(version, table.metadata)
            self.version_exact = field_is_exact(version, table, recipe.layout)

    def count(self) -> tuple[list[BlockCopy], list[Aside], tuple[int, ...]]:
        """The blocks with a number, those without, and the erased ones, each in the order of the chip."""
        copies, aside, free = [], [], []
        for block in range(self.blocks):
            outcome = self._block(block)
            if outcome is None:
                free.append(block)
            elif isinstance(outcome, Aside):
                aside.append(outcome)
            else:
                copies.append(outcome)
        unused = _unused(np.array([copy.logical for copy in copies], np.int64), field_width(self.number))
        copies = [replace(copy, sure=False) if copy.logical in unused else copy for copy in copies]
        return [self._placed(copy) for copy in copies], aside, tuple(free)

    def _block(self, block: int) -> BlockCopy | Aside | None:
        first = block * self.pages_per_block
        kinds = self.table.kind[first : first + self.pages_per_block]
        rows = first + np.flatnonzero(kinds != PageKind.ERASED)
        if not len(rows):
            return None
        empty = self._emptiness(block, rows)
        if empty is not None:
            return empty
        # A field of all ones is what an erased cell or an unused field reads: no number.
        rows = rows[self.numbers[rows] != (1 << field_width(self.number)) - 1]
        if not len(rows):
            return Aside(block, "its pages carry no logical number", unreadable=False)
        outcome = vote(self.numbers[rows], self.number_exact[rows], field_width(self.number), self.blocks)
        reason = self._objection(rows, outcome)
        if reason is None:
            return self._copy(block, outcome, rows, int((kinds != PageKind.ERASED).sum()))
        if not outcome.sure and self._marked(block):
            return Aside(block, "marked as bad by the maker of the chip", unreadable=False)
        return Aside(block, reason, unreadable=not outcome.sure)

    def _objection(self, rows: NDArray[np.int64], number: Vote) -> str | None:
        """Why a block gets no place, or None."""
        readable = bool((self.table.kind[rows] != PageKind.LOST).any())
        if not (number.sure or number.likely or (readable and 2 * number.agreeing >= len(rows))):
            return "its pages do not agree on a logical number"
        if number.value >= self.most:
            return f"logical block {number.value} is beyond the {self.most} blocks of the chip"
        return None

    def _emptiness(self, block: int, rows: NDArray[np.int64]) -> Aside | None:
        """A block that holds nothing of the volume, though it is not erased."""
        if (self.table.kind[rows] == PageKind.CONSTANT).any():
            return Aside(block, "it reads as zero bits", unreadable=not self._marked(block))
        if self._is_pattern(rows):
            return Aside(block, "a pattern fills it, and nothing in it decodes", unreadable=False)
        return None

    def _is_pattern(self, rows: NDArray[np.int64]) -> bool:
        """Whether nothing decodes and one byte fills the metadata: a test pattern on a block that was never used.

        Zeros may be a number, a version and their filler; no other byte is all of these at once.
        """
        metadata = self.table.metadata[rows]
        if metadata.shape[1] < _FEWEST_IN_PATTERN or (self.table.kind[rows] != PageKind.LOST).any():
            return False
        filled = (metadata == metadata[:, :1]).all(axis=1) & (metadata[:, 0] != 0)
        return bool(2 * filled.sum() > len(rows))

    def _marked(self, block: int) -> bool:
        """Whether the first or last page bears the mark of a bad block, where sound pages hardly ever read so."""
        if self.usual_marks > _USUAL_MARKS:
            return False
        first = block * self.pages_per_block
        last = min(first + self.pages_per_block, len(self.table)) - 1
        return bool((self.table.spare_mark[[first, last]] == 0).any())

    def _placed(self, copy: BlockCopy) -> BlockCopy:
        """With the logical block of the disk that its number stands for in its unit."""
        return replace(copy, logical=self.interleave.numbered(copy.logical, int(self.slots[copy.block])))

    def _copy(self, block: int, number: Vote, rows: NDArray[np.int64], written: int) -> BlockCopy:
        if self.version is None:
            return BlockCopy(block, number.value, -1, number.sure, False, number.agreeing, written)
        rows = rows[self.numbers[rows] == number.value]
        version = vote(self.versions[rows], self.version_exact[rows], field_width(self.version), self.blocks)
        return BlockCopy(block, number.value, version.value, number.sure, version.sure, number.agreeing, written)


def _unused(numbers: NDArray[np.int64], width: int) -> set[int]:
    """The last number, where its low bytes are all ones and the number before it is nobody's.

    So reads a field that was never used, if the recipe takes it for longer than it is: bytes above it that are always
    zero fit any block with a number as well.

    >>> _unused(np.array([0, 1, 2, 255]), 16), _unused(np.array([254, 255]), 16), _unused(np.array([0, 255]), 8)
    ({255}, set(), set())
    """
    last = int(numbers.max(initial=0))
    is_ones = last > 0 and last.bit_length() % 8 == 0 and last & (last + 1) == 0
    return {last} if is_ones and last.bit_length() < width and last - 1 not in numbers else set()
