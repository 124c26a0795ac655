"""Versions that count the writes of each block, known but for a constant: copies follow each other without a gap.

Under most constants they would not. What lies one apart differs in all bits from some bit down, and only two constants
over these bits leave it one apart: the right one, and its complement, which turns the whole order round. So the copies
whose versions differ in the most bits settle all lower ones for all others, and one question is left, whichever copies
answer it. Copies that differ in a few bytes alone, which tell nothing by themselves, are put in order by the rest.

A field that is no such count might do so by accident, and is dealt out at random to see how often it would. Where a
copy between two others is lost, no constant leaves all one apart, and nothing is told; but where two are lost between
two others, one might. So the highest bit must decide between copies of two blocks, or be told by the copies.
"""

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.solve.blocks.filling import in_turn_by_accident, pairs_of_copies, votes_by_accident
from deadstick.solve.blocks.left_out import left_out
from deadstick.solve.versions.version_bits import Copied
from deadstick.solve.versions.versions import VERSION_CHANCE
from deadstick.solve.versions.write_numbers import LESS, told_order, votes_on_order

MOST_BITS, FEWEST_HIGHEST = 10, 2
"""Bits in which versions of copies differ, those of the block that was written most often; and pairs of copies that
differ in all of these, where copies do not tell the order of one."""


def order_of_counts(some: Copied, found: Callable[[int], Consistency]) -> tuple[int, Consistency, bool] | None:
    """The constant of a version that counts the writes of each block, if volumes and copies tell which way it goes.

    Args:
        some: the blocks.
        found: how consistent the volumes are under a constant.

    Returns:
        The constant, how consistent the volumes are under it, and whether the order is shown: by the copies, or clearly
        by the volumes. None where the versions are no such counts, the order is not told, or the volumes are better off
        with another one, in which copies do not follow each other.
    """
    logical, values = some.logical, some.values
    constants = constants_in_turn(logical, values)
    if not constants:
        return None
    pairs = np.array(list(pairs_of_copies(logical, values ^ constants[0])), np.int64).reshape(-1, 2)
    differing = values[pairs[:, 0]] ^ values[pairs[:, 1]]
    pairs, votes = _votes(some, pairs)
    is_told = votes[values[pairs[:, 0]] ^ values[pairs[:, 1]] == differing.max()].any()
    if not is_told and (differing == differing.max()).sum() < FEWEST_HIGHEST:
        return None
    votes_on = partial(votes_on_order, pairs, values, votes)
    told = told_order(constants, found, votes_on)
    if told is None or _by_accident(logical, values ^ told[0], votes_on(told[0])) >= VERSION_CHANCE:
        return None
    deciding = {int(bits) + 1 >> 1 for bits in differing}
    if any(found(told[0] ^ bit).share > told[1].share + LESS for bit in deciding):
        return None
    return told


def constants_in_turn(logical: NDArray[np.int64], values: NDArray[np.int64]) -> list[int]:
    """The constants, over the bits in which copies differ, under which the versions of all copies follow each other.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        values: `int64[blocks]`.

    Returns:
        Two, each other's complement; none where there are no copies, two of them are equal, or some are missing under
        every constant.

    >>> logical, counts = np.array([1, 1, 2, 2, 3, 3, 3, 4]), np.array([43, 44, 42, 41, 41, 42, 43, 41])
    >>> constants_in_turn(logical, counts ^ 0b101)
    [2, 5]
    >>> constants_in_turn(logical[1:], np.delete(counts, 5))
    []
    """
    order = np.lexsort((values, logical))
    logical, values = logical[order], values[order]
    if not len(values):
        return []
    same = np.diff(logical) == 0
    steps = (values[1:] ^ values[:-1])[same]
    bits = int(np.bitwise_or.reduce(steps)).bit_length() if len(steps) else 0
    if not bits or bits > MOST_BITS or (steps == 0).any():
        return []
    constants = np.arange(1 << bits)
    told: list[int] = constants[left_out(logical, values ^ constants[:, None]) == 0].tolist()
    return told


def _votes(some: Copied, pairs: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """`int64[pairs, 2]`, of rows, those that hold different data; and `int64[pairs]`, what they say (`Copies`)."""
    copies = some.copies
    if copies is None:
        return pairs, np.zeros(len(pairs), np.int64)
    pairs = np.array([pair for pair in pairs if not copies.alike(*some.blocks[pair].tolist())], np.int64).reshape(-1, 2)
    return pairs, np.array([copies.vote(*pair) for pair in some.blocks[pairs].tolist()], np.int64)


def _by_accident(logical: NDArray[np.int64], counts: NDArray[np.int64], votes: list[int]) -> float:
    """Logarithm of the chance that a field which is no count follows itself so under any constant, and the copies it.

    Of the constants each and its complement make one; the votes chose between the two.
    """
    steps = [int(counts[a] ^ counts[b]) for a, b in pairs_of_copies(logical, counts)]
    constants = 1 << max(steps).bit_length() - 1
    by_votes = min(0.0, votes_by_accident(votes) + float(np.log10(2)))
    return in_turn_by_accident(logical, counts) + float(np.log10(constants)) + by_votes
