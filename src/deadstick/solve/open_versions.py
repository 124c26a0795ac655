"""Versions that are known but for a constant, under a table of keystreams.

Under an unknown constant a version still tells copies of a block apart, but which of two is the newer one hangs on one
bit of the constant: the highest one in which the two differ. So every bit that matters is a question of its own, and
an answer counts only if something speaks for it: the volumes contradict themselves less, the copies show which was
filled later (`filling`), the versions fill the range of a count from zero on, as they would not with the bit turned
round, or they are numbers of writes one after the other, which they are under hardly any other constant. A bit that
nothing tells leaves the copies equal.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.block_metadata import BlockMetadata
from deadstick.solve.numbering import Numbering
from deadstick.solve.versions import with_versions
from deadstick.solve.write_numbers import (
    CLEARLY_LESS,
    LESS,
    MOST_ORDERS,
    numbers_of_writes,
    orders_of_copies,
    told_order,
    turned_closest,
    turned_to_sequence,
)

MOST_FIELDS, MOST_BITS = 3, 16
MOST_NUMBERS = 4
"""Times as many as there are blocks: larger numbers are none."""
DENSE, SPARSER = 0.5, 0.97
"""Share of its range that a count of writes fills at least, and what must be left of it with a bit turned round."""

Judge = Callable[[Translation, BlockMetadata], Consistency]


class Copies(Protocol):
    """What lies in copies of blocks, see `filling.Fillings`."""

    def vote(self, one: int, other: int) -> int:
        """Of two blocks, 1 where the second holds what came later, -1 where the first does, 0 where nothing tells."""

    def alike(self, one: int, other: int) -> bool:
        """Whether two blocks hold the same data throughout."""


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
    for versioned in with_versions(item, metadata)[:-1][:MOST_FIELDS]:
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
        pairs = _differing(logical, blocks, copies)
        orders = orders_of_copies(pairs, values, numbers)
        if len(orders) <= MOST_ORDERS:
            order = told_order(orders, found, partial(_votes_of_pairs, pairs, values, blocks, copies))
            return order and Ordered(translation, _offset(field, order[0], width), *order[1:])
    settled = _bit_by_bit(_Copied(logical, values, blocks, copies), found)
    if settled is None or (numbers is not None and not numbers.hold(settled[0])):
        return None
    return Ordered(translation, _offset(field, settled[0], width), *settled[1:])


@dataclass(frozen=True, slots=True)
class _Copied:
    """Numbered blocks: `int64[blocks]` each, and what lies in them."""

    logical: NDArray[np.int64]
    values: NDArray[np.int64]
    blocks: NDArray[np.int64]
    copies: Copies | None


def _bit_by_bit(some: _Copied, found: Callable[[int], Consistency]) -> tuple[int, Consistency, bool] | None:
    """The constant of a version, how consistent the volumes are under it, and whether all that differ are told."""
    logical, values, copies = some.logical, some.values, some.copies
    bits = list(_deciding_bits(logical, values))
    votes = _votes(logical, values, some.blocks, copies) if copies else {}
    told = {bit: said for bit, some in votes.items() if bit and (said := _unanimous(some))}
    constant = lowest_constant(values)
    for bit, later in told.items():
        constant = constant & ~bit | (bit if later < 0 else 0)

    if len(bits) > MOST_BITS:
        return None
    best = found(constant)
    # Where copies that a bit tells apart hold the same data, either may be taken.
    left = [bit for bit in bits if bit not in told and (bit in votes or copies is None)]
    for bit in left:
        turned = found(constant ^ bit)
        if turned.share > best.share + LESS:
            best, constant = turned, constant ^ bit
    # What was told early may look different under the later bits.
    turned_round = {bit: found(constant ^ bit).share for bit in left}
    by_volumes = {bit for bit, share in turned_round.items() if share <= best.share - LESS}
    untold = [bit for bit in left if bit not in by_volumes and not _fills(values ^ constant, bit)]
    turn = turned_to_sequence(values ^ constant, untold, fixed=sum(told) | sum(by_volumes))
    if turn is None:
        return None
    if turn:
        constant, best = constant ^ turn, found(constant ^ turn)
    clear = {bit for bit, share in turned_round.items() if share <= best.share - CLEARLY_LESS}
    shown = bool(votes) and set(votes) <= clear.union(told)
    if copies:
        # The bits of all copies that differ are told; others put such in order as hold the same data.
        constant ^= turned_closest(values ^ constant, fixed=sum(votes))
    return constant, best, shown


def _votes(
    logical: NDArray[np.int64], values: NDArray[np.int64], blocks: NDArray[np.int64], copies: Copies
) -> dict[int, list[int]]:
    """What the copies say of each bit that is the highest in which two differ.

    Returns:
        1 for each pair in which the bit is set in the later copy, -1 where it is not, 0 where nothing tells though the
        copies hold different data; pairs with the same data have no vote.
    """
    votes: dict[int, list[int]] = {}
    for number in np.flatnonzero(np.bincount(logical) > 1).tolist():
        rows = np.flatnonzero(logical == number).tolist()
        for one, other in combinations(sorted(rows, key=lambda row: values[row]), 2):
            bit = 1 << int(values[one] ^ values[other]).bit_length() - 1 if values[one] != values[other] else 0
            said = copies.vote(int(blocks[one]), int(blocks[other]))
            if said or not copies.alike(int(blocks[one]), int(blocks[other])):
                votes.setdefault(bit, []).append(said)
    return votes


def _differing(logical: NDArray[np.int64], blocks: NDArray[np.int64], copies: Copies | None) -> NDArray[np.int64]:
    """`int64[pairs, 2]`: copies of one block that do not hold the same data, as rows."""
    pairs = [
        pair
        for number in np.flatnonzero(np.bincount(logical) > 1)
        for pair in combinations(np.flatnonzero(logical == number).tolist(), 2)
        if copies is None or not copies.alike(int(blocks[pair[0]]), int(blocks[pair[1]]))
    ]
    return np.array(pairs, np.int64).reshape(-1, 2)


def _votes_of_pairs(
    pairs: NDArray[np.int64],
    values: NDArray[np.int64],
    blocks: NDArray[np.int64],
    copies: Copies | None,
    constant: int,
) -> list[int]:
    """What pairs of copies say of the order in which a constant puts them."""
    if copies is None:
        return [0] * len(pairs)
    turned = values[pairs] ^ constant
    ways = np.where(turned[:, 0] < turned[:, 1], 1, -1).tolist()
    return [way * copies.vote(*pair) for way, pair in zip(ways, blocks[pairs].tolist(), strict=True)]


def _unanimous(votes: list[int]) -> int:
    """What all say that say something: one is enough where nobody is silent, else two."""
    said = [vote for vote in votes if vote]
    agreed = len(set(said)) == 1 and len(said) >= min(2, len(votes))
    return said[0] if agreed else 0


def _deciding_bits(logical: NDArray[np.int64], values: NDArray[np.int64]) -> Iterator[int]:
    """Powers of two, falling: the highest bits in which copies of one block differ."""
    highest: set[int] = set()
    for number in np.flatnonzero(np.bincount(logical) > 1).tolist():
        copies = values[logical == number].tolist()
        highest |= {(a ^ b).bit_length() for place, a in enumerate(copies) for b in copies[:place] if a != b}
    return iter(sorted((1 << length - 1 for length in highest), reverse=True))


def lowest_constant(values: NDArray[np.int64]) -> int:
    """The constant under which the largest of some values is as small as possible.

    >>> lowest_constant(np.array([0, 1, 2, 3, 4, 5]) ^ 0b1011) in {0b1011, 0b1010}
    True
    """
    return _lowest(values, int(values.max(initial=0)).bit_length())[1]


def _lowest(values: NDArray[np.int64], bits: int) -> tuple[int, int]:
    """(largest value, constant) over the lowest so many bits."""
    if not bits or not len(values):
        return 0, 0
    bit = 1 << bits - 1
    high = (values & bit) != 0
    if not high.any() or high.all():
        largest, constant = _lowest(values & (bit - 1), bits - 1)
        return largest, constant | (bit if high.all() else 0)
    # Either half may be the upper one; the constant of the lower bits is that of the upper half.
    (one, below), (other, above) = (_lowest(values[part] & (bit - 1), bits - 1) for part in (high, ~high))
    return (bit + one, below) if one <= other else (bit + other, bit | above)


def _fills(values: NDArray[np.int64], bit: int) -> bool:
    """Whether values are those of a count that hardly leaves one out, and with a bit turned round are not."""
    distinct = len(np.unique(values))
    before, after = (distinct / (int(some.max()) + 1) for some in (values, values ^ bit))
    return before >= DENSE and after < SPARSER * before


def _offset(field: BitField, constant: int, metadata_bytes: int) -> NDArray[np.uint8]:
    """`uint8[metadata_bytes]`: a constant in the bytes of a field."""
    offset = np.zeros(metadata_bytes, np.uint8)
    inside = slice(field.first_byte, field.first_byte + field.length)
    offset[inside] = np.frombuffer(constant.to_bytes(field.length, field.byte_order), np.uint8)
    return offset
