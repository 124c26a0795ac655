"""Kernels for shift registers: where their output shows in a dump, and their states so many bytes earlier."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

_REVERSED = np.array([int(f"{value:08b}"[::-1], 2) for value in range(256)], np.uint8)


@njit(cache=True, nogil=True)
def _eight_bits(data: NDArray[np.uint8], bit: int, lsb: bool) -> int:
    """Eight bits of the stream from bit number `bit` on, the first one lowest; bits past the end are 0."""
    byte = bit >> 3
    offset = bit & 7
    low = int(data[byte])
    high = int(data[byte + 1]) if byte + 1 < data.shape[0] else 0
    if not lsb:
        low = _REVERSED[low]
        high = _REVERSED[high]
    return ((low | high << 8) >> offset) & 0xFF


@njit(cache=True, nogil=True)
def constant_runs(
    data: NDArray[np.uint8],
    taps: NDArray[np.int64],
    need: int,
    lsb: bool,
    positions: NDArray[np.int64],
    states: NDArray[np.uint64],
    ones: NDArray[np.bool_],
) -> int:
    """Find where a recurrence holds for a whole run of bytes.

    The sum of the bits at the taps is 0 wherever data is the register's output and 1 wherever it is the complement
    (an irreducible polynomial has an odd number of terms). A run of `need` bytes counts, less the register's width,
    which the recurrence looks ahead. One hit is written per 32 bytes of a run, at its first byte.

    Returns:
        How many hits were written: positions int64[], states uint64[] (bit i is the i-th output), ones bool[].
    """
    width = taps[-1]
    short = (np.uint64(1) << np.uint64(max(width - 2, 0))) - np.uint64(1)
    ahead = (width + 7) >> 3
    run = need - ahead
    found = 0
    length = 0
    kind = 2
    begin = 0
    last = data.shape[0] - ahead - 1
    for byte in range(last):
        total = 0
        for index in range(taps.shape[0]):
            total ^= _eight_bits(data, 8 * byte + taps[index], lsb)
        now = 0 if total == 0 else (1 if total == 0xFF else 2)
        if now == 2 or now != kind or byte - begin >= 32:
            length = 0
            begin = byte
            kind = now
        if now == 2:
            continue
        length += 1
        if length == run and found < positions.shape[0]:
            state = np.uint64(0)
            for i in range(8):
                piece = _eight_bits(data, 8 * begin + 8 * i, lsb) if begin + i < data.shape[0] else 0
                state |= np.uint64(piece) << np.uint64(8 * i)
            if now == 1:
                state = ~state
            if width < 64:
                state &= (np.uint64(1) << np.uint64(width)) - np.uint64(1)
            if state == 0:  # plain 0x00 or 0xFF: obeys every recurrence, says nothing
                continue
            # An even number of terms, x + 1 divides the polynomial: then plain bits of period one or two may obey it.
            if taps.shape[0] % 2 == 0 and (state ^ (state >> np.uint64(2))) & short == 0:
                continue
            positions[found] = begin
            states[found] = state
            ones[found] = now == 1
            found += 1
    return found


@njit(cache=True, nogil=True)
def _image(matrix: NDArray[np.uint64], vector: np.uint64, width: int) -> np.uint64:
    result = np.uint64(0)
    for bit in range(width):
        if vector >> np.uint64(bit) & np.uint64(1):
            result ^= matrix[bit]
    return result


@njit(cache=True, nogil=True)
def rewind(
    states: NDArray[np.uint64],
    bytes_back: NDArray[np.int64],
    polynomial_low: np.uint64,
    width: int,
    powers: NDArray[np.uint64],
) -> None:
    """Run a register backwards, in place: states uint64[n] go back 8 * int64[n] bits, each less than 2^20 bytes.

    polynomial_low: the characteristic polynomial without its highest term; its constant term must be 1.
    powers: uint64[20, width] scratch; row k becomes the linear map of 2^k bytes back, as images of the basis.
    """
    taps = np.uint64(polynomial_low) & ~np.uint64(1)
    top = np.uint64(1) << np.uint64(width - 1)
    full = (top - np.uint64(1)) | top
    one = np.uint64(1)
    for bit in range(width):
        state = one << np.uint64(bit)
        for _ in range(8):
            # s[n] = s[n + w] + sum over i >= 1 of c_i s[n + i]; s[n + w] is the newest bit.
            newest = state >> np.uint64(width - 1) & one
            older = (state << one) & full
            bits = older & taps
            bits ^= bits >> np.uint64(32)
            bits ^= bits >> np.uint64(16)
            bits ^= bits >> np.uint64(8)
            bits ^= bits >> np.uint64(4)
            bits ^= bits >> np.uint64(2)
            bits ^= bits >> one
            state = older | (newest ^ (bits & one))
        powers[0, bit] = state
    for power in range(1, powers.shape[0]):
        for bit in range(width):
            powers[power, bit] = _image(powers[power - 1], powers[power - 1, bit], width)
    for index in range(states.shape[0]):
        left = bytes_back[index]
        power = 0
        while left:
            if left & 1:
                states[index] = _image(powers[power], states[index], width)
            left >>= 1
            power += 1
