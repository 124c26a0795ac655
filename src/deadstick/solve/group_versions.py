"""Versions of blocks under stored keystreams of several groups, each of which has an unknown constant over them.

A controller that counts its writes leaves another number in every block, and few are missing between the first and the
last. In whatever way a constant turns bits round, numbers that lie close together share their higher bits: so many
numbers in so narrow a range have few different values of these. With a wrong constant of one group against another
there are more, or two blocks have the same number.

A controller that counts the writes of each block has written most of them as often as each other, and the most frequent
version of each group is the same. Then copies must bear it out: two copies of a block have versions one after the
other, which differ in all bits from some bit down.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.translation import Translation
from deadstick.solve.block_metadata import BlockMetadata
from deadstick.solve.filling import Copies, pairs_of_copies
from deadstick.solve.write_numbers import orders_of_copies, votes_on_order

BITS = 8
MOST_GROUPS, FEWEST, MOST_STATES = 4, 24, 4096
LEFT_OUT = 0.25
"""Numbers that may be missing between the first and the last, by the blocks."""
USUAL = 0.5
"""Share of the blocks of a group that must have the version that most have."""


def constants_of_writes(values: NDArray[np.int64], groups: NDArray[np.int64]) -> dict[int, int] | None:
    """What is to be added to the values of each group so that all lie in a narrow range and differ.

    Args:
        values: `int64[blocks]`, of a byte.
        groups: `int64[blocks]`.

    Returns:
        By group, 0 for the first; None where not one answer alone does it.

    >>> written = np.random.default_rng(1).permutation(40)
    >>> constants_of_writes(written ^ np.repeat([9, 200], 20), np.repeat([0, 1], 20))
    {0: 0, 1: 193}
    """
    names = np.unique(groups).tolist()
    sets = [np.unique(values[groups == name]) for name in names]
    count = sum(map(len, sets))
    if count < len(values) or not FEWEST <= count < 1 << BITS or not 1 < len(names) <= MOST_GROUPS:
        return None
    states: list[tuple[int, ...]] = [(0,) * len(names)]
    for bit in reversed(range(BITS)):
        turns = [(0, *turn) for turn in product((0, 1 << bit), repeat=len(names) - 1)]
        tried = [tuple(a | b for a, b in zip(state, turn, strict=True)) for state in states for turn in turns]
        states = [state for state in tried if _different(sets, state, bit) <= _most(count, bit)]
        if len(states) > MOST_STATES:
            return None
    told = [state for state in states if _different(sets, state, 0) == count]
    return dict(zip(names, told[0], strict=True)) if len(told) == 1 else None


def versions_agree(translation: Translation, rows: NDArray[np.uint8], groups: NDArray[np.int64], limit: int) -> bool:
    """Whether counts of writes of blocks of different groups can be compared.

    Args:
        translation: with number and version.
        rows: `uint8[blocks, metadata_bytes]`.
        groups: `int64[blocks]`.
        limit: numbers are smaller; other blocks have none.
    """
    number, version = translation.logical_number, translation.version
    if number is None or version is None:
        return False
    logical = number.read(rows)
    numbered = logical < limit
    logical, values, groups = logical[numbered], version.read(rows)[numbered], groups[numbered]
    return _are_counts(logical, values, groups)


def constant_of_writes(
    translation: Translation, metadata: BlockMetadata, copies: Copies, limit: int
) -> NDArray[np.uint8] | None:
    """What is to be added to the metadata so that versions, which number all writes, put the copies in order.

    Some constants turn the order of the writes round, and some that of a part of them. What was filled later tells
    which of two copies is the newer one; all constants that agree with that in every pair of copies must put all pairs
    in the same order.

    Args:
        translation: with number and version.
        metadata: of all written blocks, known but for a constant.
        copies: what lies in them.
        limit: numbers are smaller; other blocks have none.

    Returns:
        `uint8[metadata_bytes]`; None where they are no numbers of writes, or the order is not told.
    """
    number, version = translation.logical_number, translation.version
    if number is None or version is None:
        return None
    logical = number.read(metadata.first_good)
    numbered = np.flatnonzero(logical < limit)
    values = version.read(metadata.first_good)[numbered]
    if not _are_writes(values):
        return None
    constants = np.arange(1 << BITS)
    narrow = constants[np.ptp(values[None] ^ constants[:, None], axis=1) < (1 + LEFT_OUT) * len(values)]
    pairs = np.array(list(pairs_of_copies(logical[numbered], values)), np.int64).reshape(-1, 2)
    votes = np.array([copies.vote(*pair) for pair in metadata.blocks[numbered][pairs].tolist()], np.int64)
    orders = orders_of_copies(pairs, values, narrow)
    told = [order for order in orders if -1 not in votes_on_order(pairs, values, votes, order)]
    if len(told) != 1:
        return None
    offset: NDArray[np.uint8] = np.zeros((1, metadata.values.shape[2]), np.uint8)
    version.write(offset, np.array(told, np.int64))
    return offset.reshape(-1)


def _are_writes(values: NDArray[np.int64]) -> bool:
    """Whether values, known but for a constant, are another in each block and lie in a narrow range."""
    zero = (0,)
    narrow = all(_different([values], zero, bit) <= _most(len(values), bit) for bit in range(BITS))
    return len(values) >= FEWEST and _different([values], zero, 0) == len(values) and narrow


def _are_counts(logical: NDArray[np.int64], values: NDArray[np.int64], groups: NDArray[np.int64]) -> bool:
    """Whether the versions of two copies are one after the other, of some in each group; most others are the same."""
    usual = np.bincount(np.unique(values, return_inverse=True)[1]).argmax()
    is_usual = values == np.unique(values)[usual]
    names = np.unique(groups)
    if any(is_usual[groups == name].mean() < USUAL for name in names.tolist()):
        return False
    seen: set[int] = set()
    for copied in np.flatnonzero(np.bincount(logical) > 1).tolist():
        copies = np.flatnonzero(logical == copied)
        if len(np.unique(values[copies])) < len(copies):
            return False
        if len(copies) == 2:
            difference = int(values[copies[0]] ^ values[copies[1]])
            if difference & (difference + 1):
                return False
            if groups[copies[0]] != groups[copies[1]]:
                seen.update(groups[copies].tolist())
    return seen == set(names.tolist())


def _most(count: int, bit: int) -> int:
    """Values that numbers of so many writes have at the most, without so many low bits."""
    span = int((1 + LEFT_OUT) * count)
    return (span - 2 >> bit) + 2 if bit else count


def _different(sets: list[NDArray[np.int64]], constants: tuple[int, ...], bit: int) -> int:
    """Different values of all sets, without so many low bits."""
    parts = [(some ^ constant) >> bit for some, constant in zip(sets, constants, strict=True)]
    return len(np.unique(np.concatenate(parts)))
