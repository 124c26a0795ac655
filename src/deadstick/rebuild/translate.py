"""From physical blocks to logical ones: what each block says it is, which copy is the newest, and what is unsure.

A controller with block mapping writes a logical block anew into an erased block, with its logical number and a
version that has grown, and erases the old block later. So a dump holds the newest copies, older ones that were not
erased yet, and, if the power failed, a newest copy that was not finished. The rules:

1. The pages of a block vote on number and version (`ballot`). A block without a number that makes sense is put
   aside with the reason.
2. Of several copies the one with the newest version counts (`versions`). A copy whose number or version is unsure
   is never taken before one that is sure, but where it might be newer it makes the place doubtful.
3. Equal versions, or no version field: the copies are equal candidates. Pages on which they agree are not
   doubtful; all others are.
4. A page that the newest copy lacks (erased) and an older copy has is taken from there, as doubtful. Such a newest
   copy was not finished; the controller may have gone back to the older one on its next start. So there are two
   candidates for the pages that it has, too: they are doubtful unless both copies agree.
5. A page that no copy has is unwritten.
6. A lost page of the newest copy stays lost; an older copy is no substitute for it, though it is kept.

Several chips or planes change nothing in this: their blocks are sorted one by one, each under the logical block that
its number and its unit stand for (`recipe.interleave`), and only then do pages go round robin. Where the interleave is
not proven, no place is beyond doubt.

What this cannot see: a newest copy whose every field is beyond reading. Its logical block then shows the copy before
it, or nothing. `BlockTable.unreadable` counts such blocks, for the report to name.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.rebuild.ballot import Ballot
from deadstick.rebuild.mapping import Aside, BlockCopy, BlockTable
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.versions import VersionClock
from deadstick.rebuild.votes import field_width
from deadstick.recipe.recipe import Recipe

SamePages = Callable[[int, int], NDArray[np.bool_]]
"""`same(block, block)` -> `bool[pages_per_block]`: pages that are readable and hold equal data in both."""


def block_table(table: PageTable, recipe: Recipe, same_pages: SamePages | None = None) -> BlockTable:
    """Build the logical-to-physical table.

    Args:
        table: from `decode_dump`.
        recipe: with the translation.
        same_pages: compares two physical blocks; without it, copies are taken to differ everywhere.

    Raises:
        RecipeError: block mapping without a logical number, or a field that leaves the metadata bytes.
    """
    if recipe.translation.kind == "identity":
        return _in_place(table, recipe)
    number = recipe.translation.logical_number
    if number is None:
        raise RecipeError("block mapping needs the field of the logical number")
    copies, aside, free = Ballot(table, recipe, number).count()
    count = recipe.interleave.whole_groups(1 + max((copy.logical for copy in copies), default=-1))
    grouped: list[list[BlockCopy]] = [[] for _ in range(count)]
    for copy in copies:
        grouped[copy.logical].append(copy)
    return _Arrangement(table, recipe, same_pages).arrange(grouped, aside, free)


def _in_place(table: PageTable, recipe: Recipe) -> BlockTable:
    """Without block mapping: every block where its chip, its plane and its number put it."""
    size, interleave = recipe.pages_per_block, recipe.interleave
    if interleave.is_none:
        physical = np.arange(len(table), dtype=np.int64)
        return BlockTable(size, physical, np.full(len(table), not interleave.sure))
    chip, block = table.chip[::size].astype(np.int64), table.block[::size]
    logical = interleave.unmapped(chip, block)
    count = interleave.whole_groups(int(logical.max(initial=-1)) + 1)
    physical = np.full(count * size, -1, np.int64)
    rows = np.arange(len(table), dtype=np.int64)
    places = interleave.pages_of_blocks(count, size)[logical[rows // size], rows % size]
    physical[places] = rows
    doubtful = np.full(len(physical), not interleave.sure)
    return BlockTable(size, physical, doubtful, interleave=interleave, chips=_first_blocks(table, size))


def _first_blocks(table: PageTable, pages_per_block: int) -> tuple[int, ...]:
    """The number of the first block of each chip, counted over all chips."""
    chip = table.chip[::pages_per_block]
    starts = np.flatnonzero(np.diff(chip, prepend=chip[:1])).tolist() if len(chip) else []
    return (0, *starts)


def with_places(table: PageTable, blocks: BlockTable) -> PageTable:
    """Fill the columns `logical` and `version` of a page table."""
    logical, version = np.full(len(table), -1, np.int64), np.full(len(table), -1, np.int64)
    if not blocks.copies:
        mapped = np.flatnonzero(blocks.physical >= 0)
        logical[blocks.physical[mapped]] = mapped
    for copies in blocks.copies:
        for copy in copies:
            rows = slice(copy.block * blocks.pages_per_block, (copy.block + 1) * blocks.pages_per_block)
            version[rows] = copy.version
            places = blocks.logical_pages(copy.logical)
            logical[rows] = np.arange(places.start, places.stop, places.step)[: len(logical[rows])]
    return replace(table, logical=logical, version=version)


@dataclass(frozen=True)
class _Arrangement:
    """Steps 2 to 6: which copy supplies which page."""

    table: PageTable
    recipe: Recipe
    same_pages: SamePages | None

    def arrange(self, grouped: list[list[BlockCopy]], aside: list[Aside], free: tuple[int, ...]) -> BlockTable:
        size, interleave = self.recipe.pages_per_block, self.recipe.interleave
        physical = np.full(len(grouped) * size, -1, np.int64)
        doubtful = np.zeros(len(grouped) * size, np.bool_)
        field = self.recipe.translation.version
        groups = [np.array([copy.version for copy in copies], np.int64) for copies in grouped]
        clock = VersionClock.of(groups, field_width(field)) if field else VersionClock(1, 0)
        ordered = []
        for number, copies in enumerate(grouped):
            ranked, rivals = _ranked(copies, clock)
            ordered.append(tuple(ranked))
            if ranked:
                rows = interleave.logical_pages(number, size)
                physical[rows], doubtful[rows] = self._pages(ranked, rivals)
        doubtful |= not interleave.sure
        aside.sort(key=lambda item: item.block)
        starts = _first_blocks(self.table, size)
        return BlockTable(size, physical, doubtful, tuple(ordered), tuple(aside), free, interleave, starts)

    def _pages(self, copies: list[BlockCopy], rivals: list[BlockCopy]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        size = self.recipe.pages_per_block
        newest = copies[0]
        places = np.arange(size, dtype=np.int64)
        physical = newest.block * size + places
        written = self._written(newest.block)
        doubtful = written & (not newest.sure)
        for rival in rivals:
            doubtful |= (written | self._written(rival.block)) & ~self._same(newest.block, rival.block)
        missing, beyond = ~written, places > self._last_readable(newest.block)
        for older in copies[1:]:
            held = self._written(older.block)
            supplied = missing & held
            physical[supplied] = older.block * size + places[supplied]
            missing &= ~supplied
            # A hole in a finished copy may be a page that was left out because it was blank, or one that passes
            # for erased.
            doubtful |= supplied
            if (held & beyond).any():
                doubtful |= written & ~self._same(newest.block, older.block)
        physical[physical >= len(self.table)] = -1
        return physical, doubtful

    def _written(self, block: int) -> NDArray[np.bool_]:
        """`bool[pages_per_block]`; pages that a truncated dump lacks are not written."""
        written = np.zeros(self.recipe.pages_per_block, np.bool_)
        kinds = self.table.kind[block * len(written) : (block + 1) * len(written)]
        written[: len(kinds)] = kinds != PageKind.ERASED
        return written

    def _last_readable(self, block: int) -> int:
        """The last page with a readable codeword.

        Those behind it may never have been written: an erased page with many flipped bits reads as a lost one.
        """
        kinds = self.table.kind[block * self.recipe.pages_per_block :][: self.recipe.pages_per_block]
        readable = np.flatnonzero((kinds != PageKind.ERASED) & (kinds != PageKind.LOST))
        return int(readable.max(initial=-1))

    def _same(self, first: int, second: int) -> NDArray[np.bool_]:
        if self.same_pages is None:
            return np.zeros(self.recipe.pages_per_block, np.bool_)
        return self.same_pages(first, second)


def _ranked(copies: list[BlockCopy], clock: VersionClock) -> tuple[list[BlockCopy], list[BlockCopy]]:
    """The copies, best first, and those among them that might be newer than the first."""
    if len(copies) < 2:
        return copies, []
    ages, sure = clock.ages(np.array([copy.version for copy in copies], np.int64))
    trusted = [copy.sure and copy.version_sure for copy in copies]
    order = sorted(range(len(copies)), key=lambda index: (not trusted[index], -ages[index], index))
    best = order[0]
    sure &= copies[best].version_sure
    rivals = [
        copies[index] for index in order[1:] if not sure or not copies[index].version_sure or ages[index] >= ages[best]
    ]
    return [copies[index] for index in order], rivals
