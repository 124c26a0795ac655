"""How many bits of the rows are wrong, from places where nothing else is: how deep the decoding test must look.

Where both pages of a difference hold free space, or a page without its keystream does, the bits of the row are bit
errors and nothing more. Such stretches are told by their few ones, and nearly every volume has some.
"""

from math import ceil, exp, log

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson

from deadstick.solve.codeword.decoding import DEEP, DEEPEST, MIDDLE, SHALLOW, Depth
from deadstick.solve.codeword.field_rows import SLACK

STRETCH = 128
"""Bytes; short against a codeword, so that most stretches of a free one hold none of its metadata and parity."""
MOST_ONES = 0.02
"""Share of ones up to which a stretch may be constant but for errors; beyond that hardly any code helps."""
FEWEST_STRETCHES = 96
OUTLIER = 3.0
"""Stretches with so many times the median hold something beside errors."""
DEPTHS = (SHALLOW.syndromes, 6, 8, MIDDLE.syndromes, 15, DEEP.syndromes, 26, 32, DEEPEST.syndromes)
PREFIX_COST = 25
"""What the prefix sums of a row cost for each syndrome; the locators cost 1 for each pair of them. Measured where every
polynomial sums for itself; under a spectrum the sums cost less."""
USABLE, MOSTLY_USABLE = 0.7, 0.9
"""Share of the rows that are codewords at all: keystreams do not come again everywhere, pages may be old. Of rows that
are no differences most are."""
WITH_PARITY = 1.12
"""Length of a codeword by that of its message, about."""
SPREAD = (0.68, 0.86, 1.0, 1.17, 1.47)
"""Rates of single rows by their mean, a fifth of the rows each: blocks differ (log-normal, spread 0.3, as in
`simulate`)."""
SURE, LEAST_SHARE = 0.985, 0.01
SEEN_SHARE, FEWEST_ROOTS = 0.25, 4
"""Share of its words that the weakest code which is looked for must show, and its roots at least."""
MOST_ROWS = 12


def bit_error_rate(rows: NDArray[np.uint8]) -> float | None:
    """Share of wrong bits in rows that should be zero, or ones, in places.

    Args:
        rows: `uint8[rows, columns]`.

    Returns:
        None where too few stretches are constant.

    >>> rows = np.zeros((16, 4096), np.uint8)
    >>> rows[:, ::256] = 1  # one bit in 2048
    >>> bit_error_rate(rows) == 1 / 2048
    True
    """
    columns = rows.shape[1] // STRETCH * STRETCH
    ones = np.bitwise_count(rows[:, :columns].reshape(-1, STRETCH)).sum(axis=1) / (8 * STRETCH)
    wrong = np.minimum(ones, 1 - ones)
    wrong = wrong[wrong <= MOST_ONES]
    if len(wrong) < FEWEST_STRETCHES:
        return None
    return float(wrong[wrong <= OUTLIER * max(float(np.median(wrong)), 1 / (8 * STRETCH))].mean())


def clean_share(rate: float, message: int) -> float:
    """Share of the codewords without an error, at such a rate of errors and for messages of so many bytes."""
    return exp(-rate * 8 * message * WITH_PARITY)


def highest_rate(message: int) -> float:
    """The rate of errors at which half of the differences of words are still within the deepest reach.

    >>> round(highest_rate(2048), 5)
    0.00104
    """
    return (DEEPEST.syndromes - SLACK) / (2 * 8 * message * WITH_PARITY)


def fitting_depth(rate: float, message: int, foreign: int = 0, usable: float = USABLE) -> Depth:
    """The cheapest depth that finds codewords among rows of this rate of errors.

    Args:
        rate: share of wrong bits.
        message: bytes.
        foreign: further bits of the words that may be wrong, since they are not theirs.
        usable: share of the rows that are codewords at all.

    Returns:
        Syndromes, and as many rows as it takes for one to be within reach; no rows where hardly any is at any depth.

    >>> fitting_depth(1e-4, 1024).syndromes, fitting_depth(1e-3, 1024).syndromes
    (4, 15)
    """
    mean = rate * 8 * message * WITH_PARITY
    best, cost = DEEPEST, float("inf")
    for syndromes in DEPTHS:
        share = usable * float(np.mean(poisson.cdf(syndromes - SLACK - foreign, mean * np.array(SPREAD))))
        rows = log(1 - SURE) / log(1 - share) if share > LEAST_SHARE else MOST_ROWS + 1
        price = rows * syndromes * (PREFIX_COST + syndromes)
        if rows <= MOST_ROWS and price < cost:
            best, cost = Depth(syndromes, ceil(rows)), price
    if poisson.cdf(DEEPEST.syndromes - SLACK - foreign, mean) < LEAST_SHARE:
        return Depth(DEEPEST.syndromes, 0)
    weakest = int(poisson.ppf(SEEN_SHARE, mean)) + SLACK + foreign
    return best._replace(weakest=min(best.syndromes, max(FEWEST_ROOTS, weakest)))
