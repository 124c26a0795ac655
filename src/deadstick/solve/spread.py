"""A few of many, evenly spread: how every question takes its sample."""

import numpy as np
from numpy.typing import NDArray


def evenly(count: int, most: int) -> NDArray[np.int64]:
    """`int64[]`: the numbers below `count`, or `most` of them from the first to the last.

    >>> evenly(3, 10), evenly(9, 3)
    (array([0, 1, 2]), array([0, 4, 8]))
    """
    return np.linspace(0, count - 1, min(count, most)).astype(np.int64)
