"""The pages of all chips of a job as one list: chip after chip, block after block, page after page.

A *row* is a place in that list, and what the page table has one row for. With one chip it is the number of the page.
Every chip but the last is filled up to a whole block with pages that read as erased, so that a dump which was cut short
does not shift the blocks behind it. Nothing is copied but what is asked for; chips that were joined byte by byte are
woven together batch by batch.
"""

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.rebuild.page_source import Bytes, FirstPages, JoinedPages, PageSource, Rows, StoredPages
from deadstick.recipe.recipe import Recipe


class PageSpace:
    """The rows of all chips.

    Attributes:
        chips: the pages of each chip.
        pages_per_block: of all chips.
        page_bytes: of all chips.
        starts: `int64[chips + 1]`: first row of each chip, and the number of rows.
    """

    def __init__(self, chips: Sequence[PageSource], pages_per_block: int) -> None:
        """Set the chips one behind the other.

        Raises:
            RecipeError: there is no chip, or the chips differ in the length of their pages.
        """
        sizes = {chip.page_bytes for chip in chips}
        if len(sizes) != 1:
            raise RecipeError(f"chips of one job have pages of one length, not {sorted(sizes)}")
        self.chips, self.pages_per_block, self.page_bytes = tuple(chips), pages_per_block, sizes.pop()
        whole = [-(-len(chip) // pages_per_block) * pages_per_block for chip in chips[:-1]]
        self.starts = np.cumsum([0, *whole, len(chips[-1])], dtype=np.int64)

    @classmethod
    def of(cls, pages: "Bytes | PageSpace", pages_per_block: int) -> "PageSpace":
        """Chips as they are, or one chip: `uint8[pages, page_bytes]`; with blocks of a size."""
        if isinstance(pages, PageSpace):
            return pages if pages.pages_per_block == pages_per_block else cls(pages.chips, pages_per_block)
        return cls([StoredPages(pages)], pages_per_block)

    def in_whole_blocks(self, pages_per_block: int) -> "PageSpace":
        """Without what a dump that was cut short has of its last block; blocks of the space may be parts of such ones.

        >>> len(PageSpace.of(np.zeros((10, 8), np.uint8), 2).in_whole_blocks(4))
        8
        """
        chips = [FirstPages(chip, len(chip) // pages_per_block * pages_per_block) for chip in self.chips]
        return PageSpace(chips, self.pages_per_block)

    @classmethod
    def of_dumps(cls, dumps: Sequence[Bytes], recipe: Recipe) -> "PageSpace":
        """The dumps of a job, joined as a recipe says.

        Args:
            dumps: `uint8[bytes]` each, in the order in which they were given.
            recipe: with the page, the block and the interleave.

        Raises:
            RecipeError: the recipe is for another number of dumps, or its page cannot be divided among them.
        """
        interleave = recipe.interleave
        if len(dumps) != interleave.dumps:
            raise RecipeError(f"the recipe is for {interleave.dumps} chip dumps, not {len(dumps)}")
        size, rest = divmod(recipe.layout.page_bytes, interleave.lanes)
        if rest:
            raise RecipeError(f"{recipe.layout.page_bytes} bytes of a page do not divide by {interleave.lanes} dumps")
        pages = [dump[: len(dump) // size * size].reshape(-1, size) for dump in dumps]
        if interleave.lanes == 1:
            return cls([StoredPages(pages[chip]) for (chip,) in interleave.chips], recipe.pages_per_block)
        joined = [JoinedPages(tuple(pages[lane] for lane in lanes)) for lanes in interleave.chips]
        return cls(joined, recipe.pages_per_block)

    def __len__(self) -> int:
        return int(self.starts[-1])

    @property
    def blocks(self) -> int:
        """Blocks of all chips; the last one may be cut short."""
        return -(-len(self) // self.pages_per_block)

    @cached_property
    def chip_of_block(self) -> NDArray[np.int64]:
        """`int64[blocks]`: the chip of each block, counted over all chips."""
        return self.chip(np.arange(self.blocks, dtype=np.int64) * self.pages_per_block)

    @cached_property
    def own_block(self) -> NDArray[np.int64]:
        """`int64[blocks]`: the number of each block in its own chip."""
        return np.arange(self.blocks, dtype=np.int64) - self.starts[self.chip_of_block] // self.pages_per_block

    def chip(self, rows: Rows) -> NDArray[np.int64]:
        """`int64[rows]`: the chip of each row."""
        return np.searchsorted(self.starts[1:-1], rows, side="right").astype(np.int64)

    def numbers(self, rows: Rows) -> NDArray[np.int64]:
        """`int64[rows]`: the number of each page on its own chip, which chooses its keystream."""
        if len(self.chips) == 1:
            return rows
        numbers: NDArray[np.int64] = rows - self.starts[self.chip(rows)]
        return numbers

    def take(self, rows: Rows) -> Bytes:
        """`uint8[rows, page_bytes]`: pages as read; a view where they lie together on one chip."""
        if not len(rows):
            return np.empty((0, self.page_bytes), np.uint8)
        numbers = self.numbers(rows)
        chip = self.chip(rows)
        first, last = int(numbers[0]), int(numbers[-1]) + 1
        if last - first == len(rows) and (np.diff(rows) == 1).all() and (chip == chip[0]).all():
            return self._run(self.chips[int(chip[0])], first, last)
        if len(self.chips) == 1:
            return self.chips[0].take(rows)
        out = np.full((len(rows), self.page_bytes), 0xFF, np.uint8)
        for number in np.unique(chip).tolist():
            source = self.chips[number]
            here = np.flatnonzero((chip == number) & (numbers < len(source)))
            out[here] = source.take(numbers[here])
        return out

    def _run(self, source: PageSource, first: int, last: int) -> Bytes:
        if last <= len(source):
            return source.run(first, last)
        out = np.full((last - first, self.page_bytes), 0xFF, np.uint8)
        found = source.run(first, max(first, len(source)))
        out[: len(found)] = found
        return out
