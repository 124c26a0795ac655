"""Keystreams without a rule, read off where the plaintext is constant.

Two pages are equal in a stretch of bytes only if their keystreams and their data are, so equal stretches tell which
pages share a keystream, and `find_schedule` makes a rule of it. The pages under each then vote on its bytes
(`stream_votes`).

What the code cannot check (`table_recipes`) is the vote itself: a keystream that is wrong by a codeword corrects as
well as the right one. So a keystream counts as known only where every byte of it was seen often enough.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.solve.common.spread import evenly_of
from deadstick.solve.keystream.blank_neighbours import with_blank_neighbours
from deadstick.solve.keystream.blank_runs import with_blank_runs
from deadstick.solve.keystream.copied_pages import Tied, tied_by_copies
from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.likely_streams import with_likely_streams
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.stream_votes import most_frequent, supported_stream, voted_stream

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
    schedule = rule or next(schedules(rows, pages, period, may_be_plain=may_be_plain), None)
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
        found = voted_stream(rows[chosen], pieces, need) if len(chosen) else None
        if found is not None:
            known[number] = True
            streams[number] = found[0]
            shares.append(found[1])
    voted = known
    streams, known = with_blank_neighbours(rows, pages, numbers, streams, known)
    streams, known = with_blank_runs(rows, pages, numbers, streams, known, schedule.pages_per_block)
    if exact and not known.all():
        order = _by_place(pages, schedule)
        streams, known = _with_ties(rows[order], numbers[order], streams, known)
        streams, known = with_likely_streams(rows, numbers, streams, known)
    return StoredTable(schedule, streams, known, float(np.mean(shares)) if shares else 0.0, known & ~voted)


def _by_place(pages: NDArray[np.int64], schedule: Schedule) -> NDArray[np.int64]:
    """`int64[pages]`: rows in the order in which copies are looked for.

    Where each block lies under one keystream, some places of all blocks show more copies than all places of some
    blocks. Where keystreams go by the place as well, each of them has few places, and none may be left out.
    """
    if schedule.page_step or not schedule.pages_per_block:
        return np.arange(len(pages))
    return np.argsort(pages % schedule.pages_per_block, kind="stable")


def _with_ties(
    rows: NDArray[np.uint8], under: NDArray[np.int64], streams: NDArray[np.uint8], known: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Further keystreams: those that copies tie to known ones, or to so many others that all their pages tell."""
    tied = tied_by_copies(rows, under, ~known)
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
    found = supported_stream(alike, max(FEWEST_VOTES, sum(others) + MORE_THAN_COPIES))
    return found[0] if found is not None else None


def schedules(
    rows: NDArray[np.uint8], pages: NDArray[np.int64], period: int, *, may_be_plain: bool = True
) -> Iterator[Schedule]:
    """Rules for which pages share a keystream, as stretches of eight bytes that are equal show them.

    Few pages may obey a rule by accident, and all that are labelled another one, so there may be several.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data.
        pages: `int64[pages]`, ascending.
        period: pages after which the keystream comes again, or a multiple, which counts where no rule shows; or 0.
        may_be_plain: nothing says yet that the data are scrambled; no rule where too many stretches are constant.
    """
    found = _labels(rows, CONSTANT if may_be_plain else 1.0)
    labels = np.zeros(0, np.int64) if found is None else found
    counts = np.bincount(labels)
    seen: set[Schedule] = set()
    for share in LARGE if len(labels) else ():
        alike = counts[labels] >= max(FEWEST_ALIKE, share * int(counts.max()))
        schedule = find_schedule(pages[alike], labels[alike].astype(np.uint64), AGREEMENT)
        if schedule is not None and schedule not in seen:
            seen.add(schedule)
            yield schedule
    if period and not seen:
        yield Schedule(period, 1, 0, 0, 0, 0)


def _labels(rows: NDArray[np.uint8], most_constant: float) -> NDArray[np.int64] | None:
    """`int64[pages]`: the same for pages that are joined by equal stretches; None if too many are constant."""
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
    labels: NDArray[np.int64] = connected_components(graph, directed=False)[1].astype(np.int64)
    return labels
