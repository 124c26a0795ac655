"""The BCH decoder behind the remainder: syndromes, error locator, its roots, correction.

`decode` takes arrays; what it calls takes their addresses (see `carryless.get16`).
"""

import numpy as np
from numba import njit
from numpy import int16, int64, uint8, uint16, uint32, uint64
from numpy.typing import NDArray

from deadstick.codes.carryless import get16, get32, get64, put16, put32, put64, sum_of_rows
from deadstick.codes.kernels.roots import SIEVE_ROWS, find_positions

PATIENCE = 2
"""Zero discrepancies in a row that end the search for the locator, when all is checked afterwards anyway."""


@njit(cache=True, nogil=True, error_model="numpy")
def syndromes(register: int, nibbles: int, table: int, words: int, offsets: int, out: int) -> None:
    """Sum of the table rows that the nibbles of a remainder choose, four 16-bit syndromes to the word.

    `table` is that of `tables.syndrome_table`, with `words` words to the row; `offsets` is int64[nibbles] scratch.
    The remainder is all that is needed: it and the word differ by a multiple of the generator.
    """
    for q in range(nibbles):
        nibble = (get64(register, q >> 4) >> uint64(60 - 4 * (q & 15))) & uint64(15)
        put64(offsets, q, uint64((q * 16 + int64(nibble)) * 64))
    at = table
    for block in range(0, words & ~7, 8):
        sum_of_rows(at, offsets, nibbles, out + 8 * block, 8)
        at += 16 * nibbles * 64
    if words & 4:
        sum_of_rows(at, offsets, nibbles, out + 8 * (words & ~7), 4)
    elif words & 2:
        sum_of_rows(at, offsets, nibbles, out + 8 * (words & ~7), 2)


@njit(cache=True, nogil=True, error_model="numpy")
def syndrome_logarithms(values: int, t: int, binary: bool, log: int, order: int, out: int) -> None:
    """Logarithms of S_1 .. S_2t (narrow sense: the even ones by squaring) or of the 2t given syndromes."""
    if not binary:
        for j in range(2 * t):
            put32(out, j + 1, get32(log, get16(values, j)))
        return
    for i in range(t):
        put32(out, 2 * i + 1, get32(log, get16(values, i)))
    for i in range(1, t + 1):
        half = get32(out, i)
        if half < 2 * order:
            half = 2 * half - (order if 2 * half >= order else 0)
        put32(out, 2 * i, half)


@njit(cache=True, nogil=True, error_model="numpy")
def find_locator(
    syndrome_logs: int,
    t: int,
    binary: bool,
    patience: int,
    exp: int,
    log: int,
    order: int,
    locator: int,
    logs: int,
) -> tuple[int, int]:
    """Berlekamp-Massey: locator 1 + l_1 z + ... with roots at the inverse error locators.

    Berlekamp, Algebraic Coding Theory, chapter 7; Lin and Costello, 6.2. With `binary` every second discrepancy
    is zero by the squares among the syndromes and is left out. The search ends early after `patience` zero
    discrepancies; one is zero by chance once in 2^m. Scratch: `locator`, uint16[t + 2], and `logs`, uint32[3,
    t + 2], logarithms of the locator, of an older one, and room for the next.

    Returns:
        Degree and address of the logarithms. A degree above t means too many errors.
    """
    width = t + 2
    current, older, spare = logs, logs + 4 * width, logs + 8 * width
    for i in range(width):
        put16(locator, i, 0)
        put32(current, i, 2 * order)
        put32(older, i, 2 * order)
        put32(spare, i, 2 * order)
    put16(locator, 0, 1)
    put32(current, 0, 0)
    put32(older, 0, 0)
    degree = 0
    older_log = 0  # logarithm of the discrepancy at that time
    shift = 1
    step = 2 if binary else 1
    idle = 0
    n = 0
    while n < 2 * t and idle < patience:
        discrepancy = get16(exp, get32(syndrome_logs, n + 1))
        for i in range(1, degree + 1):
            discrepancy ^= get16(exp, get32(current, i) + get32(syndrome_logs, n + 1 - i))
        if discrepancy == 0:
            idle += 1
            n += step
            shift += step
            continue
        idle = 0
        this_log = get32(log, discrepancy)
        factor = this_log - older_log
        factor += order & (factor >> 63)
        longer = 2 * degree <= n
        target = current
        if longer:
            degree = n + 1 - degree
            if degree > t:
                return degree, current
            target = spare
            for i in range(shift):
                put32(spare, i, get32(current, i))
        for i in range(shift, degree + 1):  # beyond its degree the older one holds zeros
            value = get16(locator, i) ^ get16(exp, factor + get32(older, i - shift))
            put16(locator, i, value)
            put32(target, i, get32(log, value))
        if longer:
            current, older, spare = spare, current, older
            older_log = this_log
            shift = 0
        n += step
        shift += step
    return degree, current


@njit(cache=True, nogil=True, error_model="numpy")
def explains(register: int, size: int, positions: int, degree: int, powers: int, overflows: int, total: int) -> bool:
    """Whether errors at these positions leave this remainder: the proof that correcting them ends in a codeword.

    Adds up x^p modulo the generator for each position p: x^(8 i), which is tabulated, times x^s. `total` is scratch,
    uint64[size].
    """
    for i in range(size):
        put64(total, i, get64(register, i))
    for k in range(degree):
        p = get32(positions, k)
        shift = uint64(p & 7)
        power = powers + 8 * (size + 1) * (p >> 3)
        pushed_out = get64(power, 0) >> uint64(1) >> (uint64(63) - shift)
        overflow = overflows + 8 * size * int(pushed_out)
        for i in range(size):
            moved = (get64(power, i) << shift) | (get64(power, i + 1) >> uint64(1) >> (uint64(63) - shift))
            put64(total, i, get64(total, i) ^ moved ^ get64(overflow, i))
    different = uint64(0)
    for i in range(size):
        different |= get64(total, i)
    return bool(different == 0)


@njit(cache=True, nogil=True, error_model="numpy")
def decode(
    registers: NDArray[uint64],
    words: NDArray[uint8],
    bits: int,
    t: int,
    binary: bool,
    exp: NDArray[uint16],
    log: NDArray[uint32],
    squares: NDArray[uint16],
    cubes: NDArray[uint16],
    syndrome_table: NDArray[uint64],
    powers: NDArray[uint64],
    overflows: NDArray[uint64],
    rotations: NDArray[uint32],
    constants: NDArray[uint64],
    sieve_table: NDArray[uint64],
    errors: NDArray[int16],
) -> None:
    """Correct in place the rows of `words` (uint8[words, bytes]) whose remainder `registers` is not zero.

    `bits` counts message and parity. `errors` (int16[words]) receives the number of corrected bits, -1 for a word
    that cannot be decoded, which stays as it is. The tables are those of `deadstick.codes.tables`.
    """
    order = log.size - 1
    size = registers.shape[1]
    nibbles = syndrome_table.shape[0] // 16
    stride = syndrome_table.shape[1]
    offsets = np.empty(nibbles, int64)
    total = np.empty(size, uint64)
    values = np.empty(stride, uint64)
    syndrome_logs = np.empty(2 * t + 1, uint32)
    locator = np.empty(t + 2, uint16)
    logs = np.empty((3, t + 2), uint32)
    coefficients = np.empty(t + 5, uint16)
    element_logs = np.empty((t + 1) * SIEVE_ROWS, uint32)
    elements = np.empty((t + 1) * SIEVE_ROWS, uint16)
    moves = np.empty(t + 1, uint32)
    nonzero = np.empty(8, uint64)
    positions = np.empty(t + 5, uint32)
    at_exp, at_log, at_positions = exp.ctypes.data, log.ctypes.data, positions.ctypes.data
    for row in range(words.shape[0]):
        register = registers.ctypes.data + 8 * size * row
        dirty = uint64(0)
        for i in range(size):
            dirty |= registers[row, i]
        errors[row] = 0
        if not dirty:
            continue
        errors[row] = -1
        syndromes(register, nibbles, syndrome_table.ctypes.data, stride, offsets.ctypes.data, values.ctypes.data)
        syndrome_logarithms(values.ctypes.data, t, binary, at_log, order, syndrome_logs.ctypes.data)
        # First in the belief that a short locator is the whole one, then without it.
        for patience in (PATIENCE, 2 * t):
            degree, at_logs = find_locator(
                syndrome_logs.ctypes.data,
                t,
                binary,
                patience,
                at_exp,
                at_log,
                order,
                locator.ctypes.data,
                logs.ctypes.data,
            )
            if (
                0 < degree <= t
                and get32(at_logs, degree) < order
                and find_positions(
                    at_logs,
                    degree,
                    bits,
                    order,
                    at_exp,
                    at_log,
                    squares.ctypes.data,
                    cubes.ctypes.data,
                    rotations.ctypes.data,
                    constants.ctypes.data,
                    sieve_table.ctypes.data,
                    coefficients.ctypes.data,
                    element_logs.ctypes.data,
                    elements.ctypes.data,
                    moves.ctypes.data,
                    nonzero.ctypes.data,
                    at_positions,
                )
                and explains(
                    register, size, at_positions, degree, powers.ctypes.data, overflows.ctypes.data, total.ctypes.data
                )
            ):
                for i in range(degree):
                    bit = bits - 1 - int64(positions[i])
                    words[row, bit >> 3] ^= uint8(128 >> (bit & 7))
                errors[row] = degree
                break
