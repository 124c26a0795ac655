"""Is there anything but noise? The chi-square test of Pearson on byte values."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

SAMPLE_BYTES = 8 << 20
UNIFORM_P = 1e-4
FEWEST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How well the bytes fit a uniform distribution.

    Attributes:
        chi_square: Pearson's statistic with 255 degrees of freedom.
        p_value: chance that uniform bytes deviate as much or more.
        entropy: bits per byte of the observed distribution.
        sampled: bytes looked at.
    """

    chi_square: float
    p_value: float
    entropy: float
    sampled: int


def uniformity(data: NDArray[np.uint8]) -> Uniformity:
    """Test bytes against the uniform distribution.

    Args:
        data: `uint8[bytes]`; a long array is sampled at even distances.

    Returns:
        The figures of the test; nothing is uniform that has too few bytes to tell.
    """
    step = max(1, len(data) // SAMPLE_BYTES)
    sample = data[::step]
    counts = np.bincount(sample, minlength=256)
    total = max(1, len(sample))
    expected = total / 256
    chi_square = float(((counts - expected) ** 2 / expected).sum())
    shares = counts[counts > 0] / total
    entropy = float(-(shares * np.log2(shares)).sum())
    p_value = float(stats.chi2.sf(chi_square, 255)) if len(sample) >= FEWEST_BYTES else 0.0
    return Uniformity(chi_square, p_value, entropy, len(sample))


def is_uniform(figure: Uniformity) -> bool:
    """Whether the test gives no reason to see more than noise."""
    return figure.p_value > UNIFORM_P


def erased_share(data: NDArray[np.uint8]) -> float:
    """Share of the bytes that read 0xFF, in an even sample."""
    if not len(data):
        return 1.0
    step = max(1, len(data) // SAMPLE_BYTES)
    return float((data[::step] == 0xFF).mean())
