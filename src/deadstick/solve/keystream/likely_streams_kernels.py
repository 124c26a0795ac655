"""The kernels of `likely_streams`: how likely each byte of a keystream makes the pages under it."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def score_streams(
    rows: NDArray[np.uint8],
    stream: NDArray[np.uint8],
    near: NDArray[np.float64],
    keys: NDArray[np.int64],
    telling: NDArray[np.bool_],
    between: NDArray[np.uint16],
    totals: NDArray[np.float64],
    weights: NDArray[np.float64],
    turns: int,
    scores: NDArray[np.float64],
) -> None:
    """Add to `scores` the logarithm of how likely each byte of a keystream makes each column of the rows.

    A byte of a row is taken for a mixture of four guesses: all values alike, those of data nearby, those of the row
    itself, and those that stand beside the same two bytes. How much of each, the row as `stream` makes it tells, by the
    EM algorithm.

    rows: uint8[rows, columns]; stream: uint8[columns], as far as it was guessed; near: float64[rows, phases, 256], how
    likely each value is in the columns of each phase (column mod phases) by data nearby; keys: int64[rows, columns],
    which two bytes each byte stands beside; telling: bool[rows, columns], whether to count it; between: uint16[keys,
    256], how often each value stands beside them in known data; totals: float64[keys], their sums, and 1; weights:
    float64[rows, 4], of the guesses, changed `turns` times; scores: float64[columns, 256].
    """
    count, columns = rows.shape
    phases = near.shape[1]
    own = np.empty((phases, 256))
    size = np.empty(phases)
    guesses = np.empty((columns, 4))
    products = np.ones((columns, 256))
    new = np.empty(4)
    for row in range(count):
        own[:] = 1 / 256
        size[:] = 0
        for column in range(columns):
            own[column % phases, rows[row, column] ^ stream[column]] += 1
            size[column % phases] += 1
        weight = weights[row]
        if turns:
            for column in range(columns):
                value, phase, key = rows[row, column] ^ stream[column], column % phases, keys[row, column]
                guesses[column, 0] = 1 / 256
                guesses[column, 1] = near[row, phase, value]
                guesses[column, 2] = (own[phase, value] - 1) / size[phase]
                guesses[column, 3] = (between[key, value] + near[row, phase, value]) / totals[key]
        for _ in range(turns):
            new[:] = 1
            for column in range(columns):
                likely = 0.0
                for kind in range(4):
                    likely += weight[kind] * guesses[column, kind]
                for kind in range(4):
                    new[kind] += weight[kind] * guesses[column, kind] / likely
            for kind in range(4):
                weight[kind] = new[kind] / (columns + 4)
        for column in range(columns):
            if not telling[row, column]:
                continue
            read, phase, key = rows[row, column], column % phases, keys[row, column]
            value = read ^ stream[column]
            by_key = weight[3] / totals[key]
            by_near, by_own = weight[1] + by_key, weight[2] / size[phase]
            own[phase, value] -= 1
            for other in range(256):
                products[column, other ^ read] *= (
                    weight[0] / 256
                    + by_near * near[row, phase, other]
                    + by_own * own[phase, other]
                    + by_key * between[key, other]
                )
            own[phase, value] += 1
        # No factor is below 1 / 256 / (columns + 4), so that sixteen of them are no zero yet.
        if row % 16 == 15 or row == count - 1:
            for column in range(columns):
                for other in range(256):
                    scores[column, other] += np.log(products[column, other])
                    products[column, other] = 1.0


@njit(cache=True, nogil=True)
def count_between(rows: NDArray[np.uint8], between: NDArray[np.uint16]) -> None:
    """Count how often each value stands between two others, before two, and behind two, up to 65535 times.

    rows: uint8[rows, columns]; between: uint16[3 * 65536, 256], a third for each of these, at 256 times the left one of
    the two and the right one; added to.
    """
    for row in rows:
        for column in range(1, len(row) - 1):
            left, middle, right = np.int64(row[column - 1]), np.int64(row[column]), np.int64(row[column + 1])
            if between[256 * left + right, middle] < 65535:
                between[256 * left + right, middle] += 1
            if between[65536 + 256 * middle + right, left] < 65535:
                between[65536 + 256 * middle + right, left] += 1
            if between[131072 + 256 * left + middle, right] < 65535:
                between[131072 + 256 * left + middle, right] += 1
