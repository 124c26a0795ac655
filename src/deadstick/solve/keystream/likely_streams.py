"""Keystreams of a table under which nothing is blank, by what data of the kinds that are known look like.

A keystream under which no page is blank has no byte that is more frequent than all others. But under half of the
keystreams of a table data are known, and those under the others are of the same kinds: text, sound, tables. A file
goes on from page to page, so the known pages beside a page tell what it may hold; and how bytes follow each other, all
known pages tell. Every value of a byte of the keystream makes that byte of a hundred pages likely or not, and the right
one is likelier than any other by the product of as many likelihoods. It takes guesses of the bytes beside it, so that
the whole keystream is guessed again until it stays.

The code cannot check a keystream (`stored_keystreams`), so two things must: every byte must be far ahead of every other
value, and some known keystreams, taken away with the pages that show them bare, must come back as they were.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly, evenly_of
from deadstick.solve.keystream.likely_streams_kernels import count_between, score_streams

Bytes = NDArray[np.uint8]

SURE = 40.0
"""Logarithm of how much likelier a byte must make the pages than any other value. Of 61,440 bytes guessed from 12 to 64
pages the surest wrong one was ahead by 18; by log(61,440) = 11 if the likelihoods were exact, so they say too much by
six tenths, and 40 are worth 24: a chance of 10^-10."""
HELD = 4
"""Known keystreams that are guessed as well; at most half of them."""
MOST_ROWS, FEWEST_ROWS = 96, 24
"""Pages under a keystream; with fewer than 24 few bytes are ever so far ahead."""
MOST_BYTES = 8 << 20
"""Of pages under unknown keystreams: about three microseconds each."""
LEARNED_BYTES = 8 << 20
BESIDE = 4
"""Known pages on either side that tell what a page may hold."""
PHASES = 4
"""Columns whose values are alike: entries of tables and samples have one, two or four bytes (common practice, no
source)."""
COPIES = 0.5
"""Share of equal bytes from which on a page is a version of another, and says nothing of its own."""
SWEEPS = 3
"""Times that keystreams found help to find others."""
ROUNDS, TURNS = 8, 6
FIRST_WEIGHTS = (0.1, 0.9, 0.0, 0.0)
"""Of the guesses of a byte, see `score_streams`, before the bytes beside it are guessed."""
PAIRS = 1 << 16


@dataclass(frozen=True)
class _Known:
    """Data that are known.

    Attributes:
        at: `int64[pages]`, their rows among all, ascending.
        plain: `uint8[pages, columns]`.
        between: `uint16[3 * 65536, 256]`: how often each value stands between two others, before two, or behind two.
        totals: `float64[3 * 65536]`: the sums of these, and one.
    """

    at: NDArray[np.int64]
    plain: Bytes
    between: NDArray[np.uint16]
    totals: NDArray[np.float64]

    @classmethod
    def of(cls, rows: Bytes, under: NDArray[np.int64], streams: Bytes, known: NDArray[np.bool_]) -> "_Known":
        """Pages under known keystreams and what they teach; copies teach it once."""
        at = np.flatnonzero(known[under])
        plain = rows[at] ^ streams[under[at]]
        some = plain[evenly(len(plain), max(1, LEARNED_BYTES // plain.shape[1]))]
        once = {row.tobytes(): row for row in some}
        between = np.zeros((3 * PAIRS, 256), np.uint16)
        count_between(np.array(list(once.values())), between)
        return cls(at, plain, between, between.sum(axis=1, dtype=np.float64) + 1)

    def near(self, row: int) -> NDArray[np.float64]:
        """`float64[PHASES, 256]`: how likely each value is by the pages beside a row."""
        here = int(np.searchsorted(self.at, row))
        beside = self.plain[max(0, here - BESIDE) : here + BESIDE]
        counts = np.array([np.bincount(beside[:, phase::PHASES].reshape(-1), minlength=256) for phase in range(PHASES)])
        # Half a time more for each value, as none is impossible because it was not seen.
        every = counts.sum(axis=0) + 0.5
        every /= every.sum()
        near: NDArray[np.float64] = (counts + 16 * every) / (counts.sum(axis=1, keepdims=True) + 16)
        return near


def with_likely_streams(
    rows: Bytes, under: NDArray[np.int64], streams: Bytes, known: NDArray[np.bool_]
) -> tuple[Bytes, NDArray[np.bool_]]:
    """Further keystreams, from the likelihood of the data under them.

    Args:
        rows: `uint8[pages, columns]`, scrambled data, corrected, in the order of the pages.
        under: `int64[pages]`, the keystream of each.
        streams: `uint8[count, columns]`, as far as they are known.
        known: `bool[count]`.

    Returns:
        `uint8[count, columns]` and `bool[count]`, with those that follow; the same arrays where none does.
    """
    held = evenly_of(np.flatnonzero(known), min(HELD, int(known.sum()) // 2))
    most = min(MOST_ROWS, MOST_BYTES // (rows.shape[1] * max(1, int((~known).sum()))))
    if known.all() or most < FEWEST_ROWS or not _come_back(rows, under, streams, known, held, most):
        return streams, known
    streams, known = streams.copy(), known.copy()
    for _ in range(SWEEPS):
        learned, before = _Known.of(rows, under, streams, known), known.copy()
        for number in np.flatnonzero(~known).tolist():
            stream, sure = _likely(learned, rows, np.flatnonzero(under == number), most)
            if sure.all():
                streams[number], known[number] = stream, True
        if known.all() or (known == before).all():
            break
    return streams, known


def _come_back(
    rows: Bytes,
    under: NDArray[np.int64],
    streams: Bytes,
    known: NDArray[np.bool_],
    held: NDArray[np.int64],
    most: int,
) -> bool:
    """Whether some known keystreams are guessed from the others: one at least whole, and no sure byte wrong."""
    others = known & ~np.isin(np.arange(len(known)), held)
    if not len(held) or not others[under].any():
        return False
    learned, whole = _Known.of(rows, under, streams, others), 0
    for number in held.tolist():
        chosen = np.flatnonzero(under == number)
        chosen = chosen[(rows[chosen] != streams[number]).any(axis=1)]
        stream, sure = _likely(learned, rows, chosen, most)
        if (stream != streams[number])[sure].any():
            return False
        whole += bool(sure.all())
    return whole > 0


def _likely(learned: _Known, rows: Bytes, chosen: NDArray[np.int64], most: int) -> tuple[Bytes, NDArray[np.bool_]]:
    """The likeliest keystream under some rows, and which bytes of it are sure: `uint8[columns]`, `bool[columns]`."""
    chosen = _apart(rows, chosen, most)
    read, columns = rows[chosen], rows.shape[1]
    stream, sure = np.zeros(columns, np.uint8), np.zeros(columns, np.bool_)
    if len(chosen) < FEWEST_ROWS:
        return stream, sure
    near, telling = np.array([learned.near(row) for row in chosen.tolist()]), _telling(read)
    weights, turns = np.tile(FIRST_WEIGHTS, (len(read), 1)), 0
    for _ in range(ROUNDS):
        scores, keys = np.zeros((columns, 256)), _keys(read ^ stream)
        score_streams(read, stream, near, keys, telling, learned.between, learned.totals, weights, turns, scores)
        before, stream = stream, scores.argmax(axis=1).astype(np.uint8)
        if turns and (stream == before).all():
            second, first = np.partition(scores, -2, axis=1)[:, -2:].T
            return stream, first - second >= SURE
        weights, turns = np.full((len(read), 4), 0.25), TURNS
    return stream, sure


def _apart(rows: Bytes, chosen: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """Some rows, and of the versions of a page one: what they have in common is not said twice."""
    apart: list[int] = []
    for row in evenly_of(chosen, 2 * most).tolist():
        if not apart or (rows[apart] == rows[row]).mean(axis=1).max() < COPIES:
            apart.append(row)
    return evenly_of(np.array(apart, np.int64), most)


def _telling(read: Bytes) -> NDArray[np.bool_]:
    """`bool[rows, columns]`: of equal bytes with equal ones on both sides the first in each column.

    Where many pages begin with heads of files of one kind, they say but once what stands there, and one that looks like
    nothing in the known pages does not outweigh all others.
    """
    around = _keys(read) << 8 | read
    order = np.argsort(around, axis=0, kind="stable")
    ordered = np.take_along_axis(around, order, axis=0)
    telling = np.ones(read.shape, np.bool_)
    np.put_along_axis(telling, order[1:], ordered[1:] != ordered[:-1], axis=0)
    return telling


def _keys(plain: Bytes) -> NDArray[np.int64]:
    """`int64[rows, columns]`: the two bytes that each stands between; at the ends before, and behind."""
    values = plain.astype(np.int64)
    keys = np.empty(plain.shape, np.int64)
    keys[:, 1:-1] = values[:, :-2] << 8 | values[:, 2:]
    keys[:, 0] = PAIRS + (values[:, 1] << 8 | values[:, 2])
    keys[:, -1] = 2 * PAIRS + (values[:, -3] << 8 | values[:, -2])
    return keys
