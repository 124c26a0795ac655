"""Whether groups of keystreams have the constants that were told of them by accident, see `group_numbers`.

A tie of two blocks that are no copies gives a group a wrong constant, and all groups that are tied by way of it. So
every set of groups is asked whether it may be wrong as a whole: then its numbers fill the gaps between those of the
others by accident, and so do the ties of its blocks to theirs agree.
"""

from collections.abc import Collection, Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

SURE_GAPS, AGREEING = -3.0, -1.0
"""Logarithm of the chance that groups fill the gaps under a wrong constant, which is small enough, as the volumes
must confirm it; and what each further pair of copies adds that says the same. Two copies of a file, which are no copies
of a block, say the same in many pairs, but leave gaps."""
MOST_ASKED = 12
"""Groups of which all sets are asked: four thousand sets."""


def are_sure(
    numbers: Mapping[int, NDArray[np.int64]],
    ties: Sequence[tuple[int, int]],
    first: int,
    named: Collection[int],
    width: int,
    needed_from: int = 1,
) -> bool:
    """Whether hardly any group is where it is by accident.

    A constant that ties name is one wrong constant if they are wrong, and one that was looked for is the best of all.
    Of too many groups to ask all sets each is asked alone, as if its constant had been looked for.

    Args:
        numbers: by group, of its blocks.
        ties: groups of two copies.
        first: the group of number 0, which is known.
        named: groups that ties join to it, by way of others or at once.
        width: bits of a number.
        needed_from: see `log10_filling`.
    """
    others = sorted(set(numbers) - {first})
    every = len(others) <= MOST_ASKED
    for size in range(1, len(others) + 1 if every else 2):
        for some in combinations(others, size):
            across = sum((one in some) != (other in some) for one, other in ties)
            tried = 0 if every and set(some) <= set(named) else width
            filling = log10_filling(numbers, some, width, needed_from)
            chance = filling + tried * np.log10(2) + AGREEING * max(0, across - 1)
            if chance >= SURE_GAPS:
                return False
    return True


def log10_filling(
    numbers: Mapping[int, NDArray[np.int64]], some: Collection[int], width: int, needed_from: int = 1
) -> float:
    """Logarithm of the chance that groups fill the gaps that all others leave, under one wrong constant.

    Of so many numbers, drawn at random, the gaps must all be among them (hypergeometric distribution).

    Args:
        numbers: by group, of its blocks.
        some: the groups in question.
        width: bits of a number.
        needed_from: smaller numbers than this, but 0, may be missing. That they are there then tells nothing.

    >>> numbers = {0: np.array([0, 1, 3]), 1: np.array([1, 2])}
    >>> round(10 ** log10_filling(numbers, [1], width=4), 3)  # one of two is the 2 that is missing
    0.125
    """
    left = np.concatenate([[0], *(mine for group, mine in numbers.items() if group not in some)])
    mine = np.unique(np.concatenate([numbers[group] for group in some]))
    gaps = np.setdiff1d(np.arange(needed_from, max(int(mine.max()), int(left.max())) + 1), left)
    drawn = np.arange(len(gaps))
    return float(np.log10((len(mine) - drawn) / ((1 << width) - drawn)).sum())
