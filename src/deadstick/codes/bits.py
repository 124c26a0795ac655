"""Bits inside bytes."""

import numpy as np
import numpy.typing as npt

_REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1)[:, ::-1], axis=1).ravel()


def bit_reverse(data: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """A copy of `data` (uint8, any shape) with the bits of every byte in opposite order.

    The codes here read bytes MSB first; data of a controller that reads LSB first goes through this.

    >>> bit_reverse(np.array([0b10110000], np.uint8)).tolist()
    [13]
    """
    return _REVERSED[data]
