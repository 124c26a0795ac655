"""The code of words without errors: their greatest common divisor.

A codeword is a multiple of the generator polynomial, so two of them have a common divisor that is the generator times
little (van Zandwijk, Digital Investigation 12, 2015). Its factors give the roots, the roots give the primitive
polynomial and t.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly, long_polynomials
from deadstick.codes.bch import BchCode
from deadstick.solve.codeword.words import consecutive_roots

MOST_WORDS = 24
LEAST_DEGREE = 24
"""Two random words share a factor of so high a degree with a chance of 2^-24 or less."""
NEARLY = 0.9
FEWEST_PAIRS = 2


def code_of(words: NDArray[np.uint8], m: int) -> BchCode | None:
    """The BCH code over GF(2^m) that the words have in common.

    Args:
        words: `uint8[words, bits]`, the highest power of x first; most of them without errors.
        m: degree of the field.

    Returns:
        None where they have none.
    """
    packed = np.packbits(words, axis=1)
    numbers = list(dict.fromkeys(int.from_bytes(word.tobytes(), "big") for word in packed))[:MOST_WORDS]
    generator = common_divisor(numbers)
    return None if generator is None else _bch_with(generator, m)


def common_divisor(words: list[int]) -> int | None:
    """The largest divisor that several neighbouring pairs share; a word with a bit error spoils only its own pairs."""
    divisors = [long_polynomials.gcd(first, second) for first, second in pairwise(words)]
    divisors = sorted((d for d in divisors if gf2poly.degree(d) >= LEAST_DEGREE), key=gf2poly.degree, reverse=True)
    for divisor in divisors:
        # Two words may share more than the generator, by accident, and words that were corrected into a weaker code
        # share less: those that nearly agree have the generator in common.
        common, supporters = divisor, 0
        for other in divisors:
            both = long_polynomials.gcd(common, other)
            if gf2poly.degree(both) >= NEARLY * gf2poly.degree(common):
                common, supporters = both, supporters + 1
        if supporters >= FEWEST_PAIRS or supporters == len(divisors):
            return common
    return None


def _bch_with(generator: int, m: int) -> BchCode | None:
    """The BCH code whose generator divides `generator` and uses up most of it."""
    best: BchCode | None = None
    digits = np.array([[int(bit) for bit in f"{generator:b}"]], np.uint8)
    for polynomial in long_polynomials.dividing(generator, gf2poly.primitive_polynomials(m)):
        t = int(consecutive_roots(digits, m, polynomial)[0])
        if t and (best is None or t > best.t):
            best = BchCode(m, polynomial, t)
    return best
