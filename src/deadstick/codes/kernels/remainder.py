"""Remainders modulo the generator polynomial by tables, eight message bytes at a time.

The remainder stands in `size` 64-bit words, left-aligned: bit 63 of word 0 is the highest coefficient.
"""

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def load_word(data, start, stop):
    """Bytes start..stop-1 (at most 8) of the flat uint8 array `data`, big-endian, right-aligned, as uint64."""
    word = np.uint64(0)
    for k in range(start, stop):
        word = (word << np.uint64(8)) | np.uint64(data[k])
    return word


@njit(cache=True, nogil=True)
def message_remainder(data, start, message_bytes, table, size, register):
    """register[:size] = message(x) x^(64 size) mod the aligned generator, by slicing (Kounavis and Berry, 2005).

    `table` is flat, uint64[8 places, 256 byte values, size]: place 0 is the byte of the lowest powers.
    """
    for i in range(size):
        register[i] = 0
    stop = start + message_bytes % 8
    head = True
    while stop <= start + message_bytes:
        word = load_word(data, stop - 8 if not head else start, stop)
        head = False
        word ^= register[0]
        for i in range(size - 1):
            register[i] = register[i + 1]
        register[size - 1] = 0
        for place in range(8):
            row = (place * 256 + np.int64((word >> np.uint64(8 * place)) & np.uint64(255))) * size
            for i in range(size):
                register[i] ^= table[row + i]
        stop += 8


@njit(cache=True, nogil=True)
def add_parity(data, start, parity_bytes, parity_bits, register):
    """XOR the received parity onto the register; the pad bits after it do not count."""
    for k in range(parity_bytes):
        byte = np.uint64(data[start + k])
        if k == parity_bytes - 1:
            byte &= np.uint64((0xFF00 >> (parity_bits - 8 * k)) & 0xFF)
        register[k // 8] ^= byte << np.uint64(56 - 8 * (k % 8))


@njit(cache=True, nogil=True)
def remainders(words, message_bytes, parity_bits, with_parity, table, out):
    """Remainder of each row of `words` (uint8[words, bytes]) into `out` (uint8[words, parity_bytes])."""
    size = table.size // 2048
    stride = words.shape[1]
    parity_bytes = out.shape[1]
    data = words.reshape(-1)
    register = np.empty(size, np.uint64)
    for row in range(words.shape[0]):
        message_remainder(data, row * stride, message_bytes, table, size, register)
        if with_parity:
            add_parity(data, row * stride + message_bytes, parity_bytes, parity_bits, register)
        for k in range(parity_bytes):
            out[row, k] = (register[k // 8] >> np.uint64(56 - 8 * (k % 8))) & np.uint64(255)
