"""How likely is it that an accident looks like a find? The figure behind `log10_chance`."""

import numpy as np


def log10_tail(trials: int, hits: int, chance: float) -> float:
    """Upper bound of the logarithm of P(at least `hits` of `trials`): C(trials, hits) * chance^hits.

    >>> round(log10_tail(100, 2, 0.001), 2)
    -2.31
    """
    from scipy.special import gammaln  # noqa: PLC0415 - scipy.special takes a while to load

    if hits == 0:
        return 0.0
    ways = gammaln(trials + 1) - gammaln(hits + 1) - gammaln(trials - hits + 1)
    return float(min(0.0, ways / np.log(10) + hits * np.log10(chance)))
