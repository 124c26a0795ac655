"""Keystreams of a table that copies of pages tie to each other.

Old copies of a block lie about on every chip that does not write in place, and under a rule that goes by block a copy
has other keystreams. The sum of two pages with the same data is the sum of their keystreams, whatever the data. So
where two pairs of pages under the same two keystreams have the same sum, they are copies, and the sum is known.
Keystreams that are tied so have one unknown page in common instead of one each, and all pages under them vote on it.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

FEWEST_PAIRS = 2
CLEARLY = 2
"""Times as often as any other sum of the same keystreams. Pages that differ in a number alone, as neighbours in a table
do, have sums in common without being copies, and some more often than others."""
MOST_SUMS, MOST_UNDER, CHUNK = 1 << 27, 2048, 256
"""Pairs of pages that are looked at, and pages under one keystream. Copies lie anywhere on a chip, so that all pages
are looked at if they are not too many; and pages of rows that are folded at once."""
MOST_PAIRS = 64
MOST_TIES = 20000
"""Pairs of keystreams that are looked at."""
CONTRADICTING = 0.1
"""Share of the ties that may contradict the others; with more, what was tied are no copies."""


@dataclass(frozen=True)
class Tied:
    """Keystreams that are known but for what all of a group have in common.

    Attributes:
        group: `int64[count]`, of each keystream.
        sums: `uint8[count, data_bytes]`: each less the first one of its group.
    """

    group: NDArray[np.int64]
    sums: Bytes


@dataclass(frozen=True)
class _Tie:
    """Two keystreams, the sum of which is known from so many pairs of pages."""

    one: int
    other: int
    total: Bytes
    pairs: int


def tied_by_copies(rows: Bytes, under: NDArray[np.int64], wanted: NDArray[np.bool_]) -> Tied | None:
    """What copies of pages under different keystreams tell of these.

    Args:
        rows: `uint8[pages, data_bytes]`, corrected, scrambled. Where they are too many, the first ones are looked at.
        under: `int64[pages]`, the keystream of each.
        wanted: `bool[count]`: keystreams that are asked for. What ties two others tells nothing new.

    Returns:
        None where nothing is tied, or the ties contradict each other.

    >>> rng = np.random.default_rng(1)
    >>> streams, data = rng.integers(0, 256, (2, 64), np.uint8), rng.integers(0, 256, (5, 64), np.uint8)
    >>> rows, under = np.concatenate([data ^ streams[0], data[:4] ^ streams[1]]), np.repeat([0, 1], [5, 4])
    >>> tied = tied_by_copies(rows, under, np.ones(2, np.bool_))
    >>> bool((tied.sums[0] ^ tied.sums[1] == streams[0] ^ streams[1]).all())
    True
    """
    count = len(wanted)
    ties = sorted(_ties(rows, under, wanted), key=lambda tie: -tie.pairs)
    if not ties:
        return None
    group, sums = np.arange(count), np.zeros((count, rows.shape[1]), np.uint8)
    against = 0
    for tie in ties:
        difference = sums[tie.one] ^ sums[tie.other] ^ tie.total
        if group[tie.one] == group[tie.other]:
            against += bool(difference.any())
            continue
        joined = group == group[tie.other]
        sums[joined] ^= difference
        group[joined] = group[tie.one]
    return Tied(group, sums) if against <= CONTRADICTING * len(ties) else None


def _ties(rows: Bytes, under: NDArray[np.int64], wanted: NDArray[np.bool_]) -> Iterator[_Tie]:
    pairs = [(one, other) for one, other in combinations(range(len(wanted)), 2) if wanted[one] or wanted[other]]
    pairs = pairs[:MOST_TIES]
    folded = _folded(rows)
    members = [_apart(rows, np.flatnonzero(under == number)[:MOST_UNDER]) for number in range(len(wanted))]
    sums = sum(len(members[one]) * len(members[other]) for one, other in pairs)
    first = len(rows) if sums <= MOST_SUMS else int(len(rows) * (MOST_SUMS / sums) ** 0.5)
    members = [rows_of[rows_of < first] for rows_of in members]
    for one, other in pairs:
        tie = _tie(rows, folded, members[one], members[other])
        if tie is not None:
            yield _Tie(one, other, *tie)


def _folded(rows: Bytes) -> NDArray[np.uint64]:
    """`uint64[rows]`: all eight bytes of each row, turned and added, so that the sum of two is that of their sum."""
    pieces = np.ascontiguousarray(rows[:, : rows.shape[1] // 8 * 8]).view(np.uint64)
    turn = (np.arange(pieces.shape[1]) % 63 + 1).astype(np.uint64)
    folded = np.zeros(len(rows), np.uint64)
    for first in range(0, len(rows), CHUNK):
        some = pieces[first : first + CHUNK]
        folded[first : first + CHUNK] = np.bitwise_xor.reduce(some << turn | some >> (64 - turn), axis=1)
    return folded


def _apart(rows: Bytes, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Rows under one keystream of which no two are equal: copies of both pages of a pair are no second pair."""
    seen = {rows[row].tobytes(): row for row in chosen[::-1].tolist()}
    return np.array(sorted(seen.values()), np.int64)


def _tie(
    rows: Bytes, folded: NDArray[np.uint64], one: NDArray[np.int64], other: NDArray[np.int64]
) -> tuple[Bytes, int] | None:
    """The sum of the two keystreams under which rows lie, and how many pairs have it."""
    if min(len(one), len(other)) < FEWEST_PAIRS:
        return None
    sums = (folded[one][:, None] ^ folded[other]).reshape(-1)
    # Few sums come again, if any, and sorting them all without their places is quicker.
    ordered = np.sort(sums)
    again = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    if not len(again):
        return None
    order = np.flatnonzero(again[np.minimum(np.searchsorted(again, sums), len(again) - 1)] == sums)
    order = order[np.argsort(sums[order])]
    borders = np.flatnonzero(np.r_[True, sums[order[1:]] != sums[order[:-1]], True])
    totals: Counter[bytes] = Counter()
    for group in np.flatnonzero(np.diff(borders) >= FEWEST_PAIRS).tolist():
        pairs = order[borders[group] : borders[group + 1]][:MOST_PAIRS]
        totals.update(
            (rows[x] ^ rows[y]).tobytes()
            for x, y in zip(one[pairs // len(other)].tolist(), other[pairs % len(other)].tolist(), strict=True)
        )
    # Two pages with copies of both under either keystream have the same sum crosswise, too, just as often.
    (total, times), *others = totals.most_common(2) or [(b"", 0)]
    if times < FEWEST_PAIRS or any(times < CLEARLY * as_often for _, as_often in others):
        return None
    return np.frombuffer(total, np.uint8), times
