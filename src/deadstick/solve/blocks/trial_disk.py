"""A disk as one hypothesis would have it, decoded page by page as the judge asks for it."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe

_CACHED_BYTES = 32 << 20


@dataclass
class PageCache:
    """Decoded pages, by their rows; hypotheses that differ in the order of pages alone may share one."""

    pages: OrderedDict[int, bytes] = field(default_factory=OrderedDict)
    size: int = 0

    def find(self, row: int) -> bytes | None:
        """A page that was kept."""
        content = self.pages.get(row)
        if content is not None:
            self.pages.move_to_end(row)
        return content

    def keep(self, row: int, content: bytes) -> None:
        """Keep a page, and drop the one that was not asked for longest."""
        self.pages[row] = content
        self.size += len(content)
        while self.size > _CACHED_BYTES:
            self.size -= len(self.pages.popitem(last=False)[1])


@dataclass
class TrialDisk:
    """Implements `rebuild.disk_protocol.Disk` for a judge that reads little of it.

    Attributes:
        pages: `uint8[pages, page_bytes]`, the whole dump; or the pages of several chips.
        recipe: what to undo.
        physical: `int64[logical blocks]`, the physical block of each, counted over all chips; -1 where none is.
        cache: of decoded pages, for hypotheses that decode them alike.
        behind: as `physical`, for the pages that the dump ends before; None where no block is cut short.
    """

    pages: NDArray[np.uint8] | PageSpace
    recipe: Recipe
    physical: NDArray[np.int64]
    cache: PageCache = field(default_factory=PageCache)
    behind: NDArray[np.int64] | None = None

    def __post_init__(self) -> None:
        self._space = PageSpace.of(self.pages, self.recipe.pages_per_block)

    @property
    def size(self) -> int:
        """Bytes of the disk."""
        return len(self.physical) * self.recipe.pages_per_block * self.recipe.layout.data_bytes

    def read(self, offset: int, length: int) -> bytes:
        """Bytes of the disk; zeros where no block is mapped or the page is erased."""
        page_bytes = self.recipe.layout.data_bytes
        end = min(offset + length, self.size)
        if offset >= end:
            return b""
        first, last = offset // page_bytes, -(-end // page_bytes)
        joined = b"".join(self._page(page) for page in range(first, last))
        return joined[offset - first * page_bytes : end - first * page_bytes]

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        """Nothing is claimed to be lost: a hypothesis is judged by its content."""
        count = max(0, min(count, self.size // SECTOR_BYTES - first_sector))
        return np.full(count, SectorState.EXACT, np.uint8)

    def row(self, logical: int) -> int:
        """The row of the page space that holds a logical page; -1 where none does."""
        size = self.recipe.pages_per_block
        block, place = self.recipe.interleave.place(logical, size)
        for held in (self.physical, self.behind):
            if held is not None and block < len(held) and held[block] >= 0:
                row = int(held[block]) * size + place
                if row < len(self._space):
                    return row
        return -1

    def _page(self, logical: int) -> bytes:
        row = self.row(logical)
        return self._content(row) if row >= 0 else bytes(self.recipe.layout.data_bytes)

    def _content(self, row: int) -> bytes:
        content = self.cache.find(row)
        if content is None:
            rows = np.array([row], np.int64)
            decoded = self.recipe.decode(self._space.take(rows), self._space.numbers(rows))
            content = bytes(self.recipe.layout.data_bytes) if decoded.erased[0] else decoded.data[0].tobytes()
            self.cache.keep(row, content)
        return content


@dataclass
class CopiedDisk(TrialDisk):
    """The same where older or newer states of a disk are compared, which take other copies of its blocks.

    The newest directories promise files that no block holds if the newest copy of a block was lost, and older ones do
    not. That speaks for no order of the copies that there are. So a sector is unwritten that is blank in every copy.

    Attributes:
        copies: by logical block, all physical blocks that hold it; without an interleave.
    """

    copies: Mapping[int, Sequence[int]] = field(default_factory=dict)

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        """Unwritten where no copy of the block holds anything but one byte throughout."""
        states = super().states(first_sector, count)
        blank = [self._is_blank(sector) for sector in range(first_sector, first_sector + len(states))]
        states[blank] = SectorState.UNWRITTEN
        return states

    def _is_blank(self, sector: int) -> bool:
        size = self.recipe.pages_per_block
        page, offset = divmod(sector * SECTOR_BYTES, self.recipe.layout.data_bytes)
        block, place = divmod(page, size)
        rows = [copy * size + place for copy in self.copies.get(block, ())]
        held = (self._content(row)[offset : offset + SECTOR_BYTES] for row in rows if row < len(self._space))
        return all(sector_bytes == sector_bytes[:1] * len(sector_bytes) for sector_bytes in held)
