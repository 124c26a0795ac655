"""Kernels of the decoding test: at which places do rows decode, and how many errors explain their syndromes?"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from deadstick.solve.codeword.locator_kernels import LANES, locator_lengths


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
    logs = np.empty((LANES, 2 * depth), np.int32)
    owner = np.empty((LANES, 3), np.int64)
    weights = np.empty(LANES, np.int64)
    filled = 0
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
                end = where[first + size]
                for row in range(rows):
                    if not _logarithms(prefix, ones, row, end, variant, known, shifts, order, exp, log, logs[filled]):
                        counts[variant, index, size - shortest] += 1
                        continue
                    owner[filled, 0] = variant
                    owner[filled, 1] = index
                    owner[filled, 2] = size - shortest
                    filled += 1
                    if filled == LANES:
                        locator_lengths(logs, filled, m, exp, log, slack, weights)
                        _count(owner, weights, filled, counts, errors)
                        filled = 0
    locator_lengths(logs, filled, m, exp, log, slack, weights)
    _count(owner, weights, filled, counts, errors)


@njit(cache=True, nogil=True)
def _count(
    owner: NDArray[np.int64],
    weights: NDArray[np.int64],
    filled: int,
    counts: NDArray[np.uint16],
    errors: NDArray[np.uint16],
) -> None:
    """Count the words whose locator is known, each for its (variant, place, size)."""
    for lane in range(filled):
        if weights[lane] >= 0:
            counts[owner[lane, 0], owner[lane, 1], owner[lane, 2]] += 1
            errors[owner[lane, 0], owner[lane, 1], owner[lane, 2]] += weights[lane]


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
