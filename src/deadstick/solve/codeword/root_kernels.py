"""Kernels of the search by roots: tables of a field, and prefix sums that show which words are zero at a root."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def field_tables(polynomial: int, m: int, exp: NDArray[np.uint16], log: NDArray[np.uint16]) -> None:
    """Fill exp: uint16[2 * (2^m - 1)] and log: uint16[2^m] of GF(2^m); log[0] is left as it was."""
    order = (1 << m) - 1
    element = 1
    for power in range(order):
        exp[power] = element
        exp[power + order] = element
        log[element] = power
        element <<= 1
        if element >> m:
            element ^= polynomial


@njit(cache=True, nogil=True)
def prefix_sums(
    rows: NDArray[np.uint8],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    byte_log: NDArray[np.int32],
    out: NDArray[np.uint16],
) -> None:
    """Prefix sums of bits times falling powers of alpha.

    out[r, i] becomes the sum over the bits in the first i bytes of row r (most significant first, bit number p)
    of bit * alpha^-p. rows: uint8[rows, columns]; byte_log: int32[256] scratch; out: uint16[rows, columns + 1].
    """
    order = (1 << m) - 1
    byte_log[0] = -1
    for value in range(1, 256):
        total = 0
        for bit in range(8):
            if value >> (7 - bit) & 1:
                total ^= exp[(order - bit) % order]
        byte_log[value] = log[total] if total else -1
    step = 8 % order
    for row in range(rows.shape[0]):
        total = 0
        power = 0
        out[row, 0] = 0
        for column in range(rows.shape[1]):
            logarithm = byte_log[rows[row, column]]
            if logarithm >= 0:
                total ^= exp[logarithm + power]
            out[row, column + 1] = total
            power -= step
            if power < 0:
                power += order


@njit(cache=True, nogil=True)
def tail_hits(
    prefix: NDArray[np.uint16],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    begin: int,
    message: int,
    tails: NDArray[np.int64],
    shortest: int,
    longest: int,
    hits: NDArray[np.uint16],
) -> None:
    """Count for which tails a message and its tail together have the root alpha.

    The message is columns [begin, begin + message), and the tail columns [c, d), as if they followed each other; some
    columns [e, e + n) may stand between the two, such as metadata that lie apart from the parity. hits[i, j] is how
    many rows have the root with (c, e, n) = tails[i], d = c + shortest + j. Rows whose message sums to zero say
    nothing and are passed over. prefix: see `prefix_sums`; tails: int64[tails, 3];
    hits: uint16[tails, longest - shortest + 1].
    """
    order = (1 << m) - 1
    columns = prefix.shape[1] - 1
    hits[:] = 0
    for row in range(prefix.shape[0]):
        value = prefix[row, begin + message] ^ prefix[row, begin]
        if value == 0:
            continue
        for index in range(tails.shape[0]):
            first = tails[index, 0]
            between = tails[index, 1]
            length = tails[index, 2]
            total = value
            if length:
                middle = prefix[row, between + length] ^ prefix[row, between]
                if middle:
                    total ^= exp[log[middle] + (8 * (between - begin - message)) % order]
                if total == 0:
                    continue
            shift = (8 * (first - begin - message - length)) % order
            target = prefix[row, first] ^ exp[log[total] + order - shift]
            last = min(longest, columns - first)
            for size in range(shortest, last + 1):
                if prefix[row, first + size] == target:
                    hits[index, size - shortest] += 1
