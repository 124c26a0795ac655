"""The kernel of `likely_bytes`: many small systems of linear equations over GF(2)."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def solve_systems(masks: NDArray[np.uint64], odd: NDArray[np.bool_], width: int, solutions: NDArray[np.uint64]) -> None:
    """The x of each system that its first independent equations give.

    masks: uint64[systems, equations], the bits of x that each adds up; odd: bool[systems, equations], whether their sum
    is one; width: bits of x, at most 64; solutions: uint64[systems], left as it is where the equations do not fix x.
    """
    rows = np.empty(64, np.uint64)
    pivots = np.empty(64, np.uint64)
    ones = np.empty(64, np.bool_)
    for system in range(masks.shape[0]):
        rank = 0
        for equation in range(masks.shape[1]):
            row = masks[system, equation]
            one = odd[system, equation]
            for earlier in range(rank):
                if row & pivots[earlier]:
                    row ^= rows[earlier]
                    one ^= ones[earlier]
            if row:
                rows[rank] = row
                pivots[rank] = row & (~row + np.uint64(1))
                ones[rank] = one
                rank += 1
                if rank == width:
                    break
        if rank < width:
            continue
        x = np.uint64(0)
        # A row has no pivot of an earlier one, so the last one has none but its own.
        for last in range(rank - 1, -1, -1):
            parity = rows[last] & x
            for shift in (32, 16, 8, 4, 2, 1):
                parity ^= parity >> np.uint64(shift)
            if (parity & np.uint64(1) == 1) != ones[last]:
                x |= pivots[last]
        solutions[system] = x
