"""Versions of blocks under groups of keystreams, or one, where the copies themselves tell which of them is newer.

Each group has an unknown constant over its versions. On a chip of few large blocks there are too few versions to tell
these by their range, or by what most blocks have. But there are few copies, too, and what was filled or deleted since
may tell the order of every pair that does not hold the same data. Then any constants under which the versions follow
that order leave the newest data in place: nothing is asked of the version but to say what the data say already. Where
the data do not tell the order of some pairs, counts of writes under many groups may (`group_counts`).
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.filling import Copies, differing_copies
from deadstick.solve.blocks.left_out import left_out, some_alike
from deadstick.solve.keystream_groups.group_counts import Pair, constants_of_counts
from deadstick.solve.versions.versions import VERSION_CHANCE

BITS, MOST_STATES = 8, 1024


def version_by_copies(
    number: BitField, metadata: BlockMetadata, groups: NDArray[np.int64], copies: Copies, limit: int
) -> tuple[BitField, dict[int, int]] | None:
    """A field, and constants over it, that put all copies of blocks in the order that their data tell.

    Args:
        number: the logical number, which is known.
        metadata: of all written blocks, known but for a row of each group.
        groups: `int64[blocks]`, of the written ones.
        copies: what lies in them.
        limit: numbers are smaller; other blocks have none.

    Returns:
        The field, and by group what is to be added to it. None where copies differ whose order is told neither by
        their data nor by counts of writes, or no field puts them in it.
    """
    rows = metadata.first_good
    logical = number.read(rows)
    kept = np.flatnonzero(logical < limit)
    order, silent = order_by_content(logical[kept], metadata.blocks[kept], copies)
    if not order:
        return None
    best: tuple[int, BitField, dict[int, int]] | None = None
    for byte in np.flatnonzero(~metadata.changing[kept].any(axis=0)).tolist():
        values = rows[kept, byte].astype(np.int64)
        if number.first_byte <= byte < number.first_byte + number.length or not is_count(values, groups[kept]):
            continue
        some = logical[kept], values, groups[kept], order
        found = constants_of_counts(*some, silent) if silent else constants_in_order(*some)
        if found is not None and (best is None or found[0] < best[0]):
            best = found[0], BitField(byte, 1), found[1]
    return best and best[1:]


def order_by_content(
    logical: NDArray[np.int64], blocks: NDArray[np.int64], copies: Copies
) -> tuple[list[Pair], list[Pair]]:
    """All pairs of copies that hold different data: those that tell their order, the older one first, and all others.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        blocks: `int64[blocks]`, as `copies` names them.
        copies: what lies in them.
    """
    told: list[Pair] = []
    silent: list[Pair] = []
    for one, other in differing_copies(logical, blocks, copies).tolist():
        vote = copies.vote(int(blocks[one]), int(blocks[other]))
        pairs = told if vote else silent
        pairs.append((one, other) if vote >= 0 else (other, one))
    return told, silent


def is_count(values: NDArray[np.int64], groups: NDArray[np.int64]) -> bool:
    """Whether the values of each group lie close together under some constant, as counts do, but are not all the same.

    >>> is_count(np.array([7, 6, 7, 5, 5, 4]) ^ np.repeat([0, 200], 3), np.repeat([0, 1], 3))
    True
    >>> is_count(np.arange(120, 136) ^ 0x5A, np.zeros(16, np.int64))  # all bits change between 127 and 128
    True
    >>> is_count(np.array([7, 170, 7, 5, 5, 4]), np.repeat([0, 1], 3))
    False
    """
    changing, chance = False, 0.0
    for group in np.unique(groups).tolist():
        mine = values[groups == group]
        changing |= len(np.unique(mine)) > 1
        span = int(np.ptp(mine[None] ^ np.arange(1 << BITS)[:, None], axis=1).min()) + 1
        # With the first one anywhere in it, all others fall into such a range by accident, under one of all constants.
        chance += (len(mine) - 1) * float(np.log10(span / (1 << BITS))) + float(np.log10(span << BITS)) * (span > 1)
    return changing and chance < VERSION_CHANCE


def constants_in_order(
    logical: NDArray[np.int64], values: NDArray[np.int64], groups: NDArray[np.int64], order: list[Pair]
) -> tuple[int, dict[int, int]] | None:
    """Constants of each group under which copies are in an order, and all have different versions.

    Several constants may do that, which put copies that hold the same data in one order or the other. The likeliest
    are those that leave hardly a version out between copies, as counts of the writes of each block do, and then those
    of the shortest span. Numbers of all writes, of which no two are the same, are only close together.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        values: `int64[blocks]`, of a byte.
        groups: `int64[blocks]`.
        order: pairs of rows, the older one first.

    Returns:
        The span of the versions, and by group what is to be added; None where no constants do it.

    >>> versions, logical = np.array([3, 4, 5, 3, 3]), np.array([0, 0, 0, 1, 2])
    >>> groups = np.array([0, 1, 1, 0, 0])
    >>> constants_in_order(logical, versions ^ 9 * groups, groups, [(0, 1), (1, 2)])[0]
    3
    >>> constants_in_order(logical, versions, groups, [(0, 1), (1, 2), (2, 0)]) is None
    True
    """
    names = np.unique(groups)
    place = np.searchsorted(names, groups)
    are_counts = any(len(np.unique(values[groups == name])) < (groups == name).sum() for name in names.tolist())
    # Blocks without copies count for the span alone.
    copied = np.flatnonzero(np.isin(logical, np.flatnonzero(np.bincount(logical) > 1)))
    lowest, highest = _ends_of_groups(values, place)
    # One row for each choice of constants of the groups so far.
    states = np.zeros((1, 0), np.int64)
    spans = np.zeros(1, np.int64)
    for done in range(1, len(names) + 1):
        turns = np.tile(np.arange(1 << BITS), len(states))
        states = np.column_stack([np.repeat(states, 1 << BITS, axis=0), turns])
        for older, newer in order:
            if max(place[older], place[newer]) < done:
                states = states[values[older] ^ states[:, place[older]] < values[newer] ^ states[:, place[newer]]]
        some = copied[place[copied] < done]
        versions = values[some] ^ states[:, place[some]]
        kept = ~some_alike(logical[some], versions)
        states, missing = states[kept], left_out(logical[some], versions[kept])
        if not len(states):
            return None
        groups_so_far = np.arange(done)
        spans = highest[groups_so_far, states].max(axis=1) - lowest[groups_so_far, states].min(axis=1) + 1
        likeliest = np.lexsort((spans, missing * are_counts))[:MOST_STATES]
        states, spans = states[likeliest], spans[likeliest]
    return int(spans[0]), dict(zip(names.tolist(), states[0].tolist(), strict=True))


def _ends_of_groups(values: NDArray[np.int64], place: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """`int64[groups, 256]` each: the lowest and the highest value of each group under every constant."""
    turned = values[:, None] ^ np.arange(1 << BITS)
    groups = [turned[place == group] for group in range(int(place.max()) + 1)]
    return np.array([mine.min(axis=0) for mine in groups]), np.array([mine.max(axis=0) for mine in groups])
