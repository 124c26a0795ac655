"""Keystreams without a rule, read off where the plaintext is constant.

Two pages are equal in a stretch of bytes only if their keystreams and their data are, so equal stretches tell which
pages share a keystream, and `schedule` makes a rule of it. Under one keystream the most frequent byte of a column is
that of the keystream wherever zeros are the most frequent data, as in free space. (Zeros or ones: the volume tells
later.)

After the ECC the code fixes the rest. With the keystream known over the data, the remainder of every clean word is that
of the keystream over metadata and parity, and one and the same in all words. What it cannot check is the vote itself: a
keystream that is wrong by a codeword corrects as well as the right one. So a keystream counts as known only where every
byte of it was seen often enough.
"""

from collections import Counter
from dataclasses import dataclass
from itertools import chain, islice

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.recipe.code import Code, in_code_order
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.blank_neighbours import with_blank_neighbours
from deadstick.solve.missing_seeds import CLEANED, cleaned
from deadstick.solve.schedule import Schedule, find_schedule
from deadstick.solve.spread import evenly

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
MOST_WORDS = 96
AGREEING_WORDS, MOST_GROUPS = 3, 8
FEWEST_TELLING, BIASED = 4, 0.5
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
    """

    schedule: Schedule
    streams: NDArray[np.uint8]
    known: NDArray[np.bool_]
    votes: float

    @property
    def unknown(self) -> int:
        """Keystreams that are not known."""
        return int((~self.known).sum())


def find_table(
    rows: NDArray[np.uint8], pages: NDArray[np.int64], period: int, pieces: int = 1, *, may_be_plain: bool = True
) -> StoredTable | None:
    """Keystreams under the data of pages.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data, as read or corrected.
        pages: `int64[pages]`, ascending.
        period: pages after which the keystream comes again, or a multiple; 0 where nothing is known.
        pieces: codewords in a page, at each of which the keystream may start anew; 1 where they are not alike.
        may_be_plain: nothing says yet that the data are scrambled; where pages do not decode as they are, that does.

    Returns:
        None where nothing repeats, or the data are not scrambled.
    """
    if not len(rows):
        return None
    schedule = _schedule(rows, pages, CONSTANT if may_be_plain else 1.0)
    if schedule is None and period:
        schedule = Schedule(period, 1, 0, 0, 0, 0)
    if schedule is None or schedule.count < 2:
        return None
    streams = np.zeros((schedule.count, rows.shape[1]), np.uint8)
    known = np.zeros(schedule.count, np.bool_)
    shares = []
    numbers = schedule.index(pages)
    under = [_some(np.flatnonzero(numbers == number), MOST_PAGES) for number in range(schedule.count)]
    copies = max(int(np.median(most_frequent(rows[chosen])[2])) for chosen in under if len(chosen))
    need = max(FEWEST_VOTES, copies + MORE_THAN_COPIES)
    for number, chosen in enumerate(under):
        found = _voted(rows[chosen], pieces, need) if len(chosen) else None
        if found is not None:
            known[number] = True
            streams[number] = found[0]
            shares.append(found[1])
    streams, known = with_blank_neighbours(rows, pages, numbers, streams, known)
    return StoredTable(schedule, streams, known, float(np.mean(shares)) if shares else 0.0)


def _some(numbers: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """All of some numbers, or `most` of them, evenly spread."""
    return numbers[evenly(len(numbers), most)]


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


def table_before_code(recipe: Recipe, table: StoredTable) -> Recipe:
    """The recipe with a table that is added to the data before the code saw them.

    Args:
        recipe: with layout and code.
        table: from corrected data.
    """
    pages = data_in_place(recipe, table.streams)
    return _with(recipe, table, pages, table.known, before=True)


def table_after_code(
    recipe: Recipe, table: StoredTable, raw: NDArray[np.uint8], pages: NDArray[np.int64]
) -> Recipe | None:
    """The recipe with a table that is added to the stored codewords.

    Args:
        recipe: with layout and code, unscrambled.
        table: from data as read.
        raw: `uint8[pages, page_bytes]`.
        pages: `int64[pages]`, their numbers.

    Returns:
        None where no keystream makes codewords.
    """
    code = recipe.code
    if code is None:
        return None
    streams = data_in_place(recipe, table.streams)
    known = table.known.copy()
    numbers = table.schedule.index(pages)
    for number in np.flatnonzero(known).tolist():
        chosen = _some(np.flatnonzero(numbers == number), MOST_WORDS)
        bare = raw[chosen] ^ streams[number]
        for slot, codeword in enumerate(recipe.layout.codewords):
            message_bytes = codeword.message_bits // 8
            words = recipe.words(bare, pages[chosen], slot)
            rest = _common_remainder(recipe, words, message_bytes)
            if rest is None:
                known[number] = False
                break
            # The remainder of a word whose message is zero is its parity.
            word = np.concatenate([np.zeros(message_bytes, np.uint8), rest])[None]
            if _is_biased(code, words ^ word, message_bytes):
                known[number] = False
                break
            streams[number] ^= recipe.page_bits(word, slot)[0]
    return _with(recipe, table, streams, known, before=False) if known.any() else None


def _common_remainder(recipe: Recipe, words: NDArray[np.uint8], message_bytes: int) -> NDArray[np.uint8] | None:
    """The remainder that clean words have, or else cleaned ones, group by group.

    Two words of a group may have a bit error in common, which cleaning them with each other leaves in both. So their
    remainder must be that of more words than any other is.
    """
    code = recipe.code
    if code is None:
        return None
    counts: Counter[bytes] = Counter()
    groups = (cleaned(words[first:], code, message_bytes) for first in range(0, len(words), CLEANED))
    for some in chain((words,), islice(groups, MOST_GROUPS)):
        if not len(some):
            continue
        counts.update(row.tobytes() for row in code.codec.remainder(some, message_bytes))
        (rest, votes), *others = counts.most_common(2)
        if votes >= max(AGREEING_WORDS, CLEARLY * (others[0][1] if others else 0)):
            return np.frombuffer(rest, np.uint8)
    return None


def _is_biased(code: Code, words: NDArray[np.uint8], message_bytes: int) -> bool:
    """Whether one and the same bit is corrected in most words: then it is none of theirs, but the keystream's."""
    decoded = code.codec.decode(words.copy(), message_bytes)
    good = decoded.errors >= 0
    if good.sum() < FEWEST_TELLING:
        return False
    wrong = np.unpackbits(decoded.words[good] ^ words[good], axis=1)
    return bool(wrong.mean(axis=0).max() > BIASED)


def data_in_place(recipe: Recipe, data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Data where they stand in pages, and zeros elsewhere: `uint8[rows, data_bytes]` -> `uint8[rows, page_bytes]`."""
    order = recipe.code.bit_order if recipe.code else "msb"
    bare = Recipe(1, recipe.layout, None)
    metadata = np.zeros((len(data), recipe.layout.metadata_bytes), np.uint8)
    placed = bare.encode(in_code_order(data, order), metadata, np.arange(len(data)), filler=0)
    return in_code_order(placed, order)


def alike_pieces(layout: PageLayout) -> int:
    """Codewords of a page, if all have as much data, in their turn; else 1."""
    data = [[span for span in codeword.message if span.part is Part.DATA] for codeword in layout.codewords]
    in_turn = all(len(spans) == 1 and spans[0].target is None for spans in data)
    count = len(layout.codewords)
    return count if in_turn and len({spans[0].bits for spans in data}) == 1 else 1


def data_as_read(recipe: Recipe, raw: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Data as they stand in pages: `uint8[rows, page_bytes]` -> `uint8[rows, data_bytes]`."""
    order = recipe.code.bit_order if recipe.code else "msb"
    bare = Recipe(1, recipe.layout, None)
    data: NDArray[np.uint8] = in_code_order(bare.decode(in_code_order(raw, order), np.arange(len(raw))).data, order)
    return data


def _with(
    recipe: Recipe, table: StoredTable, streams: NDArray[np.uint8], known: NDArray[np.bool_], *, before: bool
) -> Recipe:
    schedule = table.schedule
    keystreams = StoredKeystreams(
        tuple(stream.tobytes() if sure else b"" for stream, sure in zip(streams, known.tolist(), strict=True))
    )
    covers = frozenset({Part.DATA}) if before else frozenset(Part)
    scrambler = Scrambler(
        "before_ecc" if before else "after_ecc", "column", keystreams, covers, schedule.page_step, schedule.block_step
    )
    size = schedule.pages_per_block or schedule.count
    return Recipe(size, recipe.layout, recipe.code, scrambler, recipe.translation, recipe.interleave)
