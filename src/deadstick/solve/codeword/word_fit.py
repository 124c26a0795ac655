"""How well do words decode? The share of them that do, and what is left of the code's strength when they have.

A share alone does not tell the right place of a codeword: a strong code also corrects words that are a few bytes off
their place, only with more errors. And a word of zeros decodes anywhere, so words with content are to tell.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.recipe.layout import PageLayout
from deadstick.solve.codeword.words import bits_at, corrected, exact_spans
from deadstick.solve.common.spread import evenly

ROWS = 24
"""Rows that are enough to tell whether a place is a codeword's."""
LOW_WEIGHT = 0.02
"""Share of ones, or of zeros, up to which a message is without content."""


@dataclass(frozen=True, slots=True)
class Fit:
    """How well some rows decode.

    Attributes:
        share: of the rows, those that decode.
        strength: the same with each weighed by what it has left of the code's strength.
    """

    share: float
    strength: float

    @classmethod
    def of(cls, errors: NDArray[np.int16], code: BchCode) -> "Fit":
        """From the errors of each row, negative where it does not decode."""
        if not len(errors):
            return cls(0.0, 0.0)
        left = np.where(errors >= 0, 1 - errors / (code.t + 1), 0.0)
        return cls(float((errors >= 0).mean()), float(left.mean()))


def decoding_share(rows: NDArray[np.uint8], code: BchCode, layout: PageLayout) -> tuple[float, float]:
    """How well some rows decode, going by the codewords with content: a word of zeros decodes anywhere.

    A strong code also corrects words that are a few bytes off their place, only with more errors.

    Returns:
        The share of the codewords that decode, and the same with each weighed by what it has left of its strength.
    """
    shares, strengths = [], []
    for codeword in layout.codewords:
        words = bits_at(rows, exact_spans(codeword, code))
        words = words[with_content(words[:, : codeword.message_bits // 8])]
        words = words[evenly(len(words), 2 * ROWS)]
        if len(words):
            _, errors = corrected(words, code)
            fit = Fit.of(errors, code)
            shares.append(fit.share)
            strengths.append(fit.strength)
    return (float(np.mean(shares)), float(np.mean(strengths))) if shares else (0.0, 0.0)


def with_content(messages: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Numbers of the rows of `uint8[rows, bytes]` that are neither nearly all zeros nor nearly all ones."""
    ones = np.bitwise_count(messages).sum(axis=1, dtype=np.int64) / (8 * messages.shape[1])
    return np.flatnonzero((ones > LOW_WEIGHT) & (ones < 1 - LOW_WEIGHT))
