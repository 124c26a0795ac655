"""Kernels of the spectrum: cyclotomic cosets, their minimal polynomials, and values of rows at powers of alpha."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from deadstick.solve.codeword.syndrome_kernels import logarithms_of_bytes


@njit(cache=True, nogil=True)
def coset_leaders(m: int, leaders: NDArray[np.int64], coset: NDArray[np.int32], turns: NDArray[np.uint8]) -> int:
    """Sort the exponents modulo 2^m - 1 into cosets {c, 2c, 4c ...}.

    leaders: int64[2^m - 1] scratch, the smallest exponent of each coset comes first; coset: int32[2^m - 1] and turns:
    uint8[2^m - 1]: exponent e is leaders[coset[e]] doubled turns[e] times. Returns the number of cosets.
    """
    order = (1 << m) - 1
    coset[:] = -1
    count = 0
    for exponent in range(order):
        if coset[exponent] >= 0:
            continue
        leaders[count] = exponent
        now = exponent
        turn = 0
        while coset[now] < 0:
            coset[now] = count
            turns[now] = turn
            now = 2 * now % order
            turn += 1
        count += 1
    return count


@njit(cache=True, nogil=True)
def minimal_polynomials(
    leaders: NDArray[np.int64], m: int, exp: NDArray[np.uint16], log: NDArray[np.uint16], out: NDArray[np.int64]
) -> None:
    """Minimal polynomials over GF(2) of alpha^c for every leader c, bit i the coefficient of x^i.

    leaders: int64[cosets]; out: int64[cosets]. The product of (x - a) over the conjugates a.
    """
    order = (1 << m) - 1
    terms = np.zeros(m + 2, np.int64)
    for index in range(len(leaders)):
        terms[:] = 0
        terms[0] = 1
        size = 0
        now = leaders[index]
        while True:
            for i in range(size + 1, 0, -1):
                scaled = exp[log[terms[i]] + now] if terms[i] else 0
                terms[i] = terms[i - 1] ^ scaled
            terms[0] = exp[log[terms[0]] + now] if terms[0] else 0
            size += 1
            now = 2 * now % order
            if now == leaders[index]:
                break
        value = 0
        for i in range(size + 1):
            value |= (terms[i] & 1) << i
        out[index] = value


@njit(cache=True, nogil=True)
def spectrum_at(
    rows: NDArray[np.uint8],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    leaders: NDArray[np.int64],
    needed: NDArray[np.int64],
    out: NDArray[np.uint16],
) -> None:
    """Prefix sums of bits times falling powers of alpha^c for every leader c.

    out[r, i, k] becomes the sum over the bits in the first needed[i] bytes of row r (most significant first, bit number
    p) of bit * alpha^(-leaders[k] p). rows: uint8[rows, columns]; needed: int64[needed], ascending; out: uint16[rows,
    needed, leaders].
    """
    order = (1 << m) - 1
    logs = np.empty(256, np.int32)
    for k in range(len(leaders)):
        exponent = leaders[k]
        logarithms_of_bytes(exponent, m, exp, log, logs)
        step = (8 * exponent) % order
        for row in range(rows.shape[0]):
            total = np.uint16(0)
            power = 0
            column = 0
            for index in range(len(needed)):
                while column < needed[index]:
                    logarithm = logs[rows[row, column]]
                    if logarithm >= 0:
                        total ^= exp[logarithm + power]
                    power -= step
                    if power < 0:
                        power += order
                    column += 1
                out[row, index, k] = total


@njit(cache=True, nogil=True)
def picked(
    values: NDArray[np.uint16],
    power: int,
    coset: NDArray[np.int32],
    turns: NDArray[np.uint8],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    out: NDArray[np.uint16],
) -> None:
    """From values at all leaders to those at the odd powers of alpha^power: a^(2^s) has s times the doubled logarithm.

    values: uint16[rows, needed, leaders]; out: uint16[rows, needed, depth].
    """
    order = (1 << m) - 1
    depth = out.shape[2]
    which = np.empty(depth, np.int64)
    doubled = np.empty(depth, np.int64)
    for k in range(depth):
        exponent = power * (2 * k + 1) % order
        which[k] = coset[exponent]
        doubled[k] = turns[exponent]
    for row in range(values.shape[0]):
        for index in range(values.shape[1]):
            for k in range(depth):
                value = values[row, index, which[k]]
                if value:
                    logarithm = np.int64(log[value]) << doubled[k]
                    value = exp[(logarithm & order) + (logarithm >> m)]
                out[row, index, k] = value
