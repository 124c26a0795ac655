"""What the later steps may ask of a rebuilt disk, whatever stands behind it."""

from enum import IntEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

SECTOR_BYTES = 512


class SectorState(IntEnum):
    """How far the content of one sector is proven; a larger number is a weaker claim."""

    EXACT = 0
    """Every codeword under it was corrected beyond doubt and its place on the disk is beyond doubt."""
    UNWRITTEN = 1
    """No page of the chip holds it: the controller would have answered with its fill, which we do not know."""
    DOUBTFUL = 2
    """Two candidates, or a correction that may be an accident."""
    LOST = 3
    """A codeword under it could not be corrected; the bytes are as read."""


class Disk(Protocol):
    """A read-only disk with random access that knows the state of every sector."""

    @property
    def size(self) -> int:
        """Bytes; a multiple of `SECTOR_BYTES`."""

    def read(self, offset: int, length: int) -> bytes:
        """Bytes `offset` to `offset + length`, cut at the end of the disk. Lost sectors read as they are."""

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        """`uint8[count]`: the `SectorState` of each sector from `first_sector` on."""
