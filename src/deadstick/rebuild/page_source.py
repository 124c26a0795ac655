"""Pages of one chip: as its dump has them, the first ones alone, or of chips that share a wide bus."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Rows = NDArray[np.int64]


class PageSource(Protocol):
    """The pages of one chip."""

    @property
    def page_bytes(self) -> int:
        """Data and spare area together."""

    def __len__(self) -> int:
        """Whole pages."""

    def run(self, first: int, last: int) -> Bytes:
        """`uint8[pages, page_bytes]`: pages `first` to `last`; a view where there is one."""

    def take(self, pages: Rows) -> Bytes:
        """`uint8[pages, page_bytes]`: chosen pages."""


@dataclass(frozen=True, eq=False)
class StoredPages:
    """Pages as they lie in a dump.

    Attributes:
        pages: `uint8[pages, page_bytes]`.
    """

    pages: Bytes

    @property
    def page_bytes(self) -> int:
        """See `PageSource`; so are the next three."""
        return int(self.pages.shape[1])

    def __len__(self) -> int:
        return len(self.pages)

    def run(self, first: int, last: int) -> Bytes:
        """A view."""
        return self.pages[first:last]

    def take(self, pages: Rows) -> Bytes:
        """A copy."""
        return self.pages[pages]


@dataclass(frozen=True, eq=False)
class JoinedPages:
    """Pages of chips on one wide bus, read byte by byte in turn.

    Attributes:
        lanes: `uint8[pages, bytes]` of each chip, the one with byte 0 first; the shortest sets the number of pages.

    >>> joined = JoinedPages((np.array([[1, 3]], np.uint8), np.array([[2, 4]], np.uint8)))
    >>> joined.run(0, 1).tolist(), joined.page_bytes
    ([[1, 2, 3, 4]], 4)
    """

    lanes: tuple[Bytes, ...]

    @property
    def page_bytes(self) -> int:
        """See `PageSource`; so are the next three."""
        return sum(lane.shape[1] for lane in self.lanes)

    def __len__(self) -> int:
        return min(len(lane) for lane in self.lanes)

    def run(self, first: int, last: int) -> Bytes:
        """A copy."""
        last = min(last, len(self))
        return woven([lane[first:last] for lane in self.lanes])

    def take(self, pages: Rows) -> Bytes:
        """A copy."""
        return woven([lane[pages] for lane in self.lanes])


@dataclass(frozen=True, eq=False)
class FirstPages:
    """The first pages of a chip alone.

    Attributes:
        source: the chip.
        count: pages.

    >>> len(FirstPages(StoredPages(np.zeros((5, 8), np.uint8)), 4)), FirstPages(StoredPages(np.eye(3)), 2).run(1, 9)
    (4, array([[0., 1., 0.]]))
    """

    source: PageSource
    count: int

    @property
    def page_bytes(self) -> int:
        """See `PageSource`; so are the next three."""
        return self.source.page_bytes

    def __len__(self) -> int:
        return min(self.count, len(self.source))

    def run(self, first: int, last: int) -> Bytes:
        """As the chip has them."""
        return self.source.run(first, min(last, len(self)))

    def take(self, pages: Rows) -> Bytes:
        """A copy."""
        return self.source.take(pages)


def woven(lanes: Sequence[Bytes]) -> Bytes:
    """Bytes of several arrays in turn.

    Args:
        lanes: of one shape, `uint8[..., bytes]`.

    Returns:
        `uint8[..., lanes * bytes]`.
    """
    out = np.empty((*lanes[0].shape[:-1], len(lanes) * lanes[0].shape[-1]), np.uint8)
    for place, lane in enumerate(lanes):
        out[..., place :: len(lanes)] = lane
    return out
