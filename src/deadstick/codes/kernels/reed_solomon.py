"""Reed-Solomon codes over GF(2^m), m up to 16: symbols out of bytes, parity, decoding of errors and erasures.

Polynomials of the decoder stand with the constant term first; words with the highest power first, as they are stored.
`exp` and `log` are those of `codes.field.Field`: exp[log a + log b] is a product, log[0] means nothing. All are int64,
since Numba takes the difference of two unsigned numbers for a float.
"""

import numpy as np
from numba import njit
from numpy import bool_, int16, int64, uint8
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def unpack(rows: NDArray[uint8], first: int, bits: int, lead: int, m: int, out: NDArray[int64]) -> None:
    """Symbols of m bits, most significant bit first, from `bits` bits of each row behind `first` bytes.

    `lead` zero bits stand before the run and zero bits behind it fill the last symbol: int64[rows, symbols].
    """
    size = (bits + 7) >> 3
    mask = (1 << m) - 1
    for row in range(rows.shape[0]):
        data = rows[row, first : first + size]
        held, waiting, symbol = 0, lead, 0
        for i in range(size):
            held = (held << 8 | int(data[i])) & 0xFFFFFFFF
            waiting += 8
            if i == size - 1:  # bits behind the run do not count
                held >>= 8 * size - bits
                waiting -= 8 * size - bits
            while waiting >= m and symbol < out.shape[1]:
                waiting -= m
                out[row, symbol] = held >> waiting & mask
                symbol += 1
        if symbol < out.shape[1]:
            out[row, symbol] = held << (m - waiting) & mask


@njit(cache=True, nogil=True)
def flip(row: NDArray[uint8], first_bit: int, bits: int, lead: int, m: int, symbol: int, value: int) -> None:
    """Add a value to one symbol of a run of bits; bits of the symbol outside the run must be zero in the value."""
    for k in range(m):
        at = symbol * m + k - lead
        if 0 <= at < bits and value >> (m - 1 - k) & 1:
            place = first_bit + at
            row[place >> 3] ^= uint8(128 >> (place & 7))


@njit(cache=True, nogil=True)
def outside(bits: int, lead: int, m: int, symbol: int, value: int) -> bool:
    """Whether a value would change bits of a symbol that are not stored."""
    for k in range(m):
        at = symbol * m + k - lead
        if not 0 <= at < bits and value >> (m - 1 - k) & 1:
            return True
    return False


@njit(cache=True, nogil=True)
def remainders(
    symbols: NDArray[int64],
    gap: int,
    generator: NDArray[int64],
    exp: NDArray[int64],
    log: NDArray[int64],
    out: NDArray[int64],
) -> None:
    """message(x) x^(gap + r) modulo the generator: int64[words, symbols] -> int64[words, r], highest power first.

    `generator` holds the r coefficients behind its leading 1, highest power first; `out` is overwritten.
    """
    r = generator.shape[0]
    for row in range(symbols.shape[0]):
        register = out[row]
        register[:] = 0
        for i in range(symbols.shape[1] + gap):
            carry = register[0]
            if i < symbols.shape[1]:
                carry ^= symbols[row, i]
            for j in range(r - 1):
                register[j] = register[j + 1]
            register[r - 1] = 0
            if carry:
                by = int(log[carry])
                for j in range(r):
                    if generator[j]:
                        register[j] ^= exp[by + int(log[generator[j]])]


@njit(cache=True, nogil=True)
def syndromes(word: NDArray[int64], gap: int, times_root: NDArray[int64], out: NDArray[int64]) -> bool:
    """Values of a word at the roots, by Horner's rule; whether one of them is not zero.

    `times_root` is int64[roots, 2^m]: each field element times each root. `gap` zero symbols stand before the parity.
    """
    message = word.shape[0] - out.shape[0]
    out[:] = 0
    for i in range(word.shape[0] + gap):
        symbol = 0
        if i < message:
            symbol = int(word[i])
        elif i >= message + gap:
            symbol = int(word[i - gap])
        for j in range(out.shape[0]):  # independent of each other, unlike the steps of one root
            out[j] = times_root[j, out[j]] ^ symbol
    dirty = False
    for j in range(out.shape[0]):
        dirty |= out[j] != 0
    return dirty


@njit(cache=True, nogil=True)
def times(a: int, b: int, exp: NDArray[int64], log: NDArray[int64]) -> int:
    """Product of two field elements."""
    if a == 0 or b == 0:
        return 0
    return int(exp[int(log[a]) + int(log[b])])


@njit(cache=True, nogil=True)
def locator_of_erasures(
    erased: NDArray[int64], count: int, exp: NDArray[int64], log: NDArray[int64], locator: NDArray[int64]
) -> None:
    """The product of (1 + X z) over the erasures X, whose powers are in `erased[:count]`."""
    locator[:] = 0
    locator[0] = 1
    for k in range(count):
        for i in range(k + 1, 0, -1):
            locator[i] ^= times(int(locator[i - 1]), int(exp[erased[k]]), exp, log)


@njit(cache=True, nogil=True)
def locator_of(
    syndrome: NDArray[int64],
    erased: NDArray[int64],
    count: int,
    exp: NDArray[int64],
    log: NDArray[int64],
    locator: NDArray[int64],
    older: NDArray[int64],
    spare: NDArray[int64],
) -> int:
    """Berlekamp-Massey with erasures: the locator of errors and erasures; returns its formal degree.

    Blahut, Theory and Practice of Error Control Codes, section 9.1: the search starts with the locator of the
    erasures, whose powers are in `erased[:count]`. Without any it is that of Lin and Costello, section 7.4.
    """
    order = log.shape[0] - 1
    r = syndrome.shape[0]
    locator_of_erasures(erased, count, exp, log, locator)
    older[:] = locator
    length = count
    for n in range(count, r):
        discrepancy = 0
        for i in range(min(n, r) + 1):
            discrepancy ^= times(int(locator[i]), int(syndrome[n - i]), exp, log)
        for i in range(r, 0, -1):
            older[i] = older[i - 1]
        older[0] = 0
        if discrepancy == 0:
            continue
        if 2 * length <= n + count:
            spare[:] = locator
            for i in range(r + 1):
                locator[i] ^= times(discrepancy, int(older[i]), exp, log)
            inverse = int(exp[(order - int(log[discrepancy])) % order])
            for i in range(r + 1):
                older[i] = times(inverse, int(spare[i]), exp, log)
            length = n + 1 - length + count
        else:
            for i in range(r + 1):
                locator[i] ^= times(discrepancy, int(older[i]), exp, log)
    return length


@njit(cache=True, nogil=True)
def evaluator_of(
    locator: NDArray[int64],
    syndrome: NDArray[int64],
    exp: NDArray[int64],
    log: NDArray[int64],
    evaluator: NDArray[int64],
) -> None:
    """Syndromes times locator modulo x^r."""
    for i in range(syndrome.shape[0]):
        total = 0
        for j in range(i + 1):
            total ^= times(int(locator[j]), int(syndrome[i - j]), exp, log)
        evaluator[i] = total


@njit(cache=True, nogil=True)
def value_at(
    polynomial: NDArray[int64], terms: int, step: int, power: int, exp: NDArray[int64], log: NDArray[int64]
) -> int:
    """Sum of the first `terms` terms, of every one or only of the odd ones (`step` 2), at alpha^power."""
    order = log.shape[0] - 1
    total = 0
    for j in range(step - 1, terms, step):
        if polynomial[j]:
            total ^= int(exp[(int(log[polynomial[j]]) + j * power) % order])
    return total


@njit(cache=True, nogil=True)
def errors_of(
    locator: NDArray[int64],
    degree: int,
    evaluator: NDArray[int64],
    n: int,
    gap: int,
    first_root: int,
    exp: NDArray[int64],
    log: NDArray[int64],
    places: NDArray[int64],
    values: NDArray[int64],
) -> bool:
    """Places and values of the errors; whether the locator has as many roots inside the word as its degree.

    Chien: a root at alpha^-p is an error at power p; Forney: its value (Lin and Costello, 7.4 and 7.5).
    """
    r, order = evaluator.shape[0], log.shape[0] - 1
    found = 0
    for i in range(n):
        back = (order - (n - 1 - i + (gap if i < n - r else 0))) % order
        if value_at(locator, degree + 1, 1, back, exp, log):
            continue
        slope = value_at(locator, degree + 1, 2, back, exp, log)  # the derivative over X
        if slope == 0 or found == degree:
            return False
        numerator = value_at(evaluator, degree, 1, back, exp, log)
        places[found] = i
        values[found] = 0
        if numerator:
            power = int(log[numerator]) + order - int(log[slope]) + back * first_root
            values[found] = int(exp[power % order])
        found += 1
    return found == degree


@njit(cache=True, nogil=True)
def apply(
    row: NDArray[uint8],
    word: NDArray[int64],
    message_bits: int,
    lead: int,
    gap: int,
    m: int,
    times_root: NDArray[int64],
    count: int,
    places: NDArray[int64],
    values: NDArray[int64],
    syndrome: NDArray[int64],
) -> int:
    """Add errors to a word if that makes a codeword and changes stored bits only; how many symbols changed, or -1."""
    r = times_root.shape[0]
    message_symbols = word.shape[0] - r
    changed = 0
    for k in range(count):
        if places[k] < message_symbols and outside(message_bits, lead, m, places[k], values[k]):
            return -1
        word[places[k]] ^= values[k]
        changed += values[k] != 0
    if syndromes(word, gap, times_root, syndrome):
        return -1
    for k in range(count):
        if places[k] < message_symbols:
            flip(row, 0, message_bits, lead, m, places[k], values[k])
        else:
            flip(row, message_bits, r * m, 0, m, places[k] - message_symbols, values[k])
    return changed


@njit(cache=True, nogil=True)
def decode(
    rows: NDArray[uint8],
    symbols: NDArray[int64],
    erasures: NDArray[bool_],
    message_bits: int,
    lead: int,
    gap: int,
    m: int,
    first_root: int,
    times_root: NDArray[int64],
    exp: NDArray[int64],
    log: NDArray[int64],
    errors: NDArray[int16],
) -> None:
    """Correct `rows` (uint8[words, bytes]: message, then parity) in place.

    `symbols` is int64[words, n], the same as symbols; `erasures` bool[words, n], or no rows for none. `gap` zero
    symbols stand between message and parity. `errors` (int16[words]) receives the number of symbols that were changed,
    -1 for a word that cannot be decoded.
    """
    r, n = times_root.shape[0], symbols.shape[1]
    syndrome, evaluator = np.empty(r, int64), np.empty(r, int64)
    locator, older, spare = np.empty(r + 1, int64), np.empty(r + 1, int64), np.empty(r + 1, int64)
    erased = np.empty(n, int64)
    places, values = np.empty(r + 1, int64), np.empty(r + 1, int64)
    for row in range(rows.shape[0]):
        word = symbols[row]
        errors[row] = 0
        if not syndromes(word, gap, times_root, syndrome):
            continue
        errors[row] = -1
        count = 0
        for i in range(n if erasures.shape[0] else 0):
            if erasures[row, i]:
                erased[count] = n - 1 - i + (gap if i < n - r else 0)
                count += 1
        if count > r:
            continue
        degree = locator_of(syndrome, erased, count, exp, log, locator, older, spare)
        if 2 * degree > r + count or locator[degree + 1 :].any():
            continue
        evaluator_of(locator, syndrome, exp, log, evaluator)
        if errors_of(locator, degree, evaluator, n, gap, first_root, exp, log, places, values):
            errors[row] = apply(
                rows[row], word, message_bits, lead, gap, m, times_root, degree, places, values, syndrome
            )
