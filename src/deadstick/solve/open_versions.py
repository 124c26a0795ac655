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
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.numbering import BlockMetadata, Numbering
from deadstick.solve.versions import with_versions

LESS, CLEARLY_LESS = 1e-4, 2e-3
"""Share of what the volumes promise that is a difference; and one that an older state of a disk, which may hold a bit
better than one that was never finished, does not make."""
MOST_FIELDS, MOST_BITS = 3, 16
MOST_NUMBERS = 4
"""Times as many as there are blocks: larger numbers are none."""
DENSE, SPARSER = 0.5, 0.97
"""Share of its range that a count of writes fills at least, and what must be left of it with a bit turned round."""

SEQUENCE_BITS, OF_SEQUENCE, SEQUENCE, LONGER = 11, 0.9, 0.75, 2
"""Bits of a number of writes that are looked at, the share of the blocks that must have the higher ones in common, the
share of its span that such numbers fill, and by how much the span must be longer with a bit turned round, beside the
numbers that are left out: those may all be missing at one end."""

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
    bits = list(_deciding_bits(logical, values))
    votes = _votes(logical, values, metadata.blocks[numbered], copies) if copies else {}
    told = {bit: said for bit, some in votes.items() if bit and (said := _unanimous(some))}
    constant = lowest_constant(values)
    for bit, later in told.items():
        constant = constant & ~bit | (bit if later < 0 else 0)

    def found(constant: int) -> Consistency:
        changed = metadata.values ^ _offset(field, constant, metadata.values.shape[2])
        return judge(translation, replace(metadata, values=changed))

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
    return Ordered(translation, _offset(field, constant, metadata.values.shape[2]), best, shown)


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
    highest, counts = np.unique(values >> SEQUENCE_BITS, return_counts=True)
    chosen = np.unique(values[values >> SEQUENCE_BITS == highest[counts.argmax()]])
    if len(chosen) < OF_SEQUENCE * len(values) or max(bits) >> SEQUENCE_BITS:
        return None
    length = int(np.bitwise_or.reduce(chosen ^ chosen[0])).bit_length()
    turns = np.arange(1 << length)
    turns = turns[turns & fixed == 0]
    turned = chosen[None] ^ turns[:, None]
    spans = turned.max(axis=1) - turned.min(axis=1) + 1
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


def _offset(field: BitField, constant: int, metadata_bytes: int) -> NDArray[np.uint8]:
    """`uint8[metadata_bytes]`: a constant in the bytes of a field."""
    offset = np.zeros(metadata_bytes, np.uint8)
    inside = slice(field.first_byte, field.first_byte + field.length)
    offset[inside] = np.frombuffer(constant.to_bytes(field.length, field.byte_order), np.uint8)
    return offset
