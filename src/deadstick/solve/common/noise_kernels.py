"""Kernels of the test for noise: equal bytes of a sector."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def equal_pairs(sectors: NDArray[np.uint8], pairs: NDArray[np.int64]) -> None:
    """Pairs of equal bytes in each sector.

    Args:
        sectors: `uint8[sectors, bytes]`.
        pairs: `int64[sectors]`, written.
    """
    counts = np.zeros(256, np.int64)
    for row in range(sectors.shape[0]):
        counts[:] = 0
        found = 0
        for column in range(sectors.shape[1]):
            value = sectors[row, column]
            found += counts[value]
            counts[value] += 1
        pairs[row] = found
