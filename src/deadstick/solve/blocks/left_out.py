"""Versions missing between the copies of a block: counts of its writes leave none out, numbers of all writes do."""

import numpy as np
from numpy.typing import NDArray


def left_out(logical: NDArray[np.int64], versions: NDArray[np.int64]) -> NDArray[np.int64]:
    """`int64[rows]`: how many versions are missing between the copies of a block, of all blocks together.

    Args:
        logical: `int64[blocks]`, equal for copies of one block; blocks of a negative number are not looked at.
        versions: `int64[rows, blocks]`, one row for each way in which versions may be read. Two copies with one version
            count as -1, see `some_alike`.

    >>> left_out(np.array([7, 8, 7, 8]), np.array([[41, 44, 42, 45], [40, 45, 43, 44]])).tolist()
    [0, 2]
    """
    columns, starts = _by_block(logical)
    if not len(starts):
        return np.zeros(len(versions), np.int64)
    dealt = versions[:, columns]
    spans = np.maximum.reduceat(dealt, starts, axis=1) - np.minimum.reduceat(dealt, starts, axis=1)
    missing: NDArray[np.int64] = spans.sum(axis=1) - (len(columns) - len(starts))
    return missing


def some_alike(logical: NDArray[np.int64], versions: NDArray[np.int64]) -> NDArray[np.bool_]:
    """`bool[rows]`: whether two copies of a block have the same version; arguments as of `left_out`.

    >>> some_alike(np.array([7, 8, 7, -1]), np.array([[41, 44, 41, 44], [41, 41, 42, 41]])).tolist()
    [True, False]
    """
    columns, starts = _by_block(logical)
    alike = np.zeros(len(versions), np.bool_)
    for block in np.split(columns, starts[1:]):
        alike |= (np.diff(np.sort(versions[:, block], axis=1), axis=1) == 0).any(axis=1)
    return alike


def _by_block(logical: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Columns in the order of their blocks, and where each block starts among them."""
    order = np.argsort(logical, kind="stable")
    columns = order[logical[order] >= 0]
    return columns, np.flatnonzero(np.diff(logical[columns], prepend=-1))
