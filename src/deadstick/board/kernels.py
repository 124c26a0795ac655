"""How much a test would tell: mutual information between the guilty parts and the reading, for many tests."""

import math
from typing import Any

import numpy as np
from numba import njit

BINS = 512
REACH = 3.0  # standard deviations beyond which a reading is not expected


@njit(cache=True, nogil=True)
def information(places: Any, spreads: Any, weights: Any, group_of_row: Any, joint: Any, total: Any, bits: Any) -> None:
    """Bits that each test tells about the group, readings being Gaussian about the place that each row predicts.

    Args:
        places: float64[rows, tests], expected reading on its scale.
        spreads: float64[rows, tests], standard deviation on that scale, above zero.
        weights: float64[rows], probabilities that add up to 1.
        group_of_row: int64[rows], 0 up to the number of groups.
        joint: float64[groups, BINS], scratch.
        total: float64[groups], scratch.
        bits: float64[tests], the answer.
    """
    rows, tests = places.shape
    groups = joint.shape[0]
    root = math.sqrt(2.0)
    total[:] = 0.0
    for row in range(rows):
        total[group_of_row[row]] += weights[row]
    for test in range(tests):
        low, high, finest = np.inf, -np.inf, np.inf
        for row in range(rows):
            reach = REACH * spreads[row, test]
            low = min(low, places[row, test] - reach)
            high = max(high, places[row, test] + reach)
            finest = min(finest, spreads[row, test])
        width = max(finest, (high - low) / (BINS - 1))
        joint[:] = 0.0
        for row in range(rows):
            place, spread = places[row, test], spreads[row, test]
            first = int((place - REACH * spread - low) / width)
            last = min(int((place + REACH * spread - low) / width), BINS - 1)
            below = 0.0
            for column in range(first, last + 1):
                above = 1.0
                if column < last:
                    above = 0.5 * (1.0 + math.erf((low + (column + 1) * width - place) / (spread * root)))
                joint[group_of_row[row], column] += weights[row] * (above - below)
                below = above
        answer = 0.0
        for column in range(BINS):
            mixture = 0.0
            for group in range(groups):
                mixture += joint[group, column]
            if mixture <= 0.0:
                continue
            for group in range(groups):
                share = joint[group, column]
                if share > 0.0:
                    answer += share * math.log2(share / (mixture * total[group]))
        bits[test] = max(answer, 0.0)
