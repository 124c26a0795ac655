import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.board.kernels import BINS, REACH, information


def twin(places: np.ndarray, spreads: np.ndarray, weights: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """The same in plain Python: spread every row over bins, then mutual information by its definition."""
    answers = []
    for place, spread in zip(places.T, spreads.T, strict=True):
        low, high = min(place - REACH * spread), max(place + REACH * spread)
        width = max(min(spread), (high - low) / (BINS - 1))
        joint: dict[tuple[int, int], float] = {}
        for p, s, w, g in zip(place, spread, weights, groups, strict=True):
            first = int((p - REACH * s - low) / width)
            last = min(int((p + REACH * s - low) / width), BINS - 1)
            below = 0.0
            for column in range(first, last + 1):
                edge = (low + (column + 1) * width - p) / s
                above = 1.0 if column == last else 0.5 * (1 + math.erf(edge / math.sqrt(2)))
                joint[int(g), column] = joint.get((int(g), column), 0.0) + w * (above - below)
                below = above
        by_group: dict[int, float] = {}
        by_column: dict[int, float] = {}
        for (g, column), share in joint.items():
            by_group[g] = by_group.get(g, 0.0) + share
            by_column[column] = by_column.get(column, 0.0) + share
        answers.append(sum(p * math.log2(p / by_group[g] / by_column[c]) for (g, c), p in joint.items() if p > 0))
    return np.array(answers)


def compiled(places: np.ndarray, spreads: np.ndarray, weights: np.ndarray, groups: np.ndarray) -> np.ndarray:
    count = int(groups.max()) + 1
    bits = np.empty(places.shape[1])
    information(places, spreads, weights, groups, np.empty((count, BINS)), np.empty(count), bits)
    return bits


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.integers(1, 25), st.integers(1, 4), st.integers(1, 5), st.integers(0, 2**32 - 1))
def test_kernel_and_twin_agree(rows: int, tests: int, groups: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = rng.normal(0, 5, (rows, tests))
    spreads = np.exp(rng.normal(-1, 0.7, (rows, tests)))
    weights = rng.dirichlet(np.ones(rows))
    member = rng.integers(0, groups, rows)
    found = compiled(places, spreads, weights, member)
    np.testing.assert_allclose(found, np.maximum(twin(places, spreads, weights, member), 0), atol=1e-9)


def test_a_test_that_parts_two_equal_suspects_tells_one_bit() -> None:
    apart = compiled(np.array([[0.0], [50.0]]), np.ones((2, 1)), np.array([0.5, 0.5]), np.array([0, 1]))
    same = compiled(np.zeros((2, 1)), np.ones((2, 1)), np.array([0.5, 0.5]), np.array([0, 1]))
    assert abs(apart[0] - 1) < 1e-9
    assert abs(same[0]) < 1e-9


def test_information_of_two_gaussians_two_deviations_apart() -> None:
    # Numerical integral of the mutual information of a fair bit seen through unit noise at distance 2: 0.4860 bit.
    x = np.linspace(-8, 10, 20001)
    one, other = (np.exp(-0.5 * (x - m) ** 2) / math.sqrt(2 * math.pi) for m in (0, 2))
    mixture = (one + other) / 2
    integral = float(np.trapezoid((one * np.log2(one / mixture) + other * np.log2(other / mixture)) / 2, x))
    binned = compiled(np.array([[0.0], [2.0]]), np.ones((2, 1)), np.array([0.5, 0.5]), np.array([0, 1]))
    assert 0.9 * integral < binned[0] <= integral + 1e-6
