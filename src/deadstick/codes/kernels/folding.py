"""Remainders modulo the generator polynomial by carry-less multiplication (see `deadstick.codes.carryless`)."""

import numpy as np
from numba import njit
from numpy import uint8, uint64
from numpy.typing import NDArray

from deadstick.codes.carryless import MOST_COLUMNS, PAIRS, add_products, add_products_of_pair
from deadstick.codes.kernels.remainder import add_parity


@njit(cache=True, nogil=True)
def add_message(message: int, steps: int, constants: int, out: int, columns: int) -> None:
    """`add_products` with its number of columns chosen at run time."""
    if columns == 1:
        add_products(message, steps, constants, out, 1)
    elif columns == 2:
        add_products(message, steps, constants, out, 2)
    elif columns == 3:
        add_products(message, steps, constants, out, 3)
    elif columns == 4:
        add_products(message, steps, constants, out, 4)
    else:
        add_products(message, steps, constants, out, MOST_COLUMNS)


@njit(cache=True, nogil=True)
def add_pair(pair: int, constants: int, out: int, columns: int) -> None:
    """`add_products_of_pair` with its number of columns chosen at run time."""
    if columns == 1:
        add_products_of_pair(pair, constants, out, 1)
    elif columns == 2:
        add_products_of_pair(pair, constants, out, 2)
    elif columns == 3:
        add_products_of_pair(pair, constants, out, 3)
    elif columns == 4:
        add_products_of_pair(pair, constants, out, 4)
    else:
        add_products_of_pair(pair, constants, out, MOST_COLUMNS)


@njit(cache=True, nogil=True)
def combine(products: NDArray[uint64], columns: int, first: int, total: NDArray[uint64]) -> None:
    """Add Karatsuba's products, uint64[3 columns, 2] (flat), onto the words of `total`, lowest first."""
    for q in range(columns):
        i = 6 * q
        low_0, low_1 = products[i], products[i + 1]
        high_0, high_1 = products[i + 2], products[i + 3]
        at = 2 * (first + q)
        total[at] ^= low_0
        total[at + 1] ^= low_1 ^ products[i + 4] ^ low_0 ^ high_0
        total[at + 2] ^= high_0 ^ products[i + 5] ^ low_1 ^ high_1
        total[at + 3] ^= high_1


@njit(cache=True, nogil=True)
def registers(
    words: NDArray[uint8],
    message_bytes: int,
    parity_bits: int,
    with_parity: bool,
    constants: NDArray[uint64],
    steps_held: int,
    reduction: NDArray[uint64],
    out: NDArray[uint64],
) -> None:
    """Left-aligned remainder of each row of `words` (uint8[words, bytes]) into `out` (uint64[words, size]).

    `constants` (flat, one group of columns after the other) holds x^(64 size + 128 p) modulo the aligned
    generator for the pairs p of `steps_held` vectors, the last pair of the message last. `reduction` (flat) is
    the quotient x^(64 size + 128) / generator without its leading 1, then the generator without its own, group
    by group, both for one pair (Barrett).
    """
    size = out.shape[1]
    stride = words.shape[1]
    data = words.reshape(-1)
    vector = 16 * PAIRS
    steps = message_bytes // vector
    head_bytes = message_bytes - steps * vector
    head = np.zeros(vector, uint8)
    products = np.zeros(6 * MOST_COLUMNS, uint64)
    total = np.zeros(size + 2, uint64)
    pair = np.zeros(2, uint64)
    at_data, at_head, at_constants = data.ctypes.data, head.ctypes.data, constants.ctypes.data
    at_products, at_pair, at_reduction = products.ctypes.data, pair.ctypes.data, reduction.ctypes.data
    for row in range(words.shape[0]):
        start = row * stride
        for i in range(head_bytes):
            head[vector - head_bytes + i] = data[start + i]
        total[:] = 0
        group = at_constants
        for first in range(0, size // 2, MOST_COLUMNS):
            columns = min(MOST_COLUMNS, size // 2 - first)
            step_bytes = vector * (columns + (columns + 1) // 2)
            products[:] = 0
            tail = group + (steps_held - steps) * step_bytes
            add_message(at_data + start + head_bytes, steps, tail, at_products, columns)
            if head_bytes:
                add_message(at_head, 1, tail - step_bytes, at_products, columns)
            combine(products, columns, first, total)
            group += steps_held * step_bytes
        # Barrett: the quotient of the two words above the generator's degree, times the generator.
        pair[0], pair[1] = total[size], total[size + 1]
        products[:] = 0
        add_products_of_pair(at_pair, at_reduction, at_products, 1)
        pair[0] ^= products[2] ^ products[5] ^ products[1] ^ products[3]
        pair[1] ^= products[3]
        group = at_reduction + 32
        for first in range(0, size // 2, MOST_COLUMNS):
            columns = min(MOST_COLUMNS, size // 2 - first)
            products[:] = 0
            add_pair(at_pair, group, at_products, columns)
            combine(products, columns, first, total)
            group += 16 * (columns + (columns + 1) // 2)
        for i in range(size):
            out[row, i] = total[size - 1 - i]
        if with_parity:
            add_parity(data, start + message_bytes, parity_bits, out, row)
