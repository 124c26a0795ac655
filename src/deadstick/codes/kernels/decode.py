"""The BCH decoder: remainder, syndromes, Berlekamp-Massey, roots, correction."""

import numpy as np
from numba import njit

from deadstick.codes.kernels.remainder import add_parity, message_remainder


@njit(cache=True, nogil=True)
def multiply(a, b, exp, log):
    """Product in the field."""
    if a == 0 or b == 0:
        return np.uint16(0)
    return exp[np.int64(log[a]) + np.int64(log[b])]


@njit(cache=True, nogil=True)
def syndromes(register, nibbles, table, out):
    """XOR table rows uint16[nibbles, 16, len(out)] (flat) chosen by the nibbles of the remainder."""
    count = out.size
    out[:] = 0
    for q in range(nibbles):
        nibble = np.int64((register[q // 16] >> np.uint64(60 - 4 * (q % 16))) & np.uint64(15))
        row = (q * 16 + nibble) * count
        for j in range(count):
            out[j] ^= table[row + j]


@njit(cache=True, nogil=True)
def find_locator(syndrome, t, exp, log, order, locator, previous, scratch):
    """Berlekamp-Massey over the field; returns the degree of the locator, or -1 where it exceeds t."""
    count = syndrome.size
    locator[:] = 0
    previous[:] = 0
    locator[0] = previous[0] = 1
    length = 0
    shift = 1
    base = np.uint16(1)
    for n in range(count):
        discrepancy = syndrome[n]
        for i in range(1, length + 1):
            discrepancy ^= multiply(locator[i], syndrome[n - i], exp, log)
        if discrepancy == 0:
            shift += 1
            continue
        if 2 * length <= n and n + 1 - length > t:
            return -1
        factor = exp[np.int64(log[discrepancy]) + order - np.int64(log[base])]
        scratch[:] = locator
        for i in range(t + 1 - shift):
            locator[i + shift] ^= multiply(factor, previous[i], exp, log)
        if 2 * length <= n:
            length = n + 1 - length
            previous[:] = scratch
            base = discrepancy
            shift = 1
        else:
            shift += 1
    if locator[length] == 0:
        return -1
    return length


@njit(cache=True, nogil=True)
def find_positions(locator, length, positions_end, exp, log, order, positions):
    """Chien's search over the positions 0..positions_end-1; returns how many roots lie there."""
    found = 0
    for p in range(positions_end):
        value = locator[0]
        for i in range(1, length + 1):
            if locator[i]:
                value ^= exp[(np.int64(log[locator[i]]) + (order - p) * i) % order]
        if value == 0:
            positions[found] = p
            found += 1
            if found == length:
                break
    return found


@njit(cache=True, nogil=True)
def decode(words, message_bytes, parity_bits, t, first_root, table, syndrome_table, exp, log, errors):
    """Correct the rows of `words` (uint8[words, bytes]) in place and count in `errors` (int16[words])."""
    size = table.size // 2048
    stride = words.shape[1]
    order = log.size - 1
    data = words.reshape(-1)
    register = np.empty(size, np.uint64)
    syndrome = np.empty(2 * t, np.uint16)
    locator = np.empty(t + 1, np.uint16)
    previous = np.empty(t + 1, np.uint16)
    scratch = np.empty(t + 1, np.uint16)
    positions = np.empty(t + 1, np.int64)
    bits = 8 * message_bytes + parity_bits
    for row in range(words.shape[0]):
        start = row * stride
        message_remainder(data, start, message_bytes, table, size, register)
        add_parity(data, start + message_bytes, stride - message_bytes, parity_bits, register)
        if not np.any(register):
            errors[row] = 0
            continue
        errors[row] = -1
        syndromes(register, (parity_bits + 3) // 4, syndrome_table, syndrome)
        length = find_locator(syndrome, t, exp, log, order, locator, previous, scratch)
        if length < 1 or find_positions(locator, length, bits, exp, log, order, positions) != length:
            continue
        # The locator explains the syndromes by errors of any value; in a binary code each must be 1.
        for j in range(2 * t):
            for e in range(length):
                syndrome[j] ^= exp[positions[e] * (first_root + j) % order]
        if np.any(syndrome):
            continue
        for e in range(length):
            bit = bits - 1 - positions[e]
            data[start + bit // 8] ^= np.uint8(128 >> (bit % 8))
        errors[row] = length
