"""Kernels of the search for other codes: a root at all places of the parity at once, and counts of bits in columns."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def root_values(symbols: NDArray[np.int64], times_root: NDArray[np.int64], out: NDArray[np.int64]) -> None:
    """Values of words at a root by Horner's rule: int64[rows, symbols] -> int64[rows].

    times_root: int64[2^m], each field element times the root.
    """
    out[:] = 0
    for i in range(symbols.shape[1]):
        for row in range(symbols.shape[0]):  # independent of each other, unlike the steps of one word
            out[row] = times_root[out[row]] ^ symbols[row, i]


@njit(cache=True, nogil=True)
def tail_hits(
    values: NDArray[np.int64],
    tails: NDArray[np.int64],
    places: NDArray[np.int64],
    times_root: NDArray[np.int64],
    gap: bool,
    counts: NDArray[np.int64],
) -> None:
    """Add how many rows have the root, for some of the places and each length of the parity.

    values: int64[rows], of the messages, 0 for a message that counts for nothing; with `gap` already moved to its
    powers, so that the parity's value must be the same, else the message goes on with the parity.
    tails: int64[rows, symbols, places], what may be parity; places: int64[], those that are looked at; counts:
    int64[places, symbols + 1], by the length.
    """
    held = np.empty(places.shape[0], np.int64)
    for row in range(tails.shape[0]):
        if values[row] == 0:
            continue
        held[:] = 0 if gap else values[row]
        zero = values[row] if gap else 0
        for i in range(tails.shape[1]):
            for k in range(places.shape[0]):  # independent of each other, unlike the steps of one place
                value = times_root[held[k]] ^ tails[row, i, places[k]]
                held[k] = value
                if value == zero:
                    counts[places[k], i + 1] += 1


@njit(cache=True, nogil=True)
def spectrum(
    words: NDArray[np.int64],
    powers: NDArray[np.int64],
    exp: NDArray[np.int64],
    log: NDArray[np.int64],
    out: NDArray[np.int64],
) -> None:
    """How many words are zero at each power of alpha: int64[words, symbols] -> int64[2^m - 1].

    powers: int64[symbols], the power of x at which each symbol stands.
    """
    order = out.shape[0]
    value = np.zeros(order, np.int64)
    for row in range(words.shape[0]):
        value[:] = 0
        for i in range(words.shape[1]):
            symbol = words[row, i]
            if symbol == 0:
                continue
            at = log[symbol]
            step = powers[i] % order
            for e in range(order):
                value[e] ^= exp[at]
                at += step
                if at >= order:
                    at -= order
        for e in range(order):
            if value[e] == 0:
                out[e] += 1


SPREAD = (np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="big")).view(np.uint64).reshape(-1)
"""`uint64[256]`: each bit of a byte, the most significant first, in a byte of its own, in the order of the memory."""


@njit(cache=True, nogil=True)
def count_ones(
    rows: NDArray[np.uint8], chosen: NDArray[np.bool_], spread: NDArray[np.uint64], out: NDArray[np.int64]
) -> None:
    """Ones in each column of bits over the chosen rows: uint8[rows, bytes] -> int64[8 bytes], most significant first.

    spread: uint64[256], see `SPREAD`. Eight counters share a word, and are emptied before one can overflow.
    """
    lanes = np.zeros(rows.shape[1], np.uint64)
    narrow = lanes.view(np.uint8)
    out[:] = 0
    held = 0
    for row in range(rows.shape[0]):
        if chosen[row]:
            for column in range(rows.shape[1]):
                lanes[column] += spread[rows[row, column]]
            held += 1
        if held == 255 or (held and row == rows.shape[0] - 1):
            for bit in range(out.shape[0]):
                out[bit] += narrow[bit]
            lanes[:] = 0
            held = 0
