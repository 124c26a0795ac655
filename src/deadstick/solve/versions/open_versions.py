"""Versions that are known but for a constant, under a table of keystreams.

Under an unknown constant a version still tells copies of a block apart, but which of two is the newer one hangs on the
constant. Where versions number all writes few constants are left, and all are judged (`write_numbers`); of any other
version each bit that matters is a question of its own (`version_bits`). Where a bit is not shown, but versions count
the writes of each block, the others tell it (`write_counts`). Where something is not told, copies stay equal.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.filling import Copies, differing_copies
from deadstick.solve.blocks.numbering import Numbering
from deadstick.solve.versions.version_bits import Copied, bit_by_bit
from deadstick.solve.versions.versions import with_versions
from deadstick.solve.versions.write_counts import order_of_counts
from deadstick.solve.versions.write_numbers import (
    LESS,
    MOST_ORDERS,
    numbers_of_writes,
    orders_of_copies,
    told_order,
    votes_on_order,
)

MOST_FIELDS = 3
MOST_NUMBERS = 4
"""Times as many as there are blocks: larger numbers are none."""

Judge = Callable[[Translation, BlockMetadata], Consistency]


@dataclass(frozen=True, slots=True)
class Ordered:
    """A version, with the constant that puts the copies in order.

    Attributes:
        translation: with the version.
        offset: `uint8[metadata_bytes]`, to be added to the metadata.
        found: how consistent the volumes are under it.
        is_shown: of all copies that differ the later one is known, by its content or because the volumes contradict
            themselves with the other one.
    """

    translation: Translation
    offset: NDArray[np.uint8]
    found: Consistency
    is_shown: bool = False


def ordered(item: Numbering, metadata: BlockMetadata, judge: Judge, copies: Copies | None = None) -> Ordered | None:
    """The version of the blocks, if every bit that matters of its constant can be told.

    Args:
        item: with the logical number, which is known.
        metadata: of all written blocks, known but for a constant.
        judge: how consistent the volumes are under a translation and metadata.
        copies: what lies in them, where that may be looked at.
    """
    bare = judge(Translation("block", item.number), metadata)
    best: Ordered | None = None
    for versioned in with_versions(item, metadata, is_open=True)[:-1][:MOST_FIELDS]:
        field = versioned.translation.version
        found = _told(versioned.translation, field, metadata, judge, copies) if field is not None else None
        if found is None:
            continue
        if found.found.share > (best.found if best else bare).share + LESS or (best is None and found.is_shown):
            best = found
    return best


def _told(
    translation: Translation, field: BitField, metadata: BlockMetadata, judge: Judge, copies: Copies | None
) -> Ordered | None:
    number = translation.logical_number
    if number is None:
        return None
    rows = metadata.first_good
    logical, values = number.read(rows), field.read(rows)
    # Bad blocks and those without a number have no version either.
    numbered = logical < MOST_NUMBERS * len(logical)
    logical, values = logical[numbered], values[numbered]
    blocks = metadata.blocks[numbered]
    width = metadata.values.shape[2]

    def found(constant: int) -> Consistency:
        return judge(translation, replace(metadata, values=metadata.values ^ _offset(field, constant, width)))

    numbers = numbers_of_writes(values)
    if numbers is not None:
        pairs = differing_copies(logical, blocks, copies)
        orders = orders_of_copies(pairs, values, numbers.constants)
        if len(orders) <= MOST_ORDERS:
            votes = np.array([copies.vote(*pair) if copies else 0 for pair in blocks[pairs].tolist()], np.int64)
            order = told_order(orders, found, partial(votes_on_order, pairs, values, votes))
            return order and Ordered(translation, _offset(field, order[0], width), *order[1:])
    copied = Copied(logical, values, blocks, copies)
    settled = bit_by_bit(copied, found)
    if numbers is None and (settled is None or not settled[2]):
        counts = order_of_counts(copied, found)
        if counts is not None and (settled is None or counts[1].share >= settled[1].share - LESS):
            settled = counts
    if settled is None or (numbers is not None and not numbers.hold(settled[0])):
        return None
    return Ordered(translation, _offset(field, settled[0], width), *settled[1:])


def _offset(field: BitField, constant: int, metadata_bytes: int) -> NDArray[np.uint8]:
    """`uint8[metadata_bytes]`: a constant in the bytes of a field."""
    offset = np.zeros(metadata_bytes, np.uint8)
    inside = slice(field.first_byte, field.first_byte + field.length)
    offset[inside] = np.frombuffer(constant.to_bytes(field.length, field.byte_order), np.uint8)
    return offset
