"""Keystreams without a rule, read off where the plaintext is constant.

Two pages are equal in a stretch of bytes only if their keystreams and their data are, so equal stretches tell which pages
share a keystream, and `schedule` makes a rule of it. Under one keystream the most frequent byte of a column is that of the
keystream wherever zeros are the most frequent data, as in free space. (Zeros or ones: the volume tells later.)

After the ECC the code fixes the rest. With the keystream known over the data, the remainder of every clean word is that of
the keystream over metadata and parity, and one and the same in all words. What it cannot check is the vote itself: a
keystream that is wrong by a codeword corrects as well as the right one. So a keystream counts as known only where every
byte of it was seen often enough.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.missing_seeds import cleaned
from deadstick.solve.schedule import Schedule, find_schedule

PLACES = 48
"""Stretches of each page that are compared."""
FEWEST_ALIKE = 3
AGREEMENT = 0.9
MOST_PAGES = 600
FEWEST_VOTES = 5
VOTES = 0.1
CLEARLY = 2
SURE_BYTES = 1.0
MOST_WORDS = 96
AGREEING_WORDS = 2
CONSTANT = 0.02
"""Share of constant stretches above which data are not scrambled."""


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


def find_table(rows: NDArray[np.uint8], pages: NDArray[np.int64], period: int) -> StoredTable | None:
    """Keystreams under the data of pages.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data, as read or corrected.
        pages: `int64[pages]`, ascending.
        period: pages after which the keystream comes again, or a multiple; 0 where nothing is known.

    Returns:
        None where nothing repeats, or the data are not scrambled.
    """
    schedule = _schedule(rows, pages)
    if schedule is None and period:
        schedule = Schedule(period, 1, 0, 0, 0, 0)
    if schedule is None or schedule.count < 2:  # noqa: PLR2004 - one keystream for all pages is a constant page
        return None
    streams = np.zeros((schedule.count, rows.shape[1]), np.uint8)
    known = np.zeros(schedule.count, np.bool_)
    shares = []
    numbers = schedule.index(pages)
    for number in np.unique(numbers).tolist():
        chosen = np.flatnonzero(numbers == number)
        chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), MOST_PAGES)).astype(np.int64)]
        streams[number], votes, second = most_frequent(rows[chosen])
        need = max(FEWEST_VOTES, VOTES * len(chosen))
        sure = (votes >= need) & (votes >= CLEARLY * second)
        known[number] = bool(sure.mean() >= SURE_BYTES)
        if known[number]:
            shares.append(float(votes.mean()) / len(chosen))
    return StoredTable(schedule, streams, known, float(np.mean(shares)) if shares else 0.0)


def _schedule(rows: NDArray[np.uint8], pages: NDArray[np.int64]) -> Schedule | None:
    """Which pages share a keystream, from stretches of eight bytes that are equal."""
    columns = np.linspace(0, rows.shape[1] - 8, PLACES).astype(np.int64)
    first: list[NDArray[np.int64]] = []
    second: list[NDArray[np.int64]] = []
    constant = 0
    for column in columns:
        part = np.ascontiguousarray(rows[:, column : column + 8])
        constant += int((part == part[:, :1]).all(axis=1).sum())
        values = part.view(np.uint64)[:, 0]
        order = np.argsort(values, kind="stable")
        same = np.flatnonzero(values[order][1:] == values[order][:-1])
        first.append(order[same])
        second.append(order[same + 1])
    if constant > CONSTANT * PLACES * len(rows):
        return None
    one, other = np.concatenate(first), np.concatenate(second)
    graph = coo_array((np.ones(len(one), np.bool_), (one, other)), shape=(len(rows), len(rows)))
    _, labels = connected_components(graph, directed=False)
    counts = np.bincount(labels)
    alike = counts[labels] >= FEWEST_ALIKE
    if int(alike.sum()) < FEWEST_ALIKE:
        return None
    return find_schedule(pages[alike], labels[alike].astype(np.uint64), AGREEMENT)


def most_frequent(rows: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """The most frequent byte of each column, how often it stands there, and how often the next one does.

    Args:
        rows: `uint8[rows, columns]`.

    >>> most_frequent(np.array([[7, 1], [7, 2], [9, 2]], np.uint8))[0].tolist()
    [7, 2]
    """
    values = np.empty(rows.shape[1], np.uint8)
    votes, second = np.empty(rows.shape[1], np.int64), np.empty(rows.shape[1], np.int64)
    for begin in range(0, rows.shape[1], 1024):
        part = rows[:, begin : begin + 1024]
        width = part.shape[1]
        codes = part + (np.arange(width) << 8)
        counts = np.bincount(codes.reshape(-1), minlength=width << 8).reshape(width, 256)
        best = counts.argmax(axis=1)
        here = slice(begin, begin + width)
        values[here], votes[here] = best, counts[np.arange(width), best]
        counts[np.arange(width), best] = 0
        second[here] = counts.max(axis=1)
    return values, votes, second


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
        chosen = np.flatnonzero(numbers == number)
        chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), MOST_WORDS)).astype(np.int64)]
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
            streams[number] ^= recipe.page_bits(word, slot)[0]
    return _with(recipe, table, streams, known, before=False) if known.any() else None


def _common_remainder(recipe: Recipe, words: NDArray[np.uint8], message_bytes: int) -> NDArray[np.uint8] | None:
    code = recipe.code
    if code is None:
        return None
    for some in (words, cleaned(words, code, message_bytes)):
        if not len(some):
            continue
        counts = Counter(row.tobytes() for row in code.codec.remainder(some, message_bytes))
        rest, votes = counts.most_common(1)[0]
        if votes >= AGREEING_WORDS:
            return np.frombuffer(rest, np.uint8)
    return None


def data_columns(recipe: Recipe) -> NDArray[np.uint8]:
    """`uint8[page_bytes]`: which bits of a page are data."""
    return data_in_place(recipe, np.full((1, recipe.layout.data_bytes), 0xFF, np.uint8))[0]


def data_in_place(recipe: Recipe, data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Data where they stand in pages, and zeros elsewhere: `uint8[rows, data_bytes]` -> `uint8[rows, page_bytes]`."""
    order = recipe.code.bit_order if recipe.code else "msb"
    bare = Recipe(1, recipe.layout, None)
    metadata = np.zeros((len(data), recipe.layout.metadata_bytes), np.uint8)
    placed = bare.encode(in_code_order(data, order), metadata, np.arange(len(data)), filler=0)
    return in_code_order(placed, order)


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
