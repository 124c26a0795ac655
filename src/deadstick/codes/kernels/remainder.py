"""Remainders modulo the generator polynomial by tables, eight message bytes at a time: runs on every CPU.

The remainder stands in `size` 64-bit words, left-aligned: bit 63 of word 0 is the highest coefficient.
`deadstick.codes.kernels.folding` does the same with carry-less multiplication.
"""

import numpy as np
from numba import njit
from numpy import int64, uint8, uint64
from numpy.typing import NDArray

from deadstick.codes.carryless import load_big_endian


@njit(cache=True, nogil=True)
def load_tail(data: NDArray[uint8], start: int, stop: int) -> uint64:
    """Bytes start..stop-1 (fewer than 8) of the flat uint8 array `data`, big-endian, right-aligned, as uint64."""
    word = uint64(0)
    for k in range(start, stop):
        word = (word << uint64(8)) | uint64(data[k])
    return word


@njit(cache=True, nogil=True)
def add_parity(data: NDArray[uint8], start: int, parity_bits: int, out: NDArray[uint64], row: int) -> None:
    """XOR the received parity at data[start] onto out[row]; the pad bits after it do not count."""
    whole = parity_bits // 64
    for i in range(whole):
        out[row, i] ^= load_big_endian(data.ctypes.data + start + 8 * i)
    rest = parity_bits - 64 * whole
    if rest:
        size = (rest + 7) // 8
        at = start + 8 * whole
        word = load_big_endian(data.ctypes.data + at) if size == 8 else load_tail(data, at, at + size)
        out[row, whole] ^= (word >> uint64(8 * size - rest)) << uint64(64 - rest)


@njit(cache=True, nogil=True)
def registers(
    words: NDArray[uint8],
    message_bytes: int,
    parity_bits: int,
    with_parity: bool,
    table: NDArray[uint64],
    out: NDArray[uint64],
) -> None:
    """Left-aligned remainder of each row of `words` (uint8[words, bytes]) into `out` (uint64[words, size]).

    message(x) x^(64 size) modulo the aligned generator, by slicing (Kounavis and Berry, "A systematic approach to
    building high performance software-based CRC generators", 2005). `table` is flat, uint64[8 places, 256 byte
    values, size]: place 0 is the byte of the lowest powers.
    """
    size = out.shape[1]
    stride = words.shape[1]
    data = words.reshape(-1)
    register = np.zeros(size + 1, uint64)
    entry = np.empty(8, int64)
    for row in range(words.shape[0]):
        start = row * stride
        register[:] = 0
        at = start + message_bytes % 8
        word = load_tail(data, start, at)
        if at == start:
            word = load_big_endian(data.ctypes.data + at)
            at += 8
        while True:
            word ^= register[0]
            for place in range(8):
                entry[place] = (place * 256 + int64((word >> uint64(8 * place)) & uint64(255))) * size
            for i in range(size):
                register[i] = (
                    register[i + 1]
                    ^ table[entry[0] + i]
                    ^ table[entry[1] + i]
                    ^ table[entry[2] + i]
                    ^ table[entry[3] + i]
                    ^ table[entry[4] + i]
                    ^ table[entry[5] + i]
                    ^ table[entry[6] + i]
                    ^ table[entry[7] + i]
                )
            if at == start + message_bytes:
                break
            word = load_big_endian(data.ctypes.data + at)
            at += 8
        out[row] = register[:size]
        if with_parity:
            add_parity(data, start + message_bytes, parity_bits, out, row)


@njit(cache=True, nogil=True)
def powers_of_x8(overflows: NDArray[uint64], table: NDArray[uint64]) -> None:
    """Fill `table` (uint64[powers, size + 1]) from its first row on: each row is the one before times x^8.

    The last word of each row stays zero; `overflows` is that of `tables.Proof`.
    """
    size = overflows.shape[1]
    for p in range(1, table.shape[0]):
        overflow = int64(table[p - 1, 0] >> uint64(56))
        for i in range(size):
            moved = (table[p - 1, i] << uint64(8)) | (table[p - 1, i + 1] >> uint64(56))
            table[p, i] = moved ^ overflows[overflow, i]
