"""Bits of pages that are known to be wrong as read, though the code alone could not tell.

They come from trials over several reads (`trials`). The disk decodes pages again whenever it is asked, so it must be
told: the pages are changed in memory before they are decoded, and the dump stays as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_source import Rows
from deadstick.rebuild.page_space import PageSpace

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Patch:
    """Bits to change.

    Attributes:
        rows: `int64[changed]`, rows of the page table, ascending, each once.
        starts: `int64[changed + 1]`: where the bits of each row begin.
        bits: `int32[bits]`: bit 8 * column + i is bit i of the byte as read, from the most significant one.
    """

    rows: NDArray[np.int64]
    starts: NDArray[np.int64]
    bits: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.rows)

    @classmethod
    def of(cls, rows: Sequence[NDArray[np.int64]], masks: Sequence[Bytes]) -> "Patch":
        """From masks; those of one row are added up.

        Args:
            rows: `int64[rows]` each.
            masks: `uint8[rows, page_bytes]` each, a 1 for every bit to change.

        >>> patch = Patch.of([np.array([7, 9])], [np.array([[0, 0x80], [0, 0x03]], np.uint8)])
        >>> patch.rows.tolist(), patch.starts.tolist(), patch.bits.tolist()
        ([7, 9], [0, 1, 3], [8, 14, 15])
        """
        places, bits = [np.zeros(0, np.int64)], [np.zeros(0, np.int32)]
        for numbers, mask in zip(rows, masks, strict=True):
            row, column = np.nonzero(mask)
            inside = np.unpackbits(mask[row, column][:, None], axis=1)
            which, bit = np.nonzero(inside)
            places.append(numbers[row[which]])
            bits.append((8 * column[which] + bit).astype(np.int32))
        place, changed = np.concatenate(places), np.concatenate(bits)
        order = np.lexsort((changed, place))
        found, starts = np.unique(place[order], return_index=True)
        return cls(found, np.append(starts, len(place)).astype(np.int64), changed[order])

    def changed(self, raw: Bytes, rows: Rows) -> Bytes:
        """Pages with the bits changed.

        Args:
            raw: `uint8[rows, page_bytes]`; it stays as it is.
            rows: `int64[rows]`, which they are.

        Returns:
            A copy where there is something to change, else `raw` itself.
        """
        places = np.searchsorted(self.rows, rows)
        hit = np.flatnonzero(self.rows[np.minimum(places, len(self.rows) - 1)] == rows) if len(self) else places[:0]
        if not len(hit):
            return raw
        raw = raw.copy()
        first, last = self.starts[places[hit]], self.starts[places[hit] + 1]
        at = np.repeat(hit, last - first)
        # The bits of the chosen rows, one row's run after the other.
        runs = np.arange(len(at)) - np.repeat(np.cumsum(last - first) - (last - first), last - first)
        bits = self.bits[runs + np.repeat(first, last - first)]
        np.bitwise_xor.at(raw, (at, bits >> 3), np.right_shift(np.uint8(128), (bits & 7).astype(np.uint8)))
        return raw


NO_PATCH = Patch(np.zeros(0, np.int64), np.zeros(1, np.int64), np.zeros(0, np.int32))


class PatchedSpace(PageSpace):
    """The rows of all chips, with a patch."""

    def __init__(self, space: PageSpace, patch: Patch) -> None:
        """Lay a patch over pages."""
        super().__init__(space.chips, space.pages_per_block)
        self.patch = patch

    def take(self, rows: Rows) -> Bytes:
        """See `PageSpace`."""
        return self.patch.changed(super().take(rows), rows)
