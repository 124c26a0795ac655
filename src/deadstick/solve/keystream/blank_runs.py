"""Keystreams of a table that one long run of free space shows, where all else is packed.

With few blank pages under each keystream their content is no more frequent than copies of one page of data may be. But
if they lie next to each other, a long run of pages is equal, but for bit errors, to the pages that follow under the
same keystreams, and to those after them. Files do not come again like that: they would have to be as long as all the
keystreams together, and lie there three times in a row. A pattern that fills a file does, and makes no volume; copies
of a block do, and are left out by their distance.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly
from deadstick.solve.keystream.blank_neighbours import BLANK, MOST_FLIPS, PIECES, majority

Bytes = NDArray[np.uint8]

FEWEST_PAGES = 3
"""Equal pages of a run under each keystream; one less where nearly all come again, and none is known otherwise."""
NEARLY_ALL = 0.9
FEWEST_KEYSTREAMS = 8
SHORTEST_BLOCK = 32
"""Pages; no block has fewer (common practice, no source)."""


def with_blank_runs(
    rows: Bytes,
    pages: NDArray[np.int64],
    under: NDArray[np.int64],
    streams: Bytes,
    known: NDArray[np.bool_],
    block: int = 0,
) -> tuple[Bytes, NDArray[np.bool_]]:
    """Further keystreams, from runs of pages that come again under the same keystreams.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data, as read or corrected.
        pages: `int64[pages]`, ascending.
        under: `int64[pages]`, the keystream of each.
        streams: `uint8[count, data_bytes]`, as far as they are known.
        known: `bool[count]`.
        block: pages in a block; 0 where that is not known.

    Returns:
        `uint8[count, data_bytes]` and `bool[count]`, with those that follow; the same arrays where none does.

    >>> rng = np.random.default_rng(1)
    >>> streams, rows = rng.integers(0, 256, (8, 512), np.uint8), rng.integers(0, 256, (64, 512), np.uint8)
    >>> numbers = np.arange(64)
    >>> rows[16:42] = streams[numbers[16:42] % 8]
    >>> found, known = with_blank_runs(rows, numbers, numbers % 8, np.zeros_like(streams), np.zeros(8, bool))
    >>> bool(known.all()), bool((found == streams).all())
    (True, True)
    """
    columns = (8 * evenly(rows.shape[1] // 8, PIECES)[:, None] + np.arange(8)).reshape(-1)
    pieces = np.ascontiguousarray(rows[:, columns]).view(np.uint64)
    for run in _runs(pieces, pages, under, block):
        numbers, counts = np.unique(under[run], return_counts=True)
        told = numbers[counts >= FEWEST_PAGES]
        twice = numbers[counts >= FEWEST_PAGES - 1]
        if len(twice) >= NEARLY_ALL * len(known) and not known.any():
            told = twice  # the volume tells whether this was a copy
        if len(told) < FEWEST_KEYSTREAMS or known[told].all() or _is_refuted(rows, run, under, streams, known):
            continue
        streams, known = streams.copy(), known.copy()
        for number in told[~known[told]].tolist():
            streams[number], known[number] = majority(rows[run[under[run] == number]]), True
    return streams, known


def _runs(
    pieces: NDArray[np.uint64], pages: NDArray[np.int64], under: NDArray[np.int64], block: int
) -> list[NDArray[np.int64]]:
    """Rows of pages in line, each equal to the next one under its keystream or to the one before, longest first.

    Between them may lie a few that have no like, in the middle of a run that is not twice as long as the table.
    """
    order = np.lexsort((pages, under))
    one, other = order[:-1], order[1:]
    apart = pages[other] - pages[one]
    # What comes again after a whole number of blocks may be copies of a block.
    alike = (under[one] == under[other]) & (apart % block != 0 if block else apart < SHORTEST_BLOCK)
    alike[alike] = _are_alike(pieces[one[alike]], pieces[other[alike]])
    # A block of one page throughout, as a trial may leave it, is under no keystream.
    repeated = (under[:-1] != under[1:]) & _are_alike(pieces[:-1], pieces[1:])
    alike &= ~np.r_[repeated, False][one] & ~np.r_[False, repeated][one]
    covered = np.zeros(len(pages), np.bool_)
    covered[one[alike]] = covered[other[alike]] = True
    rows = np.flatnonzero(covered)
    gap = int((1 - NEARLY_ALL) * (under.max() + 1)) + 1
    run = np.full(len(pages), -1, np.int64)
    run[rows] = np.cumsum(np.r_[0, np.diff(pages[rows]) > 1 + gap][: len(rows)])
    # Rows of a run whose likes lie elsewhere are copies.
    inside = alike & (run[one] == run[other])
    kept = np.union1d(one[inside], other[inside])
    return sorted(np.split(kept, np.flatnonzero(np.diff(run[kept])) + 1), key=len, reverse=True)


def _are_alike(one: NDArray[np.uint64], other: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Which rows are equal but for bit errors: twice `uint64[rows, pieces]` -> `bool[rows]`."""
    alike: NDArray[np.bool_] = np.bitwise_count(one ^ other).max(axis=1) <= MOST_FLIPS
    return alike


def _is_refuted(
    rows: Bytes, run: NDArray[np.int64], under: NDArray[np.int64], streams: Bytes, known: NDArray[np.bool_]
) -> bool:
    """Whether pages of a run under keystreams that are known hold data."""
    told = run[known[under[run]]]
    if not len(told):
        return False
    pieces = (rows[told] == streams[under[told]]).reshape(len(told), rows.shape[1] // 8, 8)
    return bool((pieces.all(axis=2).mean(axis=1) > BLANK).mean() < BLANK)
