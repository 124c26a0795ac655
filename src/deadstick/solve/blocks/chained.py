"""Which sectors belong to the allocation table of a FAT volume.

An entry of the table names the next cluster of a file, and most files lie in one piece: entry after entry grows by one.
Where a file is deleted its entries become zeros, so that such sectors do not tell older data from newer by what is
blank in them, as others do (`filling`).

Source: Microsoft, FAT: General Overview of On-Disk Format, rev. 1.03, "FAT data structure". Entries of 12 bits, which
lie across bytes, are not looked for.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SECTOR_BYTES

FEWEST_STEPS, STEPS_SHARE = 8, 0.5
"""Entries of a sector that go on from the one before, and their share of all that are not zero."""


def chained(pages: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which bytes lie in sectors whose 16-bit or 32-bit entries go on from each other.

    Args:
        pages: `uint8[pages, data_bytes]`; sectors begin at whole sectors of a page.

    Returns:
        `bool[pages, data_bytes]`; bytes behind the last whole sector of a page belong to none.

    >>> table = np.arange(3, 259, dtype="<u2").view(np.uint8)
    >>> prose = np.frombuffer(b"Seven lapwings on the mud, wind from the west. ".ljust(64) * 8, np.uint8)
    >>> chained(np.stack([table, prose])).mean(axis=1).tolist()
    [1.0, 0.0]
    """
    count = pages.shape[1] // SECTOR_BYTES
    inside = np.zeros(pages.shape, np.bool_)
    if count:
        sectors = np.ascontiguousarray(pages[:, : count * SECTOR_BYTES]).reshape(-1, SECTOR_BYTES)
        tables = _are_chained(sectors.view("<u2")) | _are_chained(sectors.view("<u4"))
        inside[:, : count * SECTOR_BYTES] = np.repeat(tables.reshape(-1, count), SECTOR_BYTES, axis=1)
    return inside


def _are_chained(entries: NDArray[np.unsignedinteger]) -> NDArray[np.bool_]:
    """`bool[sectors]` of `[sectors, entries]`."""
    steps = ((entries[:, 1:] == entries[:, :-1] + entries.dtype.type(1)) & (entries[:, :-1] != 0)).sum(axis=1)
    tables: NDArray[np.bool_] = steps >= np.maximum(FEWEST_STEPS, STEPS_SHARE * (entries != 0).sum(axis=1))
    return tables
