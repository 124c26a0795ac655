"""How many bytes are equal at each lag.

Every byte value becomes a random +1 or -1 (erased stretches become 0, so that they are silent) and the autocorrelation
is taken by FFT (Wiener-Khinchin). Unrelated bytes give 0 with a known spread, so each lag has a figure in standard
deviations.
"""

import numpy as np
import scipy.fft
from numpy.typing import NDArray

ERASED_STRETCH = 256
ERASED_BYTES = 0.9
LONGEST_PAGE = 16384 + 2208
"""Largest data and spare area that the search considers; what is one byte for longer holds no page."""


def lag_figures(data: NDArray[np.uint8], seed: int = 20) -> NDArray[np.float32]:
    """How many more equal bytes there are at each lag than among unrelated bytes.

    Args:
        data: `uint8[bytes]`.
        seed: of the random signs.

    Returns:
        `float32[bytes / 2]`: standard deviations, index is the lag; 0 for lags below 256.
    """
    # As many of one sign as of the other: an excess of one would lift every lag of uniform bytes.
    signs = np.random.default_rng(seed).permutation(np.repeat(np.array([-1, 1], np.float32), 128))
    series = signs[data]
    _silence_erased(data, series)
    power = float(np.mean(np.abs(series)))
    size = scipy.fft.next_fast_len(2 * len(series), real=True)
    spectrum = scipy.fft.rfft(series, size)
    spectrum *= spectrum.conj()
    correlation = scipy.fft.irfft(spectrum, size, overwrite_x=True)[: len(series) // 2]
    pairs = len(series) - np.arange(len(correlation))
    figures: NDArray[np.float32] = (correlation / np.sqrt(pairs * max(power, 1e-9))).astype(np.float32)
    figures[:256] = 0
    return figures


def _silence_erased(data: NDArray[np.uint8], series: NDArray[np.float32]) -> None:
    """Set the series to 0 in erased stretches, which would be alike at every lag; single 0xFF columns stay.

    So are blocks of one byte throughout, as a trial or a bad block may leave them: longer than any page, which has
    metadata or parity in between.
    """
    count = len(data) // ERASED_STRETCH
    stretches = data[: count * ERASED_STRETCH].reshape(count, ERASED_STRETCH)
    erased = (stretches == 0xFF).mean(axis=1) > ERASED_BYTES
    usual = stretches[:, ERASED_STRETCH // 2 :][:, :1]
    alike = (stretches == usual).mean(axis=1) > ERASED_BYTES
    borders = np.flatnonzero(np.r_[True, (alike[1:] != alike[:-1]) | (usual[1:] != usual[:-1])[:, 0], True])
    for first, end in zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True):
        if alike[first] and (end - first) * ERASED_STRETCH > LONGEST_PAGE:
            erased[first:end] = True
    series[: count * ERASED_STRETCH].reshape(count, ERASED_STRETCH)[erased] = 0
