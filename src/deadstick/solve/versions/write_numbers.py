"""Versions that number all writes, known but for a constant: only a few constants leave numbers in a row.

A controller that counts its writes leaves another number in every block, and few are missing between the first and the
last. Under most constants such numbers lie apart; those that leave them together put the copies in a handful of orders,
among them the right one and the opposite. Bit by bit the volumes may lead to a wrong one that is better than its
neighbours, so all orders are judged.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.solve.blocks.left_out import left_out

SEQUENCE_BITS, OF_SEQUENCE, SEQUENCE, LONGER = 11, 0.9, 0.75, 2
"""Bits of a number of writes that are looked at, the share of the blocks that must have the higher ones in common, the
share of its span that such numbers fill, and by how much the span must be longer with a bit turned round, beside the
numbers that are left out: those may all be missing at one end."""
LEFT_OUT = 1 / 12
"""Share of the numbers that may be left out and the right constant be among those that remain, wherever they lay."""
FEWEST = 24
MOST_ORDERS = 16
LESS, CLEARLY_LESS = 1e-4, 2e-3
"""Share of what the volumes promise that is a difference; and one that an older state of a disk, which may hold a bit
better than one that was never finished, does not make."""
SURE_VOTES = 3
"""Pairs of copies, against none, that tell an order whatever the volumes say."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """Constants that leave numbers together.

    Attributes:
        constants: `int64[constants]`, over the bits that change, those that leave the shortest span first.
        bits: how many these are.
    """

    constants: NDArray[np.int64]
    bits: int

    def hold(self, constant: int) -> bool:
        """Whether numbers are together under a constant, of any bits."""
        return bool((self.constants == constant & (1 << self.bits) - 1).any())


def numbers_of_writes(values: NDArray[np.int64]) -> Numbers | None:
    """The constants under which values number all writes; None where they do under none.

    Args:
        values: `int64[blocks]`.

    >>> numbers = numbers_of_writes(np.arange(1000, 1067) ^ 0b1101)
    >>> numbers.hold(0b1101), numbers.hold(0b1001101), numbers.bits
    (True, False, 11)
    >>> numbers_of_writes(np.arange(67) // 2) is None  # two blocks have each
    True
    """
    if not len(values):
        return None
    chosen = _with_usual_high_bits(values)
    if len(chosen) < max(FEWEST, OF_SEQUENCE * len(values)):
        return None
    turns, spans = _spans(chosen)
    length = len(turns).bit_length() - 1
    shortest = int(spans.min())
    if len(chosen) < SEQUENCE * shortest:
        return None
    by_span = np.argsort(spans, kind="stable")
    # Where the second and the last but one are missing, the numbers in pairs turned round lie in a row without a gap.
    longest = max(2 * shortest - len(chosen), int(len(chosen) / (1 - LEFT_OUT))) + LONGER
    return Numbers(turns[by_span[spans[by_span] < longest]], length)


def orders_of_copies(pairs: NDArray[np.int64], values: NDArray[np.int64], constants: NDArray[np.int64]) -> list[int]:
    """For every order in which some constants put the copies, the first of them.

    Args:
        pairs: `int64[pairs, 2]`, rows of copies of one block that differ, all of them.
        values: `int64[blocks]`.
        constants: `int64[constants]`, under which `values` lie together, the likeliest first.

    >>> values = np.arange(1000, 1067) ^ 0b1101
    >>> orders_of_copies(np.array([[3, 40], [40, 60]]), values, numbers_of_writes(values).constants)
    [13, 2034]
    """
    turned = values[None] ^ constants[:, None]
    later = turned[:, pairs[:, 0]] < turned[:, pairs[:, 1]]
    _, first = np.unique(later, axis=0, return_index=True)
    return sorted(constants[first].tolist())


def votes_on_order(
    pairs: NDArray[np.int64], values: NDArray[np.int64], votes: NDArray[np.int64], constant: int
) -> list[int]:
    """What each pair of copies says of the order in which a constant puts it: 1 for it, -1 against it, 0 nothing.

    Args:
        pairs: `int64[pairs, 2]`, rows.
        values: `int64[blocks]`.
        votes: `int64[pairs]`, 1 where the second copy was filled later, -1 where the first was, 0 where nothing tells.
        constant: to be added to `values`.

    >>> votes_on_order(np.array([[0, 1], [1, 2]]), np.array([4, 6, 7]), np.array([1, -1]), 0b10)
    [-1, -1]
    """
    turned = values[pairs] ^ constant
    said: list[int] = np.where(turned[:, 0] < turned[:, 1], votes, -votes).tolist()
    return said


def told_order(
    orders: list[int], judge: Callable[[int], Consistency], votes: Callable[[int], list[int]]
) -> tuple[int, Consistency, bool] | None:
    """The one order that volumes and copies tell.

    Args:
        orders: constants, one for each order.
        judge: how consistent the volumes are under one.
        votes: of each pair of copies that differ, 1 where the later one under a constant was filled later, -1 where the
            other one was, 0 where nothing tells.

    Returns:
        The constant, how consistent the volumes are under it, and whether it is shown: by the copies, or clearly by the
        volumes. None where it is not told.
    """
    said = {order: votes(order) for order in orders}
    net = {order: some.count(1) - some.count(-1) for order, some in said.items()}
    found = {order: judge(order) for order in orders}
    best = max(orders, key=lambda order: (net[order] >= 0, found[order].share, net[order]))
    others = [order for order in orders if order != best]
    if net[best] < 0:
        return None
    margin = found[best].share - max((found[order].share for order in others), default=0.0)
    if margin >= CLEARLY_LESS or (margin > LESS and net[best] > 0):
        return best, found[best], margin >= CLEARLY_LESS or 0 not in said[best]
    sure = [order for order in orders if net[order] >= SURE_VOTES and -1 not in said[order]]
    if len(sure) == 1:
        return sure[0], found[sure[0]], True
    return None


def turned_to_sequence(values: NDArray[np.int64], bits: list[int], fixed: int) -> int | None:
    """Which of some bits must be turned round for values to be numbers of writes, one after the other.

    Args:
        values: `int64[blocks]`, known but for a constant.
        bits: powers of two that are asked for.
        fixed: bits of the constant that are known.

    Returns:
        The sum of those to turn; None where the values do not tell all bits.

    >>> written = np.arange(1000, 1067)
    >>> turned_to_sequence(written ^ 0b100, [0b100], fixed=0b1111000)
    4
    >>> turned_to_sequence(written ^ 0b100, [0b100, 0b1000000], fixed=0) is None  # as well the other way round
    True
    """
    if not bits:
        return 0
    chosen = _with_usual_high_bits(values)
    if len(chosen) < OF_SEQUENCE * len(values) or max(bits) >> SEQUENCE_BITS:
        return None
    turns, spans = _spans(chosen, fixed)
    shortest = turns[spans == spans.min()]
    if len(chosen) < SEQUENCE * int(spans.min()):
        return None
    turn, enough = 0, 2 * int(spans.min()) - len(chosen) + LONGER
    for bit in bits:
        asked = int(shortest[0]) & bit
        others = spans[turns & bit != asked]
        if not len(others) or int(others.min()) < enough:
            return None
        turn |= asked
    return turn


def turned_closest(logical: NDArray[np.int64], values: NDArray[np.int64], fixed: int) -> int:
    """What puts copies in the likeliest order where turning bits makes no difference to the data.

    Numbers lie close together whatever they count. So of copies that hold the same data the one is the newer, most
    likely, that is so where all numbers do. But the span hangs on the two outermost numbers alone, and those that end
    where a bit does have one span either way. What is left out between the copies of a block hangs on all copies. It is
    nothing where each block counts its own writes and the oldest copies are erased first, and then blocks have numbers
    in common. Numbers of all writes leave out what other blocks have, and no two blocks have the same. So the copies
    are asked before the span where two blocks have one number, and else behind it.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        values: `int64[blocks]`, known but for a constant.
        fixed: bits that must not be turned.

    Returns:
        The sum of those to turn; 0 where nothing is better.

    >>> turned_closest(np.arange(40), np.arange(1000, 1040) ^ 0b1000, fixed=0b100000)
    8
    >>> turned_closest(np.arange(40), np.arange(1000, 1040) ^ 0b1000, fixed=0b101000)
    0
    >>> logical, counts = np.array([1, 1, 2, 2, 3, 4]), np.array([44, 45, 41, 42, 42, 40])  # from 40 to 45 either way
    >>> turned_closest(logical, counts, fixed=0b10), turned_closest(logical, counts ^ 1, fixed=0b10)
    (0, 1)
    """
    if not len(values):
        return 0
    turns, spans = _spans(_with_usual_high_bits(values), fixed)
    missing = left_out(logical, values ^ turns[:, None])
    blocks_and_values = np.unique(np.stack([logical, values], axis=1), axis=0)
    counts_each = len(blocks_and_values) > len(np.unique(values))
    best = np.lexsort((spans, missing) if counts_each else (missing, spans))[0]
    return int(turns[best])


def _with_usual_high_bits(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """The different values, of at least one, that have the bits above those looked at as most do."""
    highest, counts = np.unique(values >> SEQUENCE_BITS, return_counts=True)
    return np.unique(values[values >> SEQUENCE_BITS == highest[counts.argmax()]])


def _spans(values: NDArray[np.int64], fixed: int = 0) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Constants that turn some of the bits in which values differ, but none that is fixed; and the spans they leave."""
    turns = np.arange(1 << int(np.bitwise_or.reduce(values ^ values[0])).bit_length())
    turns = turns[turns & fixed == 0]
    turned = values[None] ^ turns[:, None]
    return turns, turned.max(axis=1) - turned.min(axis=1) + 1
