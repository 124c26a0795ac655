"""A version that is known but for a constant, one bit of the constant after the other.

Which of two copies of a block is the newer one hangs on one bit of the constant: the highest one in which the two
differ. So every bit that matters is a question of its own, and an answer counts only if something speaks for it: the
volumes contradict themselves less, the copies show which was filled later (`filling`), the versions fill the range of a
count from zero on, as they would not with the bit turned round, or they are numbers of writes one after the other,
which they are under hardly any other constant. A bit that nothing tells leaves the copies equal.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.solve.blocks.filling import Copies
from deadstick.solve.versions.write_numbers import CLEARLY_LESS, LESS, turned_closest, turned_to_sequence

MOST_BITS = 16
DENSE, SPARSER = 0.5, 0.97
"""Share of its range that a count of writes fills at least, and what must be left of it with a bit turned round."""


@dataclass(frozen=True, slots=True)
class Copied:
    """Numbered blocks with versions.

    Attributes:
        logical: `int64[blocks]`, equal for copies of one block.
        values: `int64[blocks]`, of the version, known but for a constant.
        blocks: `int64[blocks]`, physical block numbers.
        copies: what lies in them; None where that may not be looked at.
    """

    logical: NDArray[np.int64]
    values: NDArray[np.int64]
    blocks: NDArray[np.int64]
    copies: Copies | None


def bit_by_bit(some: Copied, found: Callable[[int], Consistency]) -> tuple[int, Consistency, bool] | None:
    """The constant of a version, if all bits of it that matter can be told.

    Args:
        some: the blocks.
        found: how consistent the volumes are under a constant.

    Returns:
        The constant, how consistent the volumes are under it, and whether of all copies that differ the later one is
        shown; None where a bit is not told.
    """
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
    if any(_contradicts(votes.get(bit, []), constant & bit) for bit in left):
        return None
    clear = {bit for bit, share in turned_round.items() if share <= best.share - CLEARLY_LESS}
    shown = bool(votes) and set(votes) <= clear.union(told)
    if copies:
        # The bits of all copies that differ are told; others put such in order as hold the same data.
        constant ^= turned_closest(logical, values ^ constant, fixed=sum(votes))
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


def _unanimous(votes: list[int]) -> int:
    """What all say that say something: one is enough where nobody is silent, else two."""
    said = [vote for vote in votes if vote]
    agreed = len(set(said)) == 1 and len(said) >= min(2, len(votes))
    return said[0] if agreed else 0


def _contradicts(votes: list[int], bit: int) -> bool:
    """Whether all copies that say something of a bit of the constant, though too few to tell it, say the opposite.

    Volumes may be more consistent with an older state of the disk.
    """
    return {vote for vote in votes if vote} == {1 if bit else -1}


def _deciding_bits(logical: NDArray[np.int64], values: NDArray[np.int64]) -> Iterator[int]:
    """Powers of two, falling: the highest bits in which copies of one block differ."""
    highest: set[int] = set()
    for number in np.flatnonzero(np.bincount(logical) > 1).tolist():
        copies = values[logical == number].tolist()
        highest |= {(a ^ b).bit_length() for place, a in enumerate(copies) for b in copies[:place] if a != b}
    return iter(sorted((1 << length - 1 for length in highest), reverse=True))


def _fills(values: NDArray[np.int64], bit: int) -> bool:
    """Whether values are those of a count that hardly leaves one out, and with a bit turned round are not."""
    distinct = len(np.unique(values))
    before, after = (distinct / (int(some.max()) + 1) for some in (values, values ^ bit))
    return before >= DENSE and after < SPARSER * before


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
