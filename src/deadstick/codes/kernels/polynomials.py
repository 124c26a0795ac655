"""Arithmetic of long polynomials over GF(2): coefficients in 64-bit words, bit i of word j belongs to x^(64 j + i)."""

from numba import njit
from numpy import uint32, uint64
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def degree(a: NDArray[uint64], last: int) -> int:
    """Degree of `uint64[words]`, whose words behind `last` are zero; -1 for the zero polynomial."""
    word = last
    while word >= 0 and a[word] == 0:
        word -= 1
    if word < 0:
        return -1
    bits = a[word]
    highest = 0
    for step in (32, 16, 8, 4, 2, 1):
        if bits >> uint64(step):
            bits >>= uint64(step)
            highest += step
    return 64 * word + highest


@njit(cache=True, nogil=True)
def reduce_modulo(a: NDArray[uint64], b: NDArray[uint64], a_degree: int, b_degree: int) -> int:
    """Replace `a` by its remainder modulo `b`, and return its degree; `b` is not zero.

    a: uint64[words], with one word behind the one that holds its highest power; b: uint64[words].
    """
    words = b_degree // 64 + 1
    while a_degree >= b_degree:
        shift = a_degree - b_degree
        at, bit = shift // 64, uint64(shift % 64)
        if bit:
            carried = uint64(0)
            for i in range(words):
                a[at + i] ^= (b[i] << bit) | carried
                carried = b[i] >> (uint64(64) - bit)
            a[at + words] ^= carried
        else:
            for i in range(words):
                a[at + i] ^= b[i]
        a_degree = degree(a, a_degree // 64)
    return a_degree


@njit(cache=True, nogil=True)
def divisor_of(a: NDArray[uint64], b: NDArray[uint64]) -> bool:
    """Euclid's algorithm in place: afterwards one of both is zero, and the other the greatest common divisor.

    a, b: uint64[words], equally long, with a zero word at the end of each. Returns whether it is `a`.
    """
    a_degree, b_degree = degree(a, len(a) - 1), degree(b, len(b) - 1)
    while True:
        if b_degree < 0:
            return True
        a_degree = reduce_modulo(a, b, a_degree, b_degree)
        if a_degree < 0:
            return False
        b_degree = reduce_modulo(b, a, b_degree, a_degree)


@njit(cache=True, nogil=True)
def remainders(a: NDArray[uint64], moduli: NDArray[uint32], m: int, out: NDArray[uint32]) -> None:
    """Remainders of one polynomial modulo many short ones.

    a: uint64[words]; moduli, out: uint32[moduli], all of degree `m`.
    """
    top = degree(a, len(a) - 1)
    for index in range(len(moduli)):
        rest = uint32(0)
        for power in range(top, -1, -1):
            rest = (rest << uint32(1)) | uint32((a[power // 64] >> uint64(power % 64)) & uint64(1))
            if (rest >> uint32(m)) & uint32(1):
                rest ^= moduli[index]
        out[index] = rest
