"""Kernels of the decoding test: at which places do rows decode, and how many errors explain their syndromes?"""

import numpy as np
from numba import njit
from numpy.typing import NDArray


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


@njit(cache=True, nogil=True)
def decodable_places(
    prefix: NDArray[np.uint16],
    ones: NDArray[np.uint16],
    where: NDArray[np.int64],
    power: int,
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    begin: int,
    message: int,
    places: NDArray[np.int64],
    slack: int,
    counts: NDArray[np.uint16],
    errors: NDArray[np.uint16],
) -> None:
    """Count for which tails the rows are codewords up to a few errors.

    A place (c, e, n, shortest, longest) means: message, columns [e, e + n), and a tail of shortest + j bytes from
    column c on, as if they followed each other. counts[v, i, j] is how many rows decode at place i, and errors[v, i, j]
    the sum of their errors; v = 1 takes the rows as their complements. prefix: uint16[rows, kept, depth] and ones, of
    one row with all bits set: see `syndrome_kernels.syndrome_prefixes`; where: int64[columns + 1]: where the sums
    up to a column are kept; power: the sums are those of the odd powers of alpha^power; places: int64[places, 5];
    counts, errors: uint16[variants, places, sizes].
    """
    order = (1 << m) - 1
    rows = prefix.shape[0]
    depth = prefix.shape[2]
    columns = where.shape[0] - 1
    logs = np.empty(2 * depth, np.int32)
    sigma = np.empty(2 * depth + 2, np.uint16)
    other = np.empty(2 * depth + 2, np.uint16)
    spare = np.empty(2 * depth + 2, np.uint16)
    known = np.empty((rows, depth), np.uint16)
    shifts = np.empty(depth, np.int64)
    counts[:] = 0
    errors[:] = 0
    for variant in range(counts.shape[0]):
        for index in range(places.shape[0]):
            first = places[index, 0]
            between = places[index, 1]
            length = places[index, 2]
            shortest = places[index, 3]
            for k in range(depth):
                exponent = power * (2 * k + 1) % order
                shifts[k] = (8 * exponent * (first - begin - message - length)) % order
                move = (8 * exponent * (between - begin - message)) % order
                extra = np.uint16(0)
                if variant:
                    extra = _piece(ones, where, 0, k, begin, message, between, length, first, move, shifts[k], exp, log)
                for row in range(rows):
                    known[row, k] = extra ^ _piece(
                        prefix, where, row, k, begin, message, between, length, first, move, shifts[k], exp, log
                    )
            last = min(places[index, 4], columns - first)
            for size in range(shortest, last + 1):
                found = 0
                total = 0
                end = where[first + size]
                for row in range(rows):
                    some = _logarithms(prefix, ones, row, end, variant, known, shifts, order, exp, log, logs)
                    weight = locator_length(logs, depth, order, exp, log, slack, sigma, other, spare) if some else 0
                    if weight >= 0:
                        found += 1
                        total += weight
                counts[variant, index, size - shortest] = found
                errors[variant, index, size - shortest] = total


@njit(cache=True, nogil=True)
def _logarithms(
    prefix: NDArray[np.uint16],
    ones: NDArray[np.uint16],
    row: int,
    end: int,
    variant: int,
    known: NDArray[np.uint16],
    shifts: NDArray[np.int64],
    order: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    logs: NDArray[np.int32],
) -> bool:
    """Logarithms of all syndromes of a row whose tail ends where a sum is kept; the even ones are squares of others.

    Returns:
        Whether any syndrome is not zero.
    """
    depth = prefix.shape[2]
    some = False
    for k in range(depth):
        piece = prefix[row, end, k]
        if variant:
            piece ^= ones[0, end, k]
        value = known[row, k]
        if piece:
            value ^= exp[log[piece] + shifts[k]]
        logarithm = -1
        if value:
            some = True
            logarithm = int(log[value])
        index = 2 * k + 1
        while index < 2 * depth:
            logs[index] = logarithm
            if logarithm >= 0:
                logarithm += logarithm
                if logarithm >= order:
                    logarithm -= order
            index += index
    return some


@njit(cache=True, nogil=True)
def _piece(
    prefix: NDArray[np.uint16],
    where: NDArray[np.int64],
    row: int,
    k: int,
    begin: int,
    message: int,
    between: int,
    length: int,
    first: int,
    move: int,
    shift: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
) -> np.uint16:
    """What does not depend on the size of the tail: message, metadata between, and the tail's start taken off."""
    value = np.uint16(prefix[row, where[begin + message], k] ^ prefix[row, where[begin], k])
    if length:
        middle = prefix[row, where[between + length], k] ^ prefix[row, where[between], k]
        if middle:
            value ^= exp[log[middle] + move]
    start = prefix[row, where[first], k]
    if start:
        value ^= exp[log[start] + shift]
    return value
