"""Long polynomials over GF(2), fast: the same as `gf2poly`, whose functions are the readable twins.

A polynomial is a Python int, bit i the coefficient of x^i; inside the kernels it is `uint64[words]`.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.kernels import polynomials as kernels


def gcd(a: int, b: int) -> int:
    """Greatest common divisor by Euclid's algorithm, see `gf2poly.gcd`.

    >>> gcd(gf2poly.multiply(0b111, 0b1011), gf2poly.multiply(0b111, 0b1101)) == 0b111
    True
    """
    words = max(a.bit_length(), b.bit_length()) // 64 + 2
    first, second = _in_words(a, words), _in_words(b, words)
    found = first if kernels.divisor_of(first, second) else second
    return int.from_bytes(found.tobytes(), "little")


def dividing(a: int, moduli: Sequence[int]) -> list[int]:
    """Of polynomials of one and the same degree, those that divide `a`.

    Args:
        a: not zero.
        moduli: irreducible or not, degree 1 to 30.

    Raises:
        ValueError: their degrees differ.

    >>> dividing(gf2poly.multiply(0b1011, 0b1101), [0b1011, 0b1101, 0b1111])
    [11, 13]
    """
    degrees = {gf2poly.degree(modulus) for modulus in moduli}
    if len(degrees) != 1 or not 1 <= max(degrees) <= 30:
        raise ValueError(f"moduli of one degree from 1 to 30 are expected, not of {sorted(degrees)}")
    rests = np.empty(len(moduli), np.uint32)
    kernels.remainders(_in_words(a, a.bit_length() // 64 + 1), np.array(moduli, np.uint32), degrees.pop(), rests)
    return [modulus for modulus, rest in zip(moduli, rests.tolist(), strict=True) if rest == 0]


def _in_words(a: int, words: int) -> NDArray[np.uint64]:
    return np.frombuffer(bytearray(a.to_bytes(8 * words, "little")), "<u8").astype(np.uint64)
