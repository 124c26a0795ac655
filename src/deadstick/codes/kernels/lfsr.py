"""Kernels of linear feedback shift registers: keystreams, jumps, Berlekamp-Massey on packed bits."""

from numba import njit
from numpy import int16, uint8, uint64
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def parity(x: uint64) -> uint64:
    """Parity of the set bits of a uint64."""
    x ^= x >> uint64(32)
    x ^= x >> uint64(16)
    x ^= x >> uint64(8)
    x ^= x >> uint64(4)
    return (uint64(0x6996) >> (x & uint64(15))) & uint64(1)


@njit(cache=True, nogil=True)
def keystream(states: NDArray[uint64], taps: uint64, width: int, out: NDArray[uint64]) -> None:
    """Fill `out` (uint64[seeds, 64-bit words], bit i of word k = s[64 k + i]) from `states` (uint64[seeds]).

    The first `width` words come bit by bit. Squaring the characteristic polynomial six times leaves the same
    taps 64 bits apart (over GF(2), p(x)^64 = p(x^64)), so that all later words are XORs of earlier words.
    """
    seeds, words = out.shape
    one = uint64(1)
    for seed in range(seeds):
        state = states[seed]
        for k in range(min(width, words)):
            word = uint64(0)
            for i in range(64):
                word |= (state & one) << uint64(i)
                state = (state >> one) | (parity(state & taps) << uint64(width - 1))
            out[seed, k] = word
        for k in range(width, words):
            word = uint64(0)
            rest = taps
            for i in range(width):
                if rest & one:
                    word ^= out[seed, k - width + i]
                rest >>= one
            out[seed, k] = word


@njit(cache=True, nogil=True)
def apply_masks(states: NDArray[uint64], masks: NDArray[uint64], out: NDArray[uint64]) -> None:
    """Bit j of out[n] = parity of states[n] & masks[j]: a linear map on registers."""
    for n in range(states.size):
        state = uint64(0)
        for j in range(masks.size):
            state |= parity(states[n] & masks[j]) << uint64(j)
        out[n] = state


@njit(cache=True, nogil=True)
def linear_complexities(  # noqa: C901  # one flat loop nest: calls cost reference counting
    windows: NDArray[uint8], msb_first: bool, limit: int, complexities: NDArray[int16], polynomials: NDArray[uint64]
) -> None:
    """Berlekamp-Massey on each row of `windows` (uint8[rows, bytes]); see `lfsr.linear_complexities`.

    Massey, "Shift-register synthesis and BCH decoding", IEEE Trans. Inf. Theory 15 (1969). The connection
    polynomials 1 + c_1 x + ... are held without their leading 1, c_i in bit i - 1, so that one word holds 64 of
    them and the discrepancy is the parity of one AND with the last 64 bits of the sequence.
    """
    rows, size = windows.shape
    one = uint64(1)
    for row in range(rows):
        connection = uint64(0)
        previous = uint64(0)
        shift = 1  # distance since `previous` was replaced
        length = 0
        history = uint64(0)  # bit i - 1 = s[n - i]
        n = 0
        for k in range(size):
            byte = uint64(windows[row, k])
            for i in range(8):
                bit = (byte >> uint64(7 - i if msb_first else i)) & one
                if bit ^ parity(connection & history):
                    if shift > limit:  # the correction, and with it the length, exceeds the limit
                        length = limit + 1
                        break
                    correction = one << uint64(shift - 1)
                    if shift < 64:
                        correction |= previous << uint64(shift)
                    if 2 * length <= n:
                        length = n + 1 - length
                        if length > limit:
                            break
                        previous = connection
                        shift = 0
                    connection ^= correction
                shift += 1
                history = (history << one) | bit
                n += 1
            if length > limit:
                break
        if length > limit:
            complexities[row] = limit + 1
            polynomials[row] = 0
            continue
        complexities[row] = length
        # The characteristic polynomial reads the connection polynomial backwards: x^L + sum c_i x^(L - i).
        characteristic = uint64(0)
        if length < 64:
            characteristic = one << uint64(length)
        for i in range(length):
            characteristic |= ((connection >> uint64(i)) & one) << uint64(length - 1 - i)
        polynomials[row] = characteristic
