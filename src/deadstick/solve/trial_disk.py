"""A disk as one hypothesis would have it, decoded page by page as the judge asks for it."""

from collections import OrderedDict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState
from deadstick.recipe.recipe import Recipe

_CACHED_PAGES = 4096


@dataclass
class TrialDisk:
    """Implements `rebuild.disk_protocol.Disk` for a judge that reads little of it.

    Attributes:
        pages: `uint8[pages, page_bytes]`, the whole dump.
        recipe: what to undo.
        physical: `int64[logical blocks]`, the physical block of each; -1 where none is.
    """

    pages: NDArray[np.uint8]
    recipe: Recipe
    physical: NDArray[np.int64]
    _cache: OrderedDict[int, bytes] = field(default_factory=OrderedDict)

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

    def _page(self, logical: int) -> bytes:
        if logical in self._cache:
            self._cache.move_to_end(logical)
            return self._cache[logical]
        block, place = divmod(logical, self.recipe.pages_per_block)
        page = int(self.physical[block]) * self.recipe.pages_per_block + place
        content = bytes(self.recipe.layout.data_bytes)
        if self.physical[block] >= 0 and page < len(self.pages):
            decoded = self.recipe.decode(self.pages[page : page + 1], np.array([page]))
            if not decoded.erased[0]:
                content = decoded.data[0].tobytes()
        self._cache[logical] = content
        if len(self._cache) > _CACHED_PAGES:
            self._cache.popitem(last=False)
        return content
