"""Kernels of the cyclic redundancy checks: one table look-up per byte (Sarwate, CACM 31 (1988))."""

from numba import njit
from numpy import uint8, uint64
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def unreflected(rows: NDArray[uint8], table: NDArray[uint64], initial: uint64, registers: NDArray[uint64]) -> None:
    """Registers (uint64[rows], left-aligned) after each row of `rows` (uint8[rows, bytes]), MSB first."""
    for row in range(rows.shape[0]):
        register = initial
        for k in range(rows.shape[1]):
            register = table[(register >> uint64(56)) ^ uint64(rows[row, k])] ^ (register << uint64(8))
        registers[row] = register


@njit(cache=True, nogil=True)
def reflected(rows: NDArray[uint8], table: NDArray[uint64], initial: uint64, registers: NDArray[uint64]) -> None:
    """Registers (uint64[rows], right-aligned, reflected) after each row of `rows`, LSB first."""
    for row in range(rows.shape[0]):
        register = initial
        for k in range(rows.shape[1]):
            register = table[(register ^ uint64(rows[row, k])) & uint64(255)] ^ (register >> uint64(8))
        registers[row] = register
