"""How sure is a word under a Hamming code that corrects one bit and sees two?

Such a code has the distance 4. Three wrong message bits upset one of each pair of parities, as one wrong bit does: they
are always "corrected" to something else. Four pass unseen if their addresses add up to zero, one time in 2^m for a
message of 2^m bits. Two are always seen. What `certainty` assumes of strong codes, that errors beyond the code give
any syndrome, is therefore wrong here by far, and to the unsafe side. Two ways lead to an accident.

**Scattered errors.** Let W words of a block have K bit errors in all. If they fall at random, triples of them meet
in one word C(K, 3) / W^2 times on average, quadruples C(K, 4) / W^3 times. The word with a triple is reported as one
correction, so a block that shows c errors may hide c + 2; and by Robbins' estimator for Poisson counts (see
`certainty`) the accidents to expect in the blocks that show at most T errors are those that the blocks with at most
T + 2 would give:

    triples:     sum over blocks with K <= T + 2 of C(K, 3) / W^2
    quadruples:  sum over blocks with K <= T + 4 of C(K, 4) / W^3 / 2^m

whatever the error rates of the blocks are, since they have cancelled. Each lost word counts as two errors, save in
pages of four words or more that have lost them all. Errors may clump in pages, too: the same sums are taken over pages,
and the larger one counts. One more block at the limit is added for what no count can exclude.

**Words of noise**, as a page gives whose programming was cut short, have any syndrome: they are reported as no
errors with the chance a_0 = 2^-r for r parity bits, as one with a_1 = (2^m + r) / 2^r. But a page is noise as a whole.
No word is EXACT whose page has lost half of its words or more; in a page that has not, more than half must have
passed by accident. With D such pages among those of n words that is expected

    (D + 1) n a_j C(n - 1, n // 2) (a_0 + a_1)^(n // 2)

times, D being the pages that have lost half of their words (if n is 1, all that counts is D).

**The rule.** Words without a correction are EXACT in blocks with at most T errors, T being the largest number for which
both figures together stay within half of `BUDGET`; likewise, with the other figures, words with one correction. For
blocks of fewer than about 1,400 words no T is small enough, so **corrected words are DOUBTFUL in nearly every dump**,
and so they should be: at a raw bit error rate of 1e-6, one corrected word of 256 bytes in 1.4 million is wrong.
"""

from math import comb

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import ERASED, LOST, Code

BUDGET = 1e-6
"""Codewords in a dump that may be expected to be called EXACT and be wrong."""
MARGIN = 2
"""Factor on the chance of an accident among words beyond the code; see `certainty`."""

Counts = NDArray[np.int64]
_MOST_ERRORS = 4096
"""Of a block, to be looked at; far beyond what can be EXACT."""
_WORDS_OF_NOISE = 4


def sure_words(errors: NDArray[np.int16], blocks: Counts, code: Code) -> NDArray[np.bool_]:
    """Which words of a dump are EXACT.

    Args:
        errors: `int16[pages, codewords]`: bits corrected, or `LOST`, `ERASED`, `UNCHECKED`.
        blocks: `int64[pages]`, the block of each page, from 0.
        code: a Hamming code.

    Returns:
        `bool[pages, codewords]`.
    """
    lost = (errors == LOST).sum(axis=1)
    in_page = np.maximum(errors, 0).sum(axis=1, dtype=np.int64) + 2 * lost
    words = (errors != ERASED).sum(axis=1)
    # A page of several words that has lost them all is noise and tells nothing of errors that are scattered.
    in_page[(lost == errors.shape[1]) & (errors.shape[1] >= _WORDS_OF_NOISE)] = 0
    in_block, size = _by_block(in_page, blocks), _by_block(words, blocks)
    half_lost = (2 * lost >= errors.shape[1]) & (words > 0)
    sure = np.zeros(errors.shape, np.bool_)
    for reported in (0, 1):
        hidden = 4 - reported
        share = 0.5**code.m if reported == 0 else 1.0
        pages = _by_block(_meetings(in_page, words, hidden), blocks)
        whole = _meetings(in_block, size, hidden)
        noise = MARGIN * noise_accidents(reported, errors.shape[1], int(half_lost.sum()), code)
        most = _most_errors(in_block, size, np.array([whole, pages]), hidden, (BUDGET / 2 - noise) / share)
        sure |= (errors == reported) & ((in_block <= most)[blocks] & ~half_lost)[:, None]
    return sure


def noise_accidents(reported: int, words: int, half_lost: int, code: Code) -> float:
    """Words of noise to expect that are reported as so many corrections, outside the pages that have lost half.

    Args:
        reported: 0 or 1.
        words: codewords of a page.
        half_lost: pages that have lost half of their words or more.
        code: a Hamming code.
    """
    none = 0.5**code.parity_bits
    one = ((1 << code.m) + code.parity_bits) * none
    others = words // 2
    return (half_lost + 1) * words * (one if reported else none) * comb(words - 1, others) * (none + one) ** others


def _by_block(values: NDArray[np.int64] | NDArray[np.float64], blocks: Counts) -> NDArray[np.float64]:
    return np.bincount(blocks, weights=values).astype(np.float64)


def _meetings(
    errors: NDArray[np.int64] | NDArray[np.float64], words: NDArray[np.int64] | NDArray[np.float64], together: int
) -> NDArray[np.float64]:
    """How often so many of the errors fall into one word: C(errors, together) / words^(together - 1)."""
    ways = np.ones(len(errors))
    for i in range(together):
        ways *= np.maximum(errors - i, 0) / (i + 1)
    result: NDArray[np.float64] = ways / np.maximum(words, 1) ** (together - 1)
    return result


def _most_errors(
    errors: NDArray[np.float64],
    size: NDArray[np.float64],
    meetings: NDArray[np.float64],
    hidden: int,
    budget: float,
) -> int:
    """The largest number of errors of a block under which its words stay within the budget; -1 for none.

    Args:
        errors: of each block.
        size: words of each block.
        meetings: `float64[2, blocks]`, of so many errors in a word, by the errors of the block and of its pages.
        hidden: errors of a word that is an accident.
        budget: meetings that may be expected.
    """
    beyond = 2 * hidden - 4  # a word with 3 errors shows 1, a word with 4 shows none
    limits = np.arange(_MOST_ERRORS + 1)
    order = np.argsort(errors, kind="stable")
    sums = np.concatenate([np.zeros((2, 1)), np.cumsum(meetings[:, order], axis=1)], axis=1).max(axis=0)
    seen = sums[np.searchsorted(errors[order], limits + beyond, side="right")]
    typical = float(np.median(size[size > 0])) if (size > 0).any() else 1.0
    one_more = _meetings(limits + beyond, np.full(len(limits), typical), hidden)
    return int(np.count_nonzero(seen + one_more <= budget)) - 1
