"""Kernels of the cyclic redundancy checks: one table look-up per byte (Sarwate, CACM 31 (1988))."""

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def unreflected(rows, table, initial, registers):
    """Registers (uint64[rows], left-aligned) after each row of `rows` (uint8[rows, bytes]), MSB first."""
    for row in range(rows.shape[0]):
        register = initial
        for k in range(rows.shape[1]):
            register = table[(register >> np.uint64(56)) ^ np.uint64(rows[row, k])] ^ (register << np.uint64(8))
        registers[row] = register


@njit(cache=True, nogil=True)
def reflected(rows, table, initial, registers):
    """Registers (uint64[rows], right-aligned, reflected) after each row of `rows`, LSB first."""
    for row in range(rows.shape[0]):
        register = initial
        for k in range(rows.shape[1]):
            register = table[(register ^ np.uint64(rows[row, k])) & np.uint64(255)] ^ (register >> np.uint64(8))
        registers[row] = register
