"""What bad contacts do to a read: data lines that are stuck, tied or swapped, and address lines that are stuck.

All work in place on the bytes of one read, as the faults come in after the array: what a line without contact reads
has no bit errors of its own.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.geometry import Geometry

Bytes = NDArray[np.uint8]


def stick_line(read: Bytes, line: int, value: int, *, start: int = 0, end: int | None = None) -> None:
    """Hold a data line at a level.

    Args:
        read: `uint8[bytes]`.
        line: 0 to 7.
        value: 0 or 1.
        start: first byte.
        end: byte after the last one; to the end if None.
    """
    if value:
        read[start:end] |= np.uint8(1 << line)
    else:
        read[start:end] &= np.uint8(0xFF ^ (1 << line))


def tie_lines(read: Bytes, one: int, other: int, *, start: int = 0) -> None:
    """Let two data lines touch: the low level wins.

    Args:
        read: `uint8[bytes]`.
        one: 0 to 7.
        other: 0 to 7.
        start: first byte.
    """
    part = read[start:]
    both = (part >> np.uint8(one)) & (part >> np.uint8(other)) & np.uint8(1)
    keep = np.uint8(0xFF ^ (1 << one) ^ (1 << other))
    read[start:] = (part & keep) | (both << np.uint8(one)) | (both << np.uint8(other))


def swap_lines(read: Bytes, one: int, other: int) -> None:
    """Exchange two data lines, as a wrongly wired adapter does.

    Args:
        read: `uint8[bytes]`.
        one: 0 to 7.
        other: 0 to 7.
    """
    differ = ((read >> np.uint8(one)) ^ (read >> np.uint8(other))) & np.uint8(1)
    read ^= (differ << np.uint8(one)) | (differ << np.uint8(other))


def stick_row_address(read: Bytes, geometry: Geometry, bit: int, value: int, *, first_page: int = 0) -> None:
    """Hold a bit of the page address at a level: pages that differ in it alone read alike.

    Args:
        read: `uint8[bytes]`, a whole dump.
        geometry: of the chip.
        bit: of the page number.
        value: 0 or 1.
        first_page: the first page that was read with the fault.
    """
    pages = read.reshape(-1, geometry.page_bytes)
    asked = np.arange(first_page, len(pages))
    given = asked | (1 << bit) if value else asked & ~(1 << bit)
    pages[asked] = pages[np.minimum(given, len(pages) - 1)].copy()


def stick_column_address(read: Bytes, geometry: Geometry, bit: int, value: int) -> None:
    """Hold a bit of the column address at a level: columns that differ in it alone read alike.

    Args:
        read: `uint8[bytes]`, a whole dump.
        geometry: of the chip.
        bit: of the column number.
        value: 0 or 1.
    """
    pages = read.reshape(-1, geometry.page_bytes)
    asked = np.arange(geometry.page_bytes)
    given = asked | (1 << bit) if value else asked & ~(1 << bit)
    pages[:] = pages[:, np.minimum(given, geometry.page_bytes - 1)].copy()
