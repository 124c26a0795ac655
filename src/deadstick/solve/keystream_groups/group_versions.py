"""Versions of blocks under stored keystreams of several groups, once their constants are known but for one over all.

Numbers of all writes (`group_writes`) put the copies in an order and in the opposite one, whatever that constant is.

A controller that counts the writes of each block has written most of them as often as each other, and the most frequent
version of each group is the same. Then copies must bear it out: two copies of a block have versions one after the
other, which differ in all bits from some bit down.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.translation import Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.filling import Copies, differing_copies
from deadstick.solve.keystream_groups.group_writes import BITS, FEWEST, LEFT_OUT
from deadstick.solve.versions.write_numbers import orders_of_copies, votes_on_order

USUAL = 0.5
"""Share of the blocks of a group that must have the version that most have."""


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
    that differ in the same order. Of those the one counts under which the numbers lie closest together: it says most
    likely which of two copies with the same data is the newer one.

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
    spans = np.ptp(values[None] ^ np.arange(1 << BITS)[:, None], axis=1)
    by_span = np.argsort(spans, kind="stable")
    narrow = by_span[spans[by_span] < (1 + LEFT_OUT) * len(values)]
    blocks = metadata.blocks[numbered]
    pairs = differing_copies(logical[numbered], blocks, copies)
    votes = np.array([copies.vote(*pair) for pair in blocks[pairs].tolist()], np.int64)
    orders = orders_of_copies(pairs, values, narrow)
    told = [order for order in orders if -1 not in votes_on_order(pairs, values, votes, order)]
    if len(told) != 1:
        return None
    offset: NDArray[np.uint8] = np.zeros((1, metadata.values.shape[2]), np.uint8)
    version.write(offset, np.array(told, np.int64))
    return offset.reshape(-1)


def _are_writes(values: NDArray[np.int64]) -> bool:
    """Whether values, known but for a constant, are another in each block and lie in a narrow range."""
    narrow = all(len(np.unique(values >> bit)) <= _most(len(values), bit) for bit in range(BITS))
    return len(values) >= FEWEST and len(np.unique(values)) == len(values) and narrow


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
