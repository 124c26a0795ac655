"""Row and column parities over blocks of 256 or 512 bytes."""

from numba import njit
from numpy import int16, uint8
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def parity_of(value: int) -> int:
    """Sum of the bits of a byte, modulo 2."""
    value ^= value >> 4
    value ^= value >> 2
    value ^= value >> 1
    return value & 1


@njit(cache=True, nogil=True)
def spread(address: int, total: int, bits: int) -> int:
    """Pairs of parities: over message bits with an address bit clear (even places) and set (odd places)."""
    pairs = 0
    for i in range(bits):
        one = address >> i & 1
        pairs |= one << (2 * i + 1) | (one ^ total) << (2 * i)
    return pairs


@njit(cache=True, nogil=True)
def parities(rows: NDArray[uint8], size: int, out: NDArray[uint8]) -> None:
    """Parities of the first `size` bytes (256 or 512) of each row into uint8[rows, 3]."""
    for row in range(rows.shape[0]):
        column = 0
        address = 0
        for i in range(size):
            value = int(rows[row, i])
            column ^= value
            address ^= i * parity_of(value)  # the sum of the row addresses of all bits that are set
        total = parity_of(column)
        column_address = parity_of(column & 0xAA) | parity_of(column & 0xCC) << 1 | parity_of(column & 0xF0) << 2
        pairs = spread(address, total, 9)
        out[row, 0] = pairs & 0xFF
        out[row, 1] = pairs >> 8 & 0xFF
        out[row, 2] = spread(column_address, total, 3) << 2 | (pairs >> 16 if size == 512 else 0)


@njit(cache=True, nogil=True)
def correct(words: NDArray[uint8], size: int, differences: NDArray[uint8], errors: NDArray[int16]) -> None:
    """Correct words (uint8[words, size + 3]) in place by what stored and computed parity differ in (uint8[words, 3]).

    `errors` (int16[words]) receives 0, 1, or -1 for a word with more than one wrong bit.
    """
    rows = 9 if size == 512 else 8
    for word in range(words.shape[0]):
        low = int(differences[word, 0]) | int(differences[word, 1]) << 8 | (int(differences[word, 2]) & 3) << 16
        columns = int(differences[word, 2]) >> 2
        errors[word] = 0
        if low == 0 and columns == 0:
            continue
        address, column, single, weight = 0, 0, True, 0
        for i in range(rows):
            clear, one = low >> (2 * i) & 1, low >> (2 * i + 1) & 1
            address |= one << i
            single &= clear != one
            weight += clear + one
        for i in range(3):
            clear, one = columns >> (2 * i) & 1, columns >> (2 * i + 1) & 1
            column |= one << i
            single &= clear != one
            weight += clear + one
        errors[word] = 1
        if single:
            words[word, address] ^= uint8(1 << column)
        elif weight == 1:
            for i in range(3):
                words[word, size + i] ^= differences[word, i]
        else:
            errors[word] = -1
