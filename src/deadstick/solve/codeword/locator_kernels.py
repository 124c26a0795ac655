"""Kernels of error locators: which words have a short one, asked of many words side by side.

Hardly any word that the decoding test looks at is a codeword, and for all others Berlekamp's algorithm goes on to the
last syndrome. There it has a regular form: as long as every step corrects, the locator is A(x^2) + x B(x^2), and B / A
is the next convergent of the continued fraction a / (1 + b y / (1 + c y / ...)) of E / O, with E = S_1 + S_3 y + ...
and O = 1 + S_2 y + S_4 y^2 ... (from x sigma' = S sigma, since sigma' = B(x^2) over GF(2)). Viscovatov's division gives
the coefficients, P_(k+1) = (P_(k-1) - c P_k) / y, without a locator and in half the products. A coefficient is zero
where a step finds nothing to correct, which is the sign of a locator; only words with one need the algorithm itself.

The division takes the same steps in every word, so four words share a machine word, and processors that take several
of these at once do so: four times as fast, with the same answers.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

LANES = 64
"""Words that are asked side by side."""
_SHARED = LANES // 4
_DEGREE = 15
"""The highest degree of a field whose elements leave room for a carry in 16 bits."""
_LOWEST = np.uint64(0x0001_0001_0001_0001)


@njit(cache=True, nogil=True)
def locator_lengths(
    logs: NDArray[np.int32],
    filled: int,
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    slack: int,
    lengths: NDArray[np.int64],
) -> None:
    """`locator_length` of up to `LANES` words; `slack` of at least 2.

    logs: int32[LANES, 2 depth], see there; filled: how many of them are words; m: degree of the field, up to 15;
    lengths: int64[LANES].
    """
    order = (1 << m) - 1
    depth = logs.shape[1] // 2
    even = np.zeros((depth, LANES), np.uint16)
    odd = np.zeros((depth, LANES), np.uint16)
    for lane in range(filled):
        for i in range(depth):
            even[i, lane] = exp[logs[lane, 2 * i]] if i and logs[lane, 2 * i] >= 0 else np.uint16(0)
            odd[i, lane] = exp[logs[lane, 2 * i + 1]] if logs[lane, 2 * i + 1] >= 0 else np.uint16(0)
        even[0, lane] = 1
    quiet = np.zeros(LANES, np.bool_)
    quiet_steps(even, odd, m, exp, log, quiet)
    sigma = np.empty(2 * depth + 2, np.uint16)
    other = np.empty(2 * depth + 2, np.uint16)
    spare = np.empty(2 * depth + 2, np.uint16)
    for lane in range(filled):
        lengths[lane] = -1
        if quiet[lane]:
            lengths[lane] = locator_length(logs[lane], depth, order, exp, log, slack, sigma, other, spare)


@njit(cache=True, nogil=True)
def quiet_steps(
    one: NDArray[np.uint16],
    other: NDArray[np.uint16],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    quiet: NDArray[np.bool_],
) -> None:
    """Which words have a step that finds nothing to correct, the last one left aside.

    A product with c is the sum of c alpha^b over the bits b that are set.

    one: uint16[depth, LANES], 1, S_2, S_4 ... of each word; other: uint16[depth, LANES], S_1, S_3 ...; both are used
    up. quiet: bool[LANES], becomes true.
    """
    order = (1 << m) - 1
    multiples = np.zeros((_DEGREE, LANES), np.uint16)
    wide, wide_one, wide_other = multiples.view(np.uint64), one.view(np.uint64), other.view(np.uint64)
    polynomial, top = np.uint64(int(exp[m]) | 1 << m), np.uint64(m - 1)
    for left in range(one.shape[0] - 1, 0, -1):
        for lane in range(LANES):
            if not other[0, lane]:
                quiet[lane] = True
            quotient = np.int64(log[one[0, lane]]) - np.int64(log[other[0, lane]])
            multiples[0, lane] = exp[quotient + order]
        for b in range(_DEGREE - 1):
            for w in range(_SHARED):
                carry = (wide[b, w] >> top) & _LOWEST
                wide[b + 1, w] = (wide[b, w] << np.uint64(1)) ^ (carry * polynomial)
        for i in range(left):
            for w in range(_SHARED):
                bits = wide_other[i + 1, w]
                total = wide_one[i + 1, w]
                for b in range(_DEGREE):
                    bit = (bits >> np.uint64(b)) & _LOWEST
                    total ^= wide[b, w] & ((bit << np.uint64(16)) - bit)
                wide_one[i, w] = total
        one, other = other, one
        wide_one, wide_other = wide_other, wide_one


@njit(cache=True, nogil=True)
def locator_length(
    logs: NDArray[np.int32],
    depth: int,
    order: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    slack: int,
    sigma: NDArray[np.uint16],
    other: NDArray[np.uint16],
    spare: NDArray[np.uint16],
) -> int:
    """Length of the shortest error locator that explains the syndromes of a binary word; -1 where none is short enough.

    Berlekamp's algorithm for binary codes (Berlekamp, Algebraic Coding Theory, 1968, section 7.6; Massey 1969). Only
    odd steps can change anything. A word with e errors has a locator of length e, and the steps after that find nothing
    to correct; for unrelated syndromes the locator grows with every step. It is accepted once `slack` steps in a row
    found nothing: the chance of an accident is 2^(-m slack).

    logs: int32[2 depth], logs[j] is the logarithm of S_j for 0 < j < 2 depth, -1 for zero; order: 2^m - 1.
    sigma, other, spare: uint16[2 depth + 2] scratch.
    """
    for i in range(depth + 2):
        sigma[i] = 0
        other[i] = 0
    sigma[0] = 1
    other[0] = 1
    length = 0
    shift = 1
    reach = 0  # highest index of `other` that is not zero
    last = 0  # logarithm of the discrepancy at the last change of length
    quiet = 0
    for step in range(depth):
        now = 2 * step + 1
        discrepancy = exp[logs[now]] if logs[now] >= 0 else np.uint16(0)
        for i in range(1, min(length, now - 1) + 1):
            coefficient = sigma[i]
            value = logs[now - i]
            if coefficient and value >= 0:
                discrepancy ^= exp[log[coefficient] + value]
        if discrepancy == 0:
            quiet += 1
            if quiet == slack:
                return length
            shift += 2
            continue
        quiet = 0
        factor = int(log[discrepancy]) - last
        if factor < 0:
            factor += order
        longer = now - length
        if longer > length:
            for i in range(length + 1):
                spare[i] = sigma[i]
            if longer > depth:
                return -1
            for i in range(reach + 1):
                if other[i]:
                    sigma[i + shift] ^= exp[log[other[i]] + factor]
            for i in range(length + 1):
                other[i] = spare[i]
            for i in range(length + 1, reach + 1):
                other[i] = 0
            reach = length
            length = longer
            last = int(log[discrepancy])
            shift = 2
        else:
            for i in range(reach + 1):
                if other[i]:
                    sigma[i + shift] ^= exp[log[other[i]] + factor]
            shift += 2
    return -1
