"""Numbers of writes under stored keystreams of several groups, each of which has an unknown constant over them.

A controller that counts its writes leaves another number in every block, and few are missing between the first and the
last. Numbers of one group are known but for a constant. So all constants are tried under which the groups lie side by
side in so narrow a range, and no two blocks have the same number. With few blocks to a group several sets of constants
do that. Then what was filled later must tell the order of all copies, and any set that keeps to it is as good.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.blocks.filling import differing_copies
from deadstick.solve.versions.version_bits import Copied
from deadstick.solve.versions.versions import VERSION_CHANCE

BITS = 8
FEWEST = 24
MOST_STEPS = 200_000
"""Of the search for constants, which takes a few seconds then."""
LEFT_OUT = 0.25
"""Numbers that may be missing between the first and the last, by the blocks."""


def constants_of_writes(some: Copied, groups: NDArray[np.int64]) -> dict[int, int] | None:
    """What is to be added to the values of each group so that all lie in a narrow range and differ.

    Args:
        some: numbered blocks, with the values of a byte.
        groups: `int64[blocks]`.

    Returns:
        By group, but for a constant over all, 0 for the first group; None where several answers do it and the copies
        do not tell every pair. Wrong answers may be right in most pairs, so that votes on some say little of others.

    >>> written, blocks = np.random.default_rng(1).permutation(40), np.arange(40)
    >>> some = Copied(logical=blocks, values=written ^ np.repeat([9, 200], 20), blocks=blocks, copies=None)
    >>> constants_of_writes(some, np.repeat([0, 1], 20))
    {0: 0, 1: 193}
    """
    if not _may_be_writes(some.values, groups):
        return None
    names, place = np.unique(groups, return_inverse=True)
    sets = [some.values[groups == name] for name in names.tolist()]
    answers = _answers(sets, _most(len(some.values)))
    if answers is not None and (answers[:, :1] ^ answers != answers[:1, :1] ^ answers[:1]).any():
        answers = answers[_in_order(some, some.values ^ answers[:, place.reshape(-1)])]
    if answers is None or not len(answers):
        return None
    return dict(zip(names.tolist(), (answers[0] ^ answers[0, 0]).tolist(), strict=True))


def _in_order(some: Copied, turned: NDArray[np.int64]) -> NDArray[np.bool_]:
    """`bool[answers]`: where the copies are in the order in which they were filled; nowhere if that tells not all.

    With a vote on every pair of copies that differ their order is known, and the numbers only carry it.

    Args:
        some: numbered blocks.
        turned: `int64[answers, blocks]`, their numbers.
    """
    if some.copies is None:
        return np.zeros(len(turned), np.bool_)
    pairs = differing_copies(some.logical, some.blocks, some.copies)
    votes = np.array([some.copies.vote(*pair) for pair in some.blocks[pairs].tolist()], np.int64)
    later = turned[:, pairs[:, 1]] > turned[:, pairs[:, 0]]
    kept: NDArray[np.bool_] = (np.where(later, 1, -1) == votes).all(axis=1)
    return kept


def _may_be_writes(values: NDArray[np.int64], groups: NDArray[np.int64]) -> bool:
    """Whether all values of each group differ, and so many lie in a narrow range under some constants by no accident.

    The chance is that of any constants and any range, were the values of each group drawn at random.
    """
    sizes = np.unique(groups, return_counts=True)[1].tolist()
    count, most = len(values), 1 << BITS
    span = _most(count)
    distinct = len(np.unique(np.stack([groups, values]), axis=1).T) == count
    if not distinct or count < FEWEST or span > most or len(sizes) < 2:
        return False
    in_range = np.log10(span - np.arange(count)).sum()
    drawn = sum(float(np.log10(most - np.arange(size)).sum()) for size in sizes)
    tried = (len(sizes) * BITS) * np.log10(2) + np.log10(most - span + 1)
    return bool(tried + in_range - drawn < VERSION_CHANCE)


def _answers(sets: list[NDArray[np.int64]], span: int) -> NDArray[np.int64] | None:
    """`int64[answers, groups]`: constants under which all values differ and lie in a range, the narrowest first.

    Returns:
        None where it would take too long to find all.
    """
    order = sorted(range(len(sets)), key=lambda group: -len(sets[group]))
    turned = [sets[group][None] ^ np.arange(1 << BITS)[:, None] for group in order]
    masks = [[sum(1 << value for value in row) for row in rows.tolist()] for rows in turned]
    found: list[tuple[int, list[int]]] = []
    steps = 0
    for first in range((1 << BITS) - span + 1):
        # A bit that no two numbers of a range differ in may be turned in all of them.
        if first >> (first ^ first + span - 1).bit_length():
            continue
        inside = [np.flatnonzero(((rows >= first) & (rows < first + span)).all(axis=1)).tolist() for rows in turned]
        for answer in _side_by_side(masks, inside):
            steps += 1
            if steps > MOST_STEPS:
                return None
            if answer is not None and answer[0] >> first & 1:
                found.append((answer[0].bit_length() - first, [answer[1][order.index(i)] for i in range(len(order))]))
    found.sort(key=lambda entry: entry[0])
    return np.array([constants for _, constants in found], np.int64).reshape(-1, len(sets))


def _side_by_side(masks: list[list[int]], inside: list[list[int]]) -> Iterator[tuple[int, tuple[int, ...]] | None]:
    """Choices of a constant for each group, of those given, under which no two values are the same.

    Args:
        masks: by group and constant, a bit for each value.
        inside: by group, constants.

    Yields:
        All values as bits, and the constants; None for every step on the way.
    """
    stack: list[tuple[int, tuple[int, ...]]] = [(0, ())]
    while stack:
        taken, chosen = stack.pop()
        group = len(chosen)
        if group == len(masks):
            yield taken, chosen
            continue
        yield None
        more = [(taken | masks[group][c], (*chosen, c)) for c in inside[group] if not taken & masks[group][c]]
        stack += more


def _most(count: int) -> int:
    """The longest range in which numbers of so many writes lie."""
    return int((1 + LEFT_OUT) * count)
