"""Codes drawn at random: any primitive polynomial, and a strength that the noise asks for and the spare area allows."""

import numpy as np

from deadstick.codes import gf2poly
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.codes.probability import failure_probability
from deadstick.recipe.code import BitOrder, Code
from deadstick.simulate.draw_ranges import Ranges

DEGREES = (13, 15)
MOST_PARITY_BYTES = 290
"""Of a codeword; more than t = 72 over GF(2^15) asks for."""


def draw_code(rng: np.random.Generator, ranges: Ranges, message_bytes: int, data_bytes: int, room: int) -> Code | None:
    """Draw a BCH code for one codeword.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        message_bytes: of the longest codeword, data and covered metadata.
        data_bytes: of them, data.
        room: bytes that the parity may have.

    Returns:
        None where no code of the ranges fits.
    """
    lowest = max(DEGREES[0], (8 * message_bytes).bit_length())
    if lowest > DEGREES[1]:
        return None
    m = int(rng.integers(lowest, DEGREES[1] + 1))
    low, high = _strengths(ranges, m, message_bytes, data_bytes, min(room, MOST_PARITY_BYTES))
    if low > high:
        return None
    t = int(rng.integers(low, high + 1))
    polynomials = gf2poly.primitive_polynomials(m)
    polynomial = polynomials[int(rng.integers(len(polynomials)))]
    if ranges.kernel_polynomials:
        polynomial = PRIMITIVE_DEFAULTS[m]
    order: BitOrder = "msb" if rng.random() < 0.5 else "lsb"
    return Code(
        m,
        polynomial,
        t,
        bit_order=order,
        inverted=bool(rng.random() < 0.15),
        erased_is_codeword=bool(rng.random() < 0.2),
    )


def _strengths(ranges: Ranges, m: int, message_bytes: int, data_bytes: int, room: int) -> tuple[int, int]:
    """The weakest and the strongest t; the first is above the second where none will do."""
    low, high = ranges.t
    high = min(high, 8 * room // m, ((1 << m) - 1 - 8 * message_bytes) // m)
    if ranges.t_per_kib is not None:
        low = max(low, min(ranges.t[1], ranges.t_per_kib[0] * data_bytes // 1024))
        high = min(high, ranges.t_per_kib[1] * data_bytes // 1024)
    if ranges.failure_most is not None:
        low = weakest(8 * message_bytes, m, ranges.raw_bit_error_rate, ranges.failure_most, low)
    return low, high


def weakest(message_bits: int, m: int, rate: float, failure_most: float, t: int = 1) -> int:
    """The weakest code, from t on, that fails seldom enough.

    Args:
        message_bits: bits before the parity.
        m: parity bits for each error.
        rate: raw bit error rate.
        failure_most: the exact binomial probability of more than t errors may be so much.
        t: where to begin.

    >>> weakest(8 * 1024, 14, 2e-3, 2e-6)
    40
    """
    while failure_probability(message_bits + m * t, t, rate) > failure_most:
        t += 1
    return t
