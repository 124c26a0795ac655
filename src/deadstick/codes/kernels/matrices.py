"""The BCH decoder behind the syndromes where the CPU multiplies by bit matrices (see `deadstick.codes.affine`).

Same steps as in `kernels.decode` and `kernels.roots`, 64 coefficients or 512 positions at a time. `decode` takes
arrays; what it calls takes their addresses.
"""

import numpy as np
from numba import njit
from numpy import int16, int64, uint8, uint16, uint32, uint64
from numpy.typing import NDArray

from deadstick.codes.affine import affine, combine, nonzero_values, scale_lanes, sum_of_products
from deadstick.codes.carryless import get8, get16, get32, get64, put8, put16, put32, put64, trailing_zeros
from deadstick.codes.kernels.decode import explains, syndrome_logarithms, syndromes
from deadstick.codes.kernels.roots import last_positions

MARGIN = 256
"""Zero bytes in front of each plane of a register, more than a shift by 2 t."""

BLOCKS = 3
"""Blocks of 512 positions that the sieve takes before it looks at its candidates: they need not wait for each other."""


@njit(cache=True, nogil=True, error_model="numpy")
def all_zero(address: int, size: int) -> bool:
    """Whether `size` bytes are zero; up to seven behind them may be read, but do not count."""
    bits = uint64(0)
    whole = size & ~7
    for i in range(0, whole, 8):
        bits |= get64(address + i, 0)
    if size > whole:
        bits |= get64(address + whole, 0) << uint64(64 - 8 * (size - whole))
    return bool(bits == 0)


@njit(cache=True, nogil=True, error_model="numpy")
def find_locator(
    syndrome_logs: int, t: int, binary: bool, exp: int, multipliers: int, space: int, plane: int
) -> tuple[int, int]:
    """Berlekamp-Massey on whole polynomials: the locator's degree and its address (low bytes; + plane: high ones).

    `space` has three registers of two planes each, MARGIN bytes of zeros before what is used. A register holds
    C(z) in its first t + 1 places and C(z) S(z) mod z^2t in the next 2t, so that the discrepancies stand there ready:
    both change by the same multiple of the older register, and when the rest is zero the search is over. That the
    shifted C of the older register stays within its places is what Massey proves of its length. Nothing is divided:
    the locator comes out times a constant.
    """
    chunks = (3 * t + 64) // 64
    current, spare, third = space + MARGIN, space + MARGIN + 2 * plane, space + MARGIN + 4 * plane
    older = current  # until the first discrepancy
    first = t + 1
    for i in range(0, first, 8):
        put64(current + i, 0, uint64(0))
        put64(current + plane + i, 0, uint64(0))
    put8(current, 0, 1)
    for n in range(2 * t):
        value = get16(exp, get32(syndrome_logs, n + 1))
        put8(current, first + n, value)
        put8(current + plane, first + n, value >> 8)
    degree = 0
    older_discrepancy = 1
    shift = 1
    step = 2 if binary else 1
    n = 0
    while n < 2 * t:
        discrepancy = get8(current, first + n) | get8(current + plane, first + n) << 8
        n += step
        if discrepancy == 0:
            rest = current + first + n - step
            if all_zero(rest, 2 * t + step - n) and all_zero(rest + plane, 2 * t + step - n):
                break
            shift += step
            continue
        longer = 2 * degree <= n - step
        new_degree = n - step + 1 - degree if longer else degree
        if new_degree > t:
            return new_degree, current
        combine(spare, older_discrepancy, current, discrepancy, older - shift, plane, chunks, multipliers)
        if longer:
            current, older, spare = spare, current, third if older == current else older
            older_discrepancy = discrepancy
            shift = step
        else:
            current, spare = spare, current
            shift += step
        degree = new_degree
    return degree, current


@njit(cache=True, nogil=True, error_model="numpy")
def normalize(
    locator: int, plane: int, degree: int, exp: int, log: int, order: int, coefficients: int, logs: int
) -> None:
    """Divide the locator by its constant term: coefficients (uint16) and their logarithms (uint32)."""
    unit = get32(log, get8(locator, 0) | get8(locator + plane, 0) << 8)
    for i in range(degree + 1):
        value = get8(locator, i) | get8(locator + plane, i) << 8
        divided = get32(log, value) - unit
        divided += order & (divided >> 63)
        divided = 2 * order if value == 0 else divided
        put16(coefficients, i, get16(exp, divided))
        put32(logs, i, divided)


@njit(cache=True, nogil=True, error_model="numpy")
def functionals(
    logs: int, degree: int, order: int, exp: int, multipliers: int, conjugates: int, out: int, lanes: int
) -> None:
    """As `roots.functionals`, for 16: uint64[4, lanes], low and high bytes of the first eight, then of the others."""
    for index in range((degree + 15) // 16 * 8):
        a = b = c = d = uint64(0)
        e = 2 * index + 1
        j = 0
        while e <= degree:
            rooted = get32(logs, e)
            if rooted < order:
                for _ in range(j):
                    rooted = (rooted + (order if rooted & 1 else 0)) >> 1
                value = get16(exp, rooted)
                low, high = multipliers + 32 * (value & 255), multipliers + 32 * (256 + (value >> 8))
                a_low, b_low = get64(conjugates, 4 * j), get64(conjugates, 4 * j + 1)
                a_high, b_high = get64(conjugates, 4 * j + 2), get64(conjugates, 4 * j + 3)
                m = get64(low, 0) ^ get64(high, 0)
                a ^= affine(a_low, m)
                c ^= affine(b_low, m)
                m = get64(low, 1) ^ get64(high, 1)
                a ^= affine(a_high, m)
                c ^= affine(b_high, m)
                m = get64(low, 2) ^ get64(high, 2)
                b ^= affine(a_low, m)
                d ^= affine(b_low, m)
                m = get64(low, 3) ^ get64(high, 3)
                b ^= affine(a_high, m)
                d ^= affine(b_high, m)
            e *= 2
            j += 1
        put64(out, index, a)
        put64(out, lanes + index, b)
        put64(out, 2 * lanes + index, c)
        put64(out, 3 * lanes + index, d)


@njit(cache=True, nogil=True, error_model="numpy")
def sieve(
    degree: int,
    wanted: int,
    length: int,
    bits: int,
    bits_by_place: int,
    moves: int,
    constants: int,
    elements: int,
    lanes: int,
    nonzero: int,
    positions: int,
) -> int:
    """The first `wanted` positions p < length where the locator vanishes at alpha^-p; returns how many there are.

    `elements` comes from `functionals`. Eight functionals are taken at 512 positions at once, the others where
    those vanish; together they contain a basis of the functionals, so that a root is where all vanish.
    """
    found = 0
    count = (degree + 1) // 2
    chunks = (count + 7) // 8
    plane = 8 * lanes
    second = elements + 2 * plane
    start, start_of_others = get64(constants, 0), get64(constants, 1)
    for first in range(0, length, 512 * BLOCKS):
        if first:
            scale_lanes(second, second + plane, moves + 4 * plane, plane, chunks)
        words = 0  # those with a candidate, one bit each: branches here would mostly be guessed wrong
        for block in range(BLOCKS):
            if first + block:
                scale_lanes(elements, elements + plane, moves, plane, chunks)
            nonzero_values(bits, elements, elements + plane, count, start, nonzero + 64 * block)
            for word in range(8 * block, 8 * block + 8):
                words |= int(get64(nonzero, word) != ~uint64(0)) << word
        while words:
            word = trailing_zeros(uint64(words))
            words &= words - 1
            candidates = ~get64(nonzero, word)
            while candidates:
                place = word * 64 + trailing_zeros(candidates)
                candidates &= candidates - uint64(1)
                here = bits_by_place + (place >> 3) * 2 * plane
                others = start_of_others ^ sum_of_products(second, second + plane, here, plane, chunks)
                put32(positions, found, first + place)
                values = (others >> uint64(place & 7)) & uint64(0x0101010101010101)
                found += int(values == 0) & int(first + place < length)
                if found == wanted:
                    return found
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def find_positions(
    logs: int,
    degree: int,
    length: int,
    order: int,
    exp: int,
    log: int,
    squares: int,
    cubes: int,
    multipliers: int,
    moves: int,
    bits: int,
    bits_by_place: int,
    conjugates: int,
    constants: int,
    coefficients: int,
    elements: int,
    lanes: int,
    nonzero: int,
    positions: int,
) -> bool:
    """As `roots.find_positions`; `coefficients` holds the locator's."""
    wanted = max(degree - 4, 0)
    if wanted:
        functionals(logs, degree, order, exp, multipliers, conjugates, elements, lanes)
        found = sieve(
            degree, wanted, length, bits, bits_by_place, moves, constants, elements, lanes, nonzero, positions
        )
        if found < wanted:
            return False
    return last_positions(
        coefficients, degree, degree - wanted, length, exp, log, order, squares, cubes, nonzero, positions
    )


@njit(cache=True, nogil=True, error_model="numpy")
def decode(
    registers: NDArray[uint64],
    words: NDArray[uint8],
    length: int,
    t: int,
    binary: bool,
    exp: NDArray[uint16],
    log: NDArray[uint32],
    squares: NDArray[uint16],
    cubes: NDArray[uint16],
    syndrome_table: NDArray[uint64],
    powers: NDArray[uint64],
    overflows: NDArray[uint64],
    multipliers: NDArray[uint64],
    moves: NDArray[uint64],
    bits: NDArray[uint64],
    bits_by_place: NDArray[uint64],
    conjugates: NDArray[uint64],
    constants: NDArray[uint64],
    errors: NDArray[int16],
) -> None:
    """As `kernels.decode.decode`, `length` being the bits of message and parity; tables: `matrix_tables.Matrices`."""
    order = log.size - 1
    size = registers.shape[1]
    nibbles = syndrome_table.shape[0] // 16
    stride = syndrome_table.shape[1]
    lanes = moves.shape[2]
    plane = MARGIN + (3 * t + 64) // 64 * 64 + 64
    offsets = np.empty(nibbles, int64)
    total = np.empty(size, uint64)
    values = np.empty(stride, uint64)
    syndrome_logs = np.full(2 * t + 8, 2 * order, uint32)  # beyond 2 t: zero
    space = np.zeros(6 * plane, uint8)
    logs = np.empty(t + 2, uint32)
    coefficients = np.empty(t + 5, uint16)
    elements = np.empty(4 * lanes, uint64)
    nonzero = np.empty(8 * BLOCKS, uint64)
    positions = np.empty(t + 5, uint32)
    at_exp, at_log, at_logs, at_positions = exp.ctypes.data, log.ctypes.data, logs.ctypes.data, positions.ctypes.data
    for row in range(words.shape[0]):
        register = registers.ctypes.data + 8 * size * row
        errors[row] = 0
        if all_zero(register, 8 * size):
            continue
        errors[row] = -1
        syndromes(register, nibbles, syndrome_table.ctypes.data, stride, offsets.ctypes.data, values.ctypes.data)
        syndrome_logarithms(values.ctypes.data, t, binary, at_log, order, syndrome_logs.ctypes.data)
        degree, locator = find_locator(
            syndrome_logs.ctypes.data, t, binary, at_exp, multipliers.ctypes.data, space.ctypes.data, plane
        )
        if not 0 < degree <= t:
            continue
        normalize(locator, plane, degree, at_exp, at_log, order, coefficients.ctypes.data, at_logs)
        if logs[degree] >= order:
            continue
        if find_positions(
            at_logs,
            degree,
            length,
            order,
            at_exp,
            at_log,
            squares.ctypes.data,
            cubes.ctypes.data,
            multipliers.ctypes.data,
            moves.ctypes.data,
            bits.ctypes.data,
            bits_by_place.ctypes.data,
            conjugates.ctypes.data,
            constants.ctypes.data,
            coefficients.ctypes.data,
            elements.ctypes.data,
            lanes,
            nonzero.ctypes.data,
            at_positions,
        ) and explains(
            register, size, at_positions, degree, powers.ctypes.data, overflows.ctypes.data, total.ctypes.data
        ):
            for i in range(degree):
                bit = length - 1 - int64(positions[i])
                words[row, bit >> 3] ^= uint8(128 >> (bit & 7))
            errors[row] = degree
