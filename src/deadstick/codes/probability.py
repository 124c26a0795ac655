"""How often a code fails on a channel whose bit errors are independent."""

import numpy as np
import numpy.typing as npt
from scipy import special


def failure_probability(n_bits: int, t: int, p: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Probability of more than `t` errors among `n_bits` bits at raw bit error rate `p`.

    The binomial tail P(X > t) equals the regularised incomplete beta function I_p(t + 1, n - t), which SciPy
    evaluates without cancellation, so that 1e-12 is as exact as 0.5 (Abramowitz and Stegun, 26.5.24).

    Args:
        n_bits: bits of one codeword.
        t: errors that the code corrects.
        p: raw bit error rate, one value or an array of any shape.

    Returns:
        float64 of the shape of `p`.

    >>> round(float(failure_probability(8 * 512 + 13 * 8, 8, 1e-3)), 4)
    0.0279

    Raises:
        ValueError: `n_bits` or `t` is negative.
    """
    if n_bits < 0 or t < 0:
        raise ValueError(f"n_bits and t must not be negative, not {n_bits} and {t}")
    if t >= n_bits:
        return np.zeros(np.shape(p))  # more errors than bits: never
    return np.asarray(special.betainc(t + 1, n_bits - t, p), dtype=np.float64)
