"""How far the teeth of a comb stand out from the lags beside them or between them, in standard deviations.

Plain data have a figure at every lag, and it is not the same at lags next to each other: tables with entries of two
bytes have more equal bytes at even lags than at odd ones, and all teeth of an even page size lie at even lags. So a
tooth is held against lags that leave the same remainder as well.
"""

import numpy as np
from numpy.typing import NDArray

LONGEST_TOOTH = 1 << 21
BESIDE = (-7, -3, 5, 9)
MOST_STANDING_OUT = 20.0
FEWEST_TEETH = 4
LARGEST_ENTRY = 32
"""Bytes of the largest entry of a table that is thought of, one of a FAT directory; smaller powers of two divide it."""
LAGS_TOGETHER = 1 << 15
"""Lags whose remainders are compared: what tables have changes slowly with the lag, and a thousand lags have a median
that the few teeth of a comb among them do not move."""


def narrow_scores(figures: NDArray[np.float32], pages: NDArray[np.int64]) -> NDArray[np.float64]:
    """Scores of narrow teeth, as columns have that are alike from page to page.

    Args:
        figures: `float32[lags]`, see `lag_figures`.
        pages: `int64[sizes]`, page sizes.

    Returns:
        `float64[sizes]`: 0 where there are too few teeth.
    """
    heights = _above_their_like(figures[: LONGEST_TOOTH + LARGEST_ENTRY])
    scores = np.zeros(len(pages))
    for index, page in enumerate(pages.tolist()):
        teeth = heights[page : min(LONGEST_TOOTH, len(figures) - 16) : page]
        if len(teeth) >= FEWEST_TEETH:
            # Clipped: a comb has all its teeth, an accident of the files has a few tall ones.
            height = np.clip(teeth, -MOST_STANDING_OUT, MOST_STANDING_OUT).mean()
            scores[index] = height * np.sqrt(len(teeth) / 1.25)
    return scores


def _above_their_like(figures: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much higher every lag is than those beside it, less what lags of the same remainder are (their median)."""
    heights = figures - sum(np.roll(figures, -step) for step in BESIDE) / len(BESIDE)
    for together in np.array_split(heights, max(1, len(heights) // LAGS_TOGETHER)):
        for remainder in range(LARGEST_ENTRY):
            alike = together[remainder::LARGEST_ENTRY]
            alike -= np.median(alike)
    return heights


def broad_score(figures: NDArray[np.float32], sums: NDArray[np.float64], page: int) -> float:
    """How far the teeth of a comb stand out from the lags between them, in standard deviations of a mean.

    Args:
        figures: `float32[lags]`, see `lag_figures`.
        sums: `float64[lags + 1]`, of the figures up to each lag.
        page: bytes.
    """
    teeth = np.arange(page, min(LONGEST_TOOTH, len(figures) - page), page)
    if len(teeth) < FEWEST_TEETH:
        return 0.0
    between = (sums[teeth + (page + 1) // 2] - sums[teeth - page // 2]) / page
    return float(np.clip(figures[teeth] - between, -200, 200).mean() * np.sqrt(len(teeth)))
