"""Keystreams without a rule, read off where the plaintext is constant.

Two pages are equal in a stretch of bytes only if their keystreams and their data are, so equal stretches tell which
pages share a keystream, and `find_schedule` makes a rule of it. Under one keystream the most frequent byte of a column
is that of the keystream wherever zeros are the most frequent data, as in free space. (Zeros or ones: the volume tells
later.)

What the code cannot check (`table_recipes`) is the vote itself: a keystream that is wrong by a codeword corrects as
well as the right one. So a keystream counts as known only where every byte of it was seen often enough.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.solve.blank_neighbours import with_blank_neighbours
from deadstick.solve.blank_runs import with_blank_runs
from deadstick.solve.copied_pages import Tied, tied_by_copies
from deadstick.solve.find_schedule import find_schedule
from deadstick.solve.schedule import Schedule
from deadstick.solve.spread import evenly_of

PLACES = 48
"""Stretches of each page that are compared."""
FEWEST_ALIKE = 3
LARGE = (0.3, 0.1, 0.0)
"""Of the largest group: smaller ones may be copies of one and the same data, which say little."""
AGREEMENT = 0.9
MOST_PAGES = 600
FEWEST_VOTES = 5
MORE_THAN_COPIES = 2
"""Copies of one page of data look like a keystream, too. How many there are, the second most frequent bytes under all
keystreams tell; the first must be more."""
FEWEST_SUPPORTERS = 3
SUPPORT = 0.5
"""Share of the sure places around a place at which a page must have the keystream bare, to speak for it there."""
AROUND = 32
FEWEST_AROUND = 8
ROUNDS = 64
SURE = 0.3
"""Share of the places that must be sure before pages are told from each other by them."""
CLEARLY = 2
CONSTANT = 0.15
"""Share of constant stretches above which data are not scrambled. A few pages may be written without a scrambler."""


@dataclass(frozen=True)
class StoredTable:
    """A table of keystreams.

    Attributes:
        schedule: which page has which.
        streams: `uint8[count, columns]`.
        known: `bool[count]`.
        votes: share of the pages that say the same, on average over known keystreams.
        by_few: `bool[count]`: those that follow from the majority of a few pages; where these are as read, single bits
            may be wrong.
    """

    schedule: Schedule
    streams: NDArray[np.uint8]
    known: NDArray[np.bool_]
    votes: float
    by_few: NDArray[np.bool_]

    @property
    def unknown(self) -> int:
        """Keystreams that are not known."""
        return int((~self.known).sum())


def find_table(
    rows: NDArray[np.uint8],
    pages: NDArray[np.int64],
    period: int,
    pieces: int = 1,
    *,
    may_be_plain: bool = True,
    rule: Schedule | None = None,
    exact: bool = False,
) -> StoredTable | None:
    """Keystreams under the data of pages.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data, as read or corrected.
        pages: `int64[pages]`, ascending.
        period: pages after which the keystream comes again, or a multiple; 0 where nothing is known.
        pieces: codewords in a page, at each of which the keystream may start anew; 1 where they are not alike.
        may_be_plain: nothing says yet that the data are scrambled; where pages do not decode as they are, that does.
        rule: which page has which, where that is known; else it follows from stretches that are equal.
        exact: the code has corrected the rows, so that sums of copies are those of their keystreams.

    Returns:
        None where nothing repeats, or the data are not scrambled.
    """
    if not len(rows):
        return None
    schedule = rule or _schedule(rows, pages, CONSTANT if may_be_plain else 1.0)
    if schedule is None and period:
        schedule = Schedule(period, 1, 0, 0, 0, 0)
    if schedule is None or schedule.count < 2:
        return None
    streams = np.zeros((schedule.count, rows.shape[1]), np.uint8)
    known = np.zeros(schedule.count, np.bool_)
    shares = []
    numbers = schedule.index(pages)
    under = [evenly_of(np.flatnonzero(numbers == number), MOST_PAGES) for number in range(schedule.count)]
    copies = max(int(np.median(most_frequent(rows[chosen])[2])) for chosen in under if len(chosen))
    need = max(FEWEST_VOTES, copies + MORE_THAN_COPIES)
    for number, chosen in enumerate(under):
        found = _voted(rows[chosen], pieces, need) if len(chosen) else None
        if found is not None:
            known[number] = True
            streams[number] = found[0]
            shares.append(found[1])
    voted = known
    streams, known = with_blank_neighbours(rows, pages, numbers, streams, known)
    streams, known = with_blank_runs(rows, pages, numbers, streams, known, schedule.pages_per_block)
    if exact and not known.all():
        streams, known = _with_ties(rows, numbers, streams, known)
    return StoredTable(schedule, streams, known, float(np.mean(shares)) if shares else 0.0, known & ~voted)


def _with_ties(
    rows: NDArray[np.uint8], under: NDArray[np.int64], streams: NDArray[np.uint8], known: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Further keystreams: those that copies tie to known ones, or to so many others that all their pages tell."""
    tied = tied_by_copies(rows, under, len(known))
    if tied is None:
        return streams, known
    streams, known = streams.copy(), known.copy()
    for group in np.unique(tied.group[~known]).tolist():
        members = np.flatnonzero(tied.group == group)
        firsts = streams[members[known[members]]] ^ tied.sums[members[known[members]]]
        if len(members) == 1 or (firsts != firsts[:1]).any():
            continue
        first = firsts[0] if len(firsts) else _of_group(rows, under, tied, members)
        if first is not None:
            streams[members], known[members] = first ^ tied.sums[members], True
    return streams, known


def _of_group(
    rows: NDArray[np.uint8], under: NDArray[np.int64], tied: Tied, members: NDArray[np.int64]
) -> NDArray[np.uint8] | None:
    """The first keystream of a group, from all pages under keystreams of the group."""
    chosen = np.flatnonzero(np.isin(under, members))
    alike = rows[chosen] ^ tied.sums[under[chosen]]
    # Copies of a page of data come as often as there are copies; blank pages come more often than any other.
    (_, *others) = (times for _, times in Counter(row.tobytes() for row in alike).most_common(2))
    found = _supported(alike, max(FEWEST_VOTES, sum(others) + MORE_THAN_COPIES))
    return found[0] if found is not None else None


def _voted(rows: NDArray[np.uint8], pieces: int, need: int) -> tuple[NDArray[np.uint8], float] | None:
    """A keystream and the share of the rows that have it, or None where some of it was not seen often enough.

    Args:
        rows: `uint8[pages, data_bytes]`, under one keystream.
        pieces: codewords in a page, at each of which the keystream may start anew.
        need: votes that are more than copies of one page of data could have.
    """
    whole = _supported(rows, need)
    if whole is not None or pieces == 1:
        return whole
    piece = _supported(rows.reshape(len(rows) * pieces, -1), need)
    if piece is None:
        return None
    # Under a keystream that goes on, each codeword has a stretch of its own: all must have the one of the first.
    alike = (rows.reshape(len(rows), pieces, -1, 8) == piece[0].reshape(-1, 8)).all(axis=3).mean(axis=2) >= SUPPORT
    return (np.tile(piece[0], pieces), piece[1]) if (alike.sum(axis=0) >= FEWEST_SUPPORTERS).all() else None


def _supported(rows: NDArray[np.uint8], need: int) -> tuple[NDArray[np.uint8], float] | None:
    """The vote of all rows, then that of the rows that agree with it around each place."""
    stream, votes, second = most_frequent(rows)
    sure = (votes >= need) & (votes > second)
    if sure.mean() < SURE:
        return None
    before = 0
    for _ in range(ROUNDS):
        if sure.all() or sure.sum() <= before:
            break
        before = int(sure.sum())
        same = (rows.reshape(len(rows), -1, 8) == stream.reshape(-1, 8)).all(axis=2)
        near = _around(same & sure) >= np.maximum(FEWEST_AROUND, SUPPORT * _around(sure[None]))
        stream, votes, second = most_frequent(np.where(np.repeat(near, 8, axis=1), rows, 0).astype(np.uint8))
        sure = (votes >= FEWEST_SUPPORTERS) & (votes >= CLEARLY * second)
    return (stream, float(votes.mean()) / len(rows)) if sure.all() else None


def _around(places: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many of the places around each are marked: `bool[rows, places]` -> `int64[rows, places]`."""
    sums = np.zeros((len(places), places.shape[1] + 1), np.int64)
    np.cumsum(places, axis=1, out=sums[:, 1:])
    here = np.arange(places.shape[1])
    counts: NDArray[np.int64] = (
        sums[:, np.minimum(here + AROUND + 1, len(here))] - sums[:, np.maximum(here - AROUND, 0)]
    )
    return counts


def _schedule(rows: NDArray[np.uint8], pages: NDArray[np.int64], most_constant: float) -> Schedule | None:
    """Which pages share a keystream, from stretches of eight bytes that are equal; None if too many are constant."""
    columns = np.linspace(0, rows.shape[1] - 8, PLACES).astype(np.int64)
    first: list[NDArray[np.int64]] = []
    second: list[NDArray[np.int64]] = []
    constant = 0
    for column in columns:
        part = np.ascontiguousarray(rows[:, column : column + 8])
        telling = np.flatnonzero((part != part[:, :1]).any(axis=1))
        constant += len(rows) - len(telling)
        values = part.view(np.uint64)[telling, 0]
        order = telling[np.argsort(values, kind="stable")]
        values = np.sort(values)
        same = np.flatnonzero(values[1:] == values[:-1])
        first.append(order[same])
        second.append(order[same + 1])
    if constant > most_constant * PLACES * len(rows):
        return None
    one, other = np.concatenate(first), np.concatenate(second)
    graph = coo_array((np.ones(len(one), np.bool_), (one, other)), shape=(len(rows), len(rows)))
    _, labels = connected_components(graph, directed=False)
    counts = np.bincount(labels)
    for share in LARGE:
        alike = counts[labels] >= max(FEWEST_ALIKE, share * int(counts.max()))
        schedule = find_schedule(pages[alike], labels[alike].astype(np.uint64), AGREEMENT)
        if schedule is not None:
            return schedule
    return None


def most_frequent(rows: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """The most frequent eight bytes of each eight columns, how often they stand there, and how often the next do.

    Eight equal bytes in a row, which no keystream has, are left out.

    Args:
        rows: `uint8[rows, columns]`, columns a multiple of eight.

    Returns:
        `uint8[columns]`, `int64[columns / 8]`, `int64[columns / 8]`.

    >>> rows = np.array([list(range(8)), list(range(8)), [9] * 8, [9] * 8, [9] * 8, [3] * 7 + [5]], np.uint8)
    >>> values, votes, second = most_frequent(rows)
    >>> values.tolist(), votes.tolist(), second.tolist()
    ([0, 1, 2, 3, 4, 5, 6, 7], [2], [1])
    """
    values = np.sort(np.ascontiguousarray(rows).view(np.uint64), axis=0)
    bytes_of = np.ascontiguousarray(values).view(np.uint8).reshape(*values.shape, 8)
    runs = (bytes_of != bytes_of[:, :, :1]).any(axis=2).astype(np.int64)
    for row in range(1, len(values)):
        runs[row] += runs[row - 1] * (values[row] == values[row - 1])
    places = np.arange(values.shape[1])
    last = runs.argmax(axis=0)
    best, votes = values[last, places], runs[last, places]
    second = np.where(values == best, 0, runs).max(axis=0)
    return np.ascontiguousarray(best).view(np.uint8), votes, second
