"""Do numbers follow the order of writing? Sequential writes show it, whatever the volumes say.

A host writes long files, and a new volume, to rising addresses (common practice, no source). So of a field that numbers
all writes, numbers in a row often belong to logical blocks in a row. A field that has nothing to do with writing does
not, and one that falls with time goes through the logical blocks downwards.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.blocks.filling import LEFT_OUT
from deadstick.solve.common.chance import log10_tail


def sequential_by_accident(logical: NDArray[np.int64], version: NDArray[np.int64]) -> float:
    """Logarithm of the chance that numbers in a row belong to logical blocks in a row so often, and upwards.

    Were the numbers dealt out at random, any block could follow any other; and as many steps to a neighbour would go
    down as up. The less rare of the two counts.

    Args:
        logical: `int64[blocks]`, equal for copies of one block; negative where a block is nobody's copy.
        version: `int64[blocks]`.

    Returns:
        0 where two blocks have the same number, or more numbers are missing than lost blocks explain.

    >>> logical = np.r_[np.arange(40), 7, 8, 9, 3, 30]
    >>> numbers = np.delete(np.arange(1000, 1046), 42)
    >>> sequential_by_accident(logical, numbers) < -10
    True
    >>> sequential_by_accident(logical, -numbers), sequential_by_accident(logical, numbers % 40)
    (0.0, 0.0)
    """
    order = np.argsort(version, kind="stable")
    order = order[logical[order] >= 0]
    count = len(order)
    if count < 2:
        return 0.0
    logical, apart = logical[order], np.diff(version[order])
    if (apart == 0).any() or int((apart - 1).sum()) > LEFT_OUT * (count - 1):
        return 0.0
    steps = np.diff(logical)[apart == 1]
    up, down = int((steps == 1).sum()), int((steps == -1).sum())
    numbers, copies = np.unique(logical, return_counts=True)
    beside = np.diff(numbers) == 1
    followed = int((copies[:-1] * copies[1:])[beside].sum()) / (count * (count - 1))
    if not up or not followed:
        return 0.0
    return max(log10_tail(len(steps), up, followed), log10_tail(up + down, up, 0.5))
