"""Whether groups of keystreams have the constants that were told of them by accident, see `group_numbers`.

A tie of two blocks that are no copies gives a group a wrong constant, and all groups that are tied by way of it. So
every set of groups is asked whether it may be wrong as a whole: then its numbers fill the gaps between those of the
others by accident, and so do the ties of its blocks to theirs agree.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import combinations
from math import comb, log10

import numpy as np
from numpy.typing import NDArray

SURE_GAPS, AGREEING = -3.0, -1.0
"""Logarithm of the chance that groups fill the gaps under a wrong constant, which is small enough, as the volumes
must confirm it; and what each further pair of copies adds that says the same. Two copies of a file, which are no copies
of a block, say the same in many pairs, but leave gaps."""
MOST_ASKED = 14
"""Groups of which all sets are asked: sixteen thousand sets, a second or two."""

Filling = Callable[[Mapping[int, NDArray[np.int64]], Collection[int], int, int], float]
"""Logarithm of the chance that groups lie beside all others as they do; arguments as of `log10_filling`."""


def doubted_without_gaps(
    numbers: Mapping[int, NDArray[np.int64]],
    ties: Sequence[tuple[int, int]],
    first: int,
    named: Collection[int],
    width: int,
    needed_from: int = 1,
) -> tuple[int, ...] | None:
    """Groups that may be where they are by accident, where no number may be missing; None if there are none.

    A constant that ties name is one wrong constant if they are wrong, and one that was looked for is the best of all.
    Of groups that ties join one constant was looked for; it is named for some of them by the others. Of too many groups
    to ask all sets each is asked alone, as if its constant had been looked for.

    Args:
        numbers: by group, of its blocks.
        ties: groups of two copies.
        first: the group of number 0, which is known.
        named: groups that ties join to it, by way of others or at once.
        width: bits of a number.
        needed_from: see `log10_filling`.
    """
    return _doubted(numbers, ties, first, named, width, needed_from, log10_filling)


def doubted_with_gaps(
    numbers: Mapping[int, NDArray[np.int64]],
    ties: Sequence[tuple[int, int]],
    first: int,
    width: int,
    needed_from: int = 1,
) -> tuple[int, ...] | None:
    """Groups that may be where they are by accident, where blocks may be lost; None if there are none.

    Ties name the constants of all groups; for the rest see `doubted_without_gaps` and `log10_few_missing`.
    """
    return _doubted(numbers, ties, first, set(numbers), width, needed_from, log10_few_missing)


def _doubted(
    numbers: Mapping[int, NDArray[np.int64]],
    ties: Sequence[tuple[int, int]],
    first: int,
    named: Collection[int],
    width: int,
    needed_from: int,
    filling: Filling,
) -> tuple[int, ...] | None:
    others = sorted(set(numbers) - {first})
    every = len(others) <= MOST_ASKED
    joined = _joined([pair for pair in ties if not set(pair) & {first, *named}], set(others) - set(named))
    for size in range(1, len(others) + 1 if every else 2):
        for some in combinations(others, size):
            across = sum((one in some) != (other in some) for one, other in ties)
            is_named = every and not any(groups.issubset(some) for groups in joined)
            chance = filling(numbers, some, width, needed_from)
            chance += (0 if is_named else width) * np.log10(2) + AGREEING * max(0, across - 1)
            if chance >= SURE_GAPS:
                return some
    return None


def _joined(ties: Sequence[tuple[int, int]], groups: Collection[int]) -> list[set[int]]:
    """Sets of groups that ties join.

    >>> _joined([(1, 2), (4, 2)], {1, 2, 3, 4})
    [{3}, {1, 2, 4}]
    """
    sets = {group: {group} for group in groups}
    for one, other in ties:
        both = sets[one] | sets[other]
        sets |= dict.fromkeys(both, both)
    return [set(each) for each in sorted({tuple(sorted(each)) for each in sets.values()}, key=len)]


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


def log10_few_missing(
    numbers: Mapping[int, NDArray[np.int64]], some: Collection[int], width: int, needed_from: int = 1
) -> float:
    """Logarithm of the chance that groups leave no more numbers missing than they do, under one wrong constant.

    Missing are those below the largest of all. Their own numbers are drawn at random, and one of theirs may be the
    largest: so all sets of as many numbers are counted that leave no more out. A wrong constant may be wrong in the low
    bits alone, and leaves numbers among those of as many bits as there are; they are drawn from these.

    >>> numbers = {0: np.array([0, 1, 3]), 1: np.array([1, 2])}
    >>> round(10 ** log10_few_missing(numbers, [1], width=4), 2)  # 2 with 0, 1 or 3, of six pairs of numbers below 4
    0.5
    >>> numbers = {0: np.array([0, 1, 3, 5]), 1: np.array([2, 4])}
    >>> round(10 ** log10_few_missing(numbers, [1], width=4), 2)  # 2 and 4, of 28 pairs
    0.04
    """
    left = np.unique(np.concatenate([[0], *(mine for group, mine in numbers.items() if group not in some)]))
    mine = np.unique(np.concatenate([numbers[group] for group in some]))
    allowed = len(_missing(np.union1d(left, mine), needed_from))
    top, gaps, drawn = int(left.max()), len(_missing(left, needed_from)), len(mine)
    places = 1 << min(width, max(top, int(mine.max())).bit_length())
    ways = _ways(gaps, top + 1, drawn, allowed)
    for last in range(top + 1, places):
        more = gaps + max(0, last - max(top + 1, needed_from))
        if more - allowed > drawn - 1:
            break
        ways += _ways(more, last, drawn - 1, allowed)
    return log10(ways) - log10(comb(places, drawn))


def _missing(taken: NDArray[np.int64], needed_from: int) -> NDArray[np.int64]:
    """Numbers that are needed, smaller than the largest of some, and none of them."""
    return np.setdiff1d(np.arange(needed_from, int(taken.max()) + 1), taken)


def _ways(gaps: int, places: int, drawn: int, allowed: int) -> int:
    """Sets of so many of the places that leave no more of the gaps among them than are allowed."""
    fewest = max(0, gaps - allowed)
    return sum(comb(gaps, hits) * comb(places - gaps, drawn - hits) for hits in range(fewest, min(gaps, drawn) + 1))
