"""A few of many, evenly spread: how every question takes its sample."""

import numpy as np
from numpy.typing import NDArray


def evenly(count: int, most: int) -> NDArray[np.int64]:
    """`int64[]`: the numbers below `count`, or `most` of them from the first to the last.

    >>> evenly(3, 10), evenly(9, 3)
    (array([0, 1, 2]), array([0, 4, 8]))
    """
    return np.linspace(0, count - 1, min(count, most)).astype(np.int64)


def scattered(count: int, most: int) -> NDArray[np.int64]:
    """At most `most` of the numbers below `count`, ascending, at no regular distance.

    What comes again after every so many pages is then neither met each time nor missed.

    >>> scattered(4, 9).tolist()
    [0, 1, 2, 3]
    >>> len(scattered(1000, 16))
    16
    """
    if count <= most:
        return np.arange(count, dtype=np.int64)
    return np.sort(np.random.default_rng(count).choice(count, most, replace=False)).astype(np.int64)


def evenly_of(numbers: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """All of some numbers, or `most` of them, evenly spread."""
    return numbers[evenly(len(numbers), most)]
