"""Numba kernels of the chip as read. Arrays in, arrays out; checks are the callers' duty."""

from numba import njit
from numpy import int16, int32, int64, uint8, uint32, uint64
from numpy.typing import NDArray

WINDOW_BYTES = 32
"""Bytes over which clustered zero bits are looked for; a constant, so that the loop becomes vector code."""


@njit(cache=True, nogil=True)
def erased_pages(
    pages: NDArray[uint8],
    zero_bits: NDArray[uint8],
    page_limit: int,
    window_limit: int,
    erased: NDArray[uint8],
) -> None:
    """Mark the pages with few zero bits, in all and in every window of `WINDOW_BYTES`.

    Args:
        pages: `uint8[pages, page_bytes]`, rows contiguous.
        zero_bits: `uint8[256]`, the number of zero bits of each byte value.
        page_limit: Most zero bits of an erased page.
        window_limit: Most zero bits in one window of an erased page.
        erased: `uint8[pages]`, receives 1 for erased, 0 for programmed.
    """
    count, page_bytes = pages.shape
    whole = page_bytes - page_bytes % WINDOW_BYTES
    for page in range(count):
        total = 0
        fits = True
        start = 0
        while fits and start < page_bytes:
            inside = 0
            if start < whole:
                # Nearly every window of an erased page is all ones: one vector AND settles it.
                ones = uint8(255)
                for offset in range(WINDOW_BYTES):
                    ones &= pages[page, start + offset]
                if ones != 255:
                    for offset in range(WINDOW_BYTES):
                        inside += zero_bits[pages[page, start + offset]]
            else:
                for column in range(start, page_bytes):
                    inside += zero_bits[pages[page, column]]
            total += inside
            fits = inside <= window_limit and total <= page_limit
            start += WINDOW_BYTES
        erased[page] = 1 if fits else 0


@njit(cache=True, nogil=True)
def column_histogram(pages: NDArray[uint8], chosen: NDArray[uint8], counts: NDArray[uint32]) -> None:
    """Add each byte of the chosen pages to the histogram of its column.

    Args:
        pages: `uint8[pages, page_bytes]`.
        chosen: `uint8[pages]`, not 0 for the pages to count.
        counts: `uint32[page_bytes, 256]`, added to.
    """
    count, page_bytes = pages.shape
    for page in range(count):
        if chosen[page]:
            for column in range(page_bytes):
                counts[column, pages[page, column]] += uint32(1)


LANES = 0x0101010101010101
"""The lowest bit of each byte of a word: one data line of eight bytes."""
GRAM_BYTES = 16
"""Bytes of a gram, which `find_grams` looks for; a constant, so that it stays in two registers."""


@njit(cache=True, nogil=True)
def line_figures(words: NDArray[uint64], words_per_unit: int, ones: NDArray[uint32], unequal: NDArray[uint8]) -> None:
    """Count the ones of every data line, and see which lines ever differ from each other, unit by unit.

    Args:
        words: `uint64[words]`, the bytes of a read; a last unit may be short.
        words_per_unit: eight bytes each.
        ones: `uint32[units, 8]`, receives the ones of each line; line b is bit b of every byte.
        unequal: `uint8[units, 4]`, receives in bit b of row k - 1 whether line b ever differs from line b + k (mod 8).
    """
    lanes = uint64(LANES)
    for unit in range(ones.shape[0]):
        first = unit * words_per_unit
        last = min(first + words_per_unit, words.size)
        for line in range(8):
            total = uint64(0)
            start = first
            while start < last:
                stop = min(start + 255, last)
                # Eight counters of eight bits, one for each byte of a word: they hold 255.
                counters = uint64(0)
                for i in range(start, stop):
                    counters += (words[i] >> uint64(line)) & lanes
                for byte in range(8):
                    total += (counters >> uint64(8 * byte)) & uint64(255)
                start = stop
            ones[unit, line] = uint32(total)
        for k in range(1, 5):
            high = lanes * uint64((255 >> k) & 255)
            different = uint64(0)
            for i in range(first, last):
                word = words[i]
                turned = ((word >> uint64(k)) & high) | ((word << uint64(8 - k)) & ~high)
                different |= word ^ turned
            folded = uint64(0)
            for byte in range(8):
                folded |= (different >> uint64(8 * byte)) & uint64(255)
            unequal[unit, k - 1] = uint8(folded)


@njit(cache=True, nogil=True)
def compare_reads(
    stack: NDArray[uint64], present: NDArray[uint8], words_per_unit: int, different: NDArray[uint32]
) -> None:
    """Count on every data line in how many bits each read differs from the bitwise majority of the reads.

    A tie goes to the first read that is there.

    Args:
        stack: `uint64[reads, words]`, at most 15 reads, the same place of the chip in each column.
        present: `uint8[reads, units]`, not 0 where the read covers the unit.
        words_per_unit: eight bytes each; a last unit may be short.
        different: `uint32[reads, units, 8]`, receives the counts; 0 where a read is not there.
    """
    reads = stack.shape[0]
    lanes = uint64(LANES)
    for unit in range(present.shape[1]):
        there = 0
        leader = 0
        for read in range(reads - 1, -1, -1):
            if present[read, unit]:
                there += 1
                leader = read
            for line in range(8):
                different[read, unit, line] = 0
        if there < 2:
            continue
        last = min((unit + 1) * words_per_unit, stack.shape[1])
        for i in range(unit * words_per_unit, last):
            same = True
            for read in range(leader + 1, reads):
                same &= (present[read, unit] == 0) | (stack[read, i] == stack[leader, i])
            if same:
                continue
            # The counts of 64 bit positions at once, as four bit planes.
            c0, c1, c2, c3 = uint64(0), uint64(0), uint64(0), uint64(0)
            for read in range(leader, reads):
                if present[read, unit]:
                    carry = stack[read, i]
                    c0, carry = c0 ^ carry, c0 & carry
                    c1, carry = c1 ^ carry, c1 & carry
                    c2, carry = c2 ^ carry, c2 & carry
                    c3 ^= carry
            half = there // 2
            more, equal = uint64(0), ~uint64(0)
            for plane in (3, 2, 1, 0):
                bits = c3 if plane == 3 else c2 if plane == 2 else c1 if plane == 1 else c0
                if (half >> plane) & 1:
                    equal &= bits
                else:
                    more |= equal & bits
                    equal &= ~bits
            majority = more
            if there % 2 == 0:
                majority |= equal & stack[leader, i]
            for read in range(leader, reads):
                if present[read, unit]:
                    odd = stack[read, i] ^ majority
                    if odd:
                        for line in range(8):
                            count = (((odd >> uint64(line)) & lanes) * lanes) >> uint64(56)
                            different[read, unit, line] += uint32(count)


@njit(cache=True, nogil=True)
def vote(
    stack: NDArray[uint8], lines: NDArray[uint8], unit_bytes: int, weights: NDArray[int32], voted: NDArray[uint8]
) -> None:
    """The likeliest value of every bit.

    A tie goes to the first read whose line counts; where none counts, to the first read of all.

    Args:
        stack: `uint8[reads, bytes]`, the same place of the chip in each column.
        lines: `uint8[reads, units]`, the data lines of each read that count, as a mask.
        unit_bytes: of a unit; a last one may be short.
        weights: `int32[reads]`, log-likelihood ratio of a bit of the read, in any unit, above 0.
        voted: `uint8[bytes]`, receives the votes.
    """
    reads = stack.shape[0]
    for unit in range(lines.shape[1]):
        whole = True
        for read in range(reads):
            whole &= lines[read, unit] == 255
        last = min((unit + 1) * unit_bytes, stack.shape[1])
        for i in range(unit * unit_bytes, last):
            same = whole
            for read in range(1, reads):
                same &= stack[read, i] == stack[0, i]
            if same:
                voted[i] = stack[0, i]
                continue
            value = 0
            for line in range(8):
                score, leader = 0, 0
                for read in range(reads - 1, -1, -1):
                    if (lines[read, unit] >> line) & 1:
                        leader = read
                        score += weights[read] if (stack[read, i] >> line) & 1 else -weights[read]
                if score == 0:
                    score = 2 * int((stack[leader, i] >> line) & 1) - 1
                if score > 0:
                    value |= 1 << line
            voted[i] = uint8(value)


@njit(cache=True, nogil=True)
def likelihoods(reads: NDArray[uint8], counts: NDArray[uint8], weights: NDArray[int32], out: NDArray[int16]) -> None:
    """Log-likelihood ratio of every bit, in the unit of the weights; positive where it is rather a 1.

    Args:
        reads: `uint8[reads, rows, bytes]`.
        counts: `uint8[reads, rows, bytes]`, a 1 for every bit that counts.
        weights: `int32[reads]`.
        out: `int16[rows, 8 * bytes]`, most significant bit of each byte first.
    """
    for row in range(reads.shape[1]):
        for i in range(reads.shape[2]):
            for bit in range(8):
                score = 0
                for read in range(reads.shape[0]):
                    if (counts[read, row, i] >> (7 - bit)) & 1:
                        score += weights[read] if (reads[read, row, i] >> (7 - bit)) & 1 else -weights[read]
                out[row, 8 * i + bit] = int16(score)


@njit(cache=True, nogil=True)
def _mixed(low: uint64, high: uint64) -> uint64:
    """One number for 16 bytes: multiply, turn, multiply."""
    value = low * uint64(0x9E3779B97F4A7C15)
    value = (value ^ (value >> uint64(29))) + high
    value *= uint64(0xBF58476D1CE4E5B9)
    return value ^ (value >> uint64(32))


@njit(cache=True, nogil=True)
def grams_at(data: NDArray[uint8], places: NDArray[int64], mask: uint8, out: NDArray[uint64]) -> None:
    """The gram at each place: a number for the `GRAM_BYTES` bytes from there on, of which `mask` is kept.

    Args:
        data: `uint8[bytes]`.
        places: `int64[places]`, at most `bytes - GRAM_BYTES`.
        mask: bits of every byte that count.
        out: `uint64[places]`.
    """
    for k in range(places.size):
        low, high = uint64(0), uint64(0)
        for i in range(8):
            low |= uint64(data[places[k] + i] & mask) << uint64(8 * i)
            high |= uint64(data[places[k] + 8 + i] & mask) << uint64(8 * i)
        out[k] = _mixed(low, high)


@njit(cache=True, nogil=True)
def find_grams(
    data: NDArray[uint8],
    keys: NDArray[uint64],
    mask: uint8,
    sieve: NDArray[uint8],
    found: NDArray[int64],
) -> int:
    """Find every place where one of the grams stands.

    Args:
        data: `uint8[bytes]`, the read to look through, at every byte.
        keys: `uint64[keys]`, ascending, from `grams_at`.
        mask: as there.
        sieve: `uint8[2 ** 20]`, not 0 at the low 20 bits of each key.
        found: `int64[most, 2]`, receives the key's number and the place.

    Returns:
        How many were found; the search ends when `found` is full.
    """
    count = 0
    low, high = uint64(0), uint64(0)
    for i in range(data.size):
        low = (low >> uint64(8)) | (high << uint64(56))
        high = (high >> uint64(8)) | (uint64(data[i] & mask) << uint64(56))
        if i < GRAM_BYTES - 1:
            continue
        gram = _mixed(low, high)
        if sieve[gram & uint64(1048575)] == 0:
            continue
        first, last = 0, keys.size
        while first < last:
            middle = (first + last) // 2
            if keys[middle] < gram:
                first = middle + 1
            else:
                last = middle
        if first < keys.size and keys[first] == gram:
            if count == found.shape[0]:
                return count
            found[count, 0] = first
            found[count, 1] = i - (GRAM_BYTES - 1)
            count += 1
    return count
