"""Kernels for syndromes: sums of bits times powers of alpha, by bytes, from which those of every place follow."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def logarithms_of_bytes(
    exponent: int, m: int, exp: NDArray[np.uint16], log: NDArray[np.uint16], out: NDArray[np.int32]
) -> None:
    """Logarithms of the sums of bits times falling powers of alpha^exponent over single bytes, -1 for zero.

    out: int32[256].
    """
    order = (1 << m) - 1
    table = np.empty(256, np.uint16)
    table[0] = 0
    out[0] = -1
    for bit in range(8):
        value = exp[(-exponent * (7 - bit)) % order]
        for low in range(1 << bit):
            table[(1 << bit) | low] = table[low] ^ value
    for byte in range(1, 256):
        out[byte] = log[table[byte]] if table[byte] else -1


@njit(cache=True, nogil=True)
def syndrome_prefixes(
    rows: NDArray[np.uint8],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    byte_log: NDArray[np.int32],
    out: NDArray[np.uint16],
) -> None:
    """Prefix sums of bits times falling powers of alpha^1, alpha^3, alpha^5 ...

    out[r, i, k] becomes the sum over the bits in the first i bytes of row r (most significant first, bit number p) of
    bit * alpha^(-(2k + 1) p). rows: uint8[rows, columns]; byte_log: int32[256] scratch;
    out: uint16[rows, columns + 1, depth].
    """
    order = (1 << m) - 1
    for k in range(out.shape[2]):
        exponent = 2 * k + 1
        logarithms_of_bytes(exponent, m, exp, log, byte_log)
        step = (8 * exponent) % order
        for row in range(rows.shape[0]):
            total = np.uint16(0)
            power = 0
            out[row, 0, k] = 0
            for column in range(rows.shape[1]):
                logarithm = byte_log[rows[row, column]]
                if logarithm >= 0:
                    total ^= exp[logarithm + power]
                out[row, column + 1, k] = total
                power -= step
                if power < 0:
                    power += order
