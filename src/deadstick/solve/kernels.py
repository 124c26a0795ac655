"""Kernels of the solver. Each has a readable twin in the tests."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

_REVERSED = np.array([int(f"{value:08b}"[::-1], 2) for value in range(256)], np.uint8)


@njit(cache=True, nogil=True)
def field_tables(polynomial: int, m: int, exp: NDArray[np.uint16], log: NDArray[np.uint16]) -> None:
    """Fill exp: uint16[2 * (2^m - 1)] and log: uint16[2^m] of GF(2^m); log[0] is left as it was."""
    order = (1 << m) - 1
    element = 1
    for power in range(order):
        exp[power] = element
        exp[power + order] = element
        log[element] = power
        element <<= 1
        if element >> m:
            element ^= polynomial


@njit(cache=True, nogil=True)
def prefix_sums(
    rows: NDArray[np.uint8],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    byte_log: NDArray[np.int32],
    out: NDArray[np.uint16],
) -> None:
    """Prefix sums of bits times falling powers of alpha.

    out[r, i] becomes the sum over the bits in the first i bytes of row r (most significant first, bit number p)
    of bit * alpha^-p. rows: uint8[rows, columns]; byte_log: int32[256] scratch; out: uint16[rows, columns + 1].
    """
    order = (1 << m) - 1
    byte_log[0] = -1
    for value in range(1, 256):
        total = 0
        for bit in range(8):
            if value >> (7 - bit) & 1:
                total ^= exp[(order - bit) % order]
        byte_log[value] = log[total] if total else -1
    step = 8 % order
    for row in range(rows.shape[0]):
        total = 0
        power = 0
        out[row, 0] = 0
        for column in range(rows.shape[1]):
            logarithm = byte_log[rows[row, column]]
            if logarithm >= 0:
                total ^= exp[logarithm + power]
            out[row, column + 1] = total
            power -= step
            if power < 0:
                power += order


@njit(cache=True, nogil=True)
def tail_hits(
    prefix: NDArray[np.uint16],
    m: int,
    exp: NDArray[np.uint16],
    log: NDArray[np.uint16],
    begin: int,
    message: int,
    tails: NDArray[np.int64],
    shortest: int,
    longest: int,
    hits: NDArray[np.uint16],
) -> None:
    """Count for which tails a message and its tail together have the root alpha.

    The message is columns [begin, begin + message), and the tail columns [c, d), as if they followed each other; some
    columns [e, e + n) may stand between the two, such as metadata that lie apart from the parity. hits[i, j] is how
    many rows have the root with (c, e, n) = tails[i], d = c + shortest + j. Rows whose message sums to zero say
    nothing and are passed over. prefix: see `prefix_sums`; tails: int64[tails, 3];
    hits: uint16[tails, longest - shortest + 1].
    """
    order = (1 << m) - 1
    columns = prefix.shape[1] - 1
    hits[:] = 0
    for row in range(prefix.shape[0]):
        value = prefix[row, begin + message] ^ prefix[row, begin]
        if value == 0:
            continue
        for index in range(tails.shape[0]):
            first = tails[index, 0]
            between = tails[index, 1]
            length = tails[index, 2]
            total = value
            if length:
                middle = prefix[row, between + length] ^ prefix[row, between]
                if middle:
                    total ^= exp[log[middle] + (8 * (between - begin - message)) % order]
                if total == 0:
                    continue
            shift = (8 * (first - begin - message - length)) % order
            target = prefix[row, first] ^ exp[log[total] + order - shift]
            last = min(longest, columns - first)
            for size in range(shortest, last + 1):
                if prefix[row, first + size] == target:
                    hits[index, size - shortest] += 1


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


@njit(cache=True, nogil=True)
def equal_pairs(sectors: NDArray[np.uint8], pairs: NDArray[np.int64]) -> None:
    """Pairs of equal bytes in each sector.

    Args:
        sectors: `uint8[sectors, bytes]`.
        pairs: `int64[sectors]`, written.
    """
    counts = np.zeros(256, np.int64)
    for row in range(sectors.shape[0]):
        counts[:] = 0
        found = 0
        for column in range(sectors.shape[1]):
            value = sectors[row, column]
            found += counts[value]
            counts[value] += 1
        pairs[row] = found
