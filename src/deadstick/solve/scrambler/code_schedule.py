"""Which pages share a keystream, told by the code alone.

The sum of two words under one keystream is a codeword with the errors of both, and is corrected; that of words under
two keystreams is as good as random, and is not. So the code tells which pages share a keystream where no plaintext
does. Inside a block the keystream comes again after a number of pages, which shows where the blocks begin; a few pages
of every block, compared with those of the blocks before it, tell the rest, and `find_schedule` makes a rule of it.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.spread import evenly
from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.schedule import Schedule

MOST_LAG = 1024
FIRST_PAIRS, MORE_PAIRS, FEWEST_CODEWORDS = 6, 48, 0.2
"""Pairs of pages that are tried at each lag, and the share that must decode: pairs across the borders of blocks do not,
nor do those with more errors than the code corrects."""
MOST_RULES, FEWEST_LABELLED = 6, 0.5
"""Lags that are tried, and the share of the pages that must lie in stretches which follow from one."""
MOST_PAGES, MOST_STRETCHES, MOST_KNOWN = 8192, 64, 16
"""Pages, stretches between two borders, and stretches with keystreams of their own that are looked at."""
COMPARED = 3
"""Pages of a stretch that are compared with those of another."""
MANY, MOST_ERRORS = 4, 0.05
AGREEMENT = 0.95


@dataclass(frozen=True)
class _Words:
    """A codeword of every page.

    Attributes:
        recipe: layout and code.
        words: `uint8[pages, bytes]`, as read.
        row: `int64[page numbers]`: which of them is that of a page; -1 for none.
    """

    recipe: Recipe
    words: NDArray[np.uint8]
    row: NDArray[np.int64]

    def has(self, pages: NDArray[np.int64]) -> NDArray[np.bool_]:
        """`bool[pages]`: which page numbers are there."""
        inside = (pages >= 0) & (pages < len(self.row))
        there: NDArray[np.bool_] = inside & (self.row[np.where(inside, pages, 0)] >= 0)
        return there

    def share(self, one: NDArray[np.int64], other: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which pairs of pages share a keystream, as far as that can be told: twice `int64[pairs]` -> `bool[pairs]`."""
        good = self.has(one) & self.has(other)
        code = self.recipe.code
        if code is not None and good.any():
            message_bytes = self.recipe.layout.codewords[0].message_bits // 8
            sums = self.words[self.row[one[good]]] ^ self.words[self.row[other[good]]]
            good[good] = code.codec.decode(sums, message_bytes).errors >= 0
        return good


@dataclass(frozen=True)
class _Stretch:
    """Pages between two borders of blocks, or of what looks like them.

    Attributes:
        first: number of the first page.
        end: number behind the last one.
        labels: of its pages, in their turn; they come again when they are through.
    """

    first: int
    end: int
    labels: NDArray[np.int64]


def schedule_by_code(recipe: Recipe, raw: NDArray[np.uint8], pages: NDArray[np.int64], lag: int) -> Schedule | None:
    """The rule of the keystreams.

    Args:
        recipe: with layout and code, unscrambled.
        raw: `uint8[pages, page_bytes]`, as read.
        pages: `int64[pages]`, their numbers, ascending.
        lag: pages after which the keystream comes again somewhere.

    Returns:
        None where no lag shows, or no rule explains which pages share a keystream.
    """
    if recipe.code is None or not len(pages) or not lag:
        return None
    pages = pages[:MOST_PAGES]
    row = np.full(int(pages[-1]) + 1, -1, np.int64)
    row[pages] = np.arange(len(pages))
    words = _Words(recipe, recipe.words(raw[:MOST_PAGES], pages, 0), row)
    rules = (_rule(words, pages, period) for period in islice(_lags(words, pages, lag), MOST_RULES))
    return next((rule for rule in rules if rule is not None), None)


def unlike_neighbours(raw: NDArray[np.uint8], under: NDArray[np.int64] | None = None) -> NDArray[np.bool_]:
    """Pages that are not equal to the one before or behind them, but for bit errors.

    Trial blocks of one page throughout are under no keystream, and share one with themselves alone.

    Args:
        raw: `uint8[pages, page_bytes]`, as read.
        under: `int64[pages]`, the keystream of each, where that is known: neighbours under the same one may be equal.

    Returns:
        `bool[pages]`.
    """
    repeated = np.array(
        [np.bitwise_count(one ^ other).mean() < 8 * MOST_ERRORS for one, other in pairwise(raw)], np.bool_
    )
    if under is not None:
        repeated &= under[1:] != under[:-1]
    telling: NDArray[np.bool_] = ~np.r_[repeated, False] & ~np.r_[False, repeated]
    return telling[: len(raw)]


def _lags(words: _Words, pages: NDArray[np.int64], lag: int) -> Iterator[int]:
    """Lags at which pages share a keystream, the shortest first."""
    for period in range(1, min(lag, MOST_LAG) + 1):
        for count, needed in ((FIRST_PAIRS, 0.0), (MORE_PAIRS, FEWEST_CODEWORDS)):
            one = pages[evenly(len(pages), count)]
            if words.share(one, one + period).mean() <= needed:
                break
        else:
            yield period


def _rule(words: _Words, pages: NDArray[np.int64], period: int) -> Schedule | None:
    """The rule, if keystreams come again after so many pages inside a block.

    Pages on both sides of a border may share one at another lag; then the stretches between what looks like borders
    contradict each other.
    """
    stretches = _stretches(words, pages, period)
    labelled = _usual(_labelled(words, stretches[:MOST_STRETCHES], period))
    if len(stretches) <= MOST_STRETCHES and sum(one.end - one.first for one in labelled) < FEWEST_LABELLED * len(pages):
        return None
    if not labelled:
        return None
    chosen = np.concatenate([np.arange(one.first, one.end) for one in labelled])
    labels = np.concatenate([one.labels[np.arange(one.end - one.first) % period] for one in labelled])
    return find_schedule(chosen, labels.astype(np.uint64), AGREEMENT)


def _stretches(words: _Words, pages: NDArray[np.int64], period: int) -> list[tuple[int, int]]:
    """First page and end of every stretch in which keystreams come again after so many pages."""
    linked = np.zeros(len(words.row) + 1, np.int64)
    one = pages[words.has(pages + period)]
    linked[one + 1] = words.share(one, one + period)
    sums = np.cumsum(linked)
    # Of the pairs across a border none shares its keystream.
    borders = np.arange(period, len(words.row))
    crossing = sums[borders] - sums[borders - period]
    ends = borders[crossing == 0]
    marks = np.unique(np.r_[0, ends, len(words.row)])
    # Neighbouring marks are one border, or pages that are not there.
    return [(a, b) for a, b in zip(marks[:-1].tolist(), marks[1:].tolist(), strict=True) if b - a >= 2 * period]


def _labelled(words: _Words, stretches: Sequence[tuple[int, int]], period: int) -> list[_Stretch]:
    """Stretches with a label for each keystream."""
    done: list[_Stretch] = []
    known: list[_Stretch] = []
    labels = 0
    for first, end in stretches:
        same = next((found for one in known if (found := _compared(words, one, first, end, period)) is not None), None)
        if same is None:
            if len(known) >= MOST_KNOWN:
                continue
            same = _Stretch(first, end, labels + np.arange(period))
            labels += period
            known.append(same)
        done.append(same)
    return done


def _usual(labelled: list[_Stretch]) -> list[_Stretch]:
    """Without those that share no keystream with any other where many do: a maker may leave trial blocks."""
    times = Counter(int(one.labels.min()) for one in labelled)
    if max(times.values(), default=0) < MANY:
        return labelled
    return [one for one in labelled if times[int(one.labels.min())] > 1]


def _compared(words: _Words, known: _Stretch, first: int, end: int, period: int) -> _Stretch | None:
    """A stretch with the labels of another one, if its pages share their keystreams."""
    begin = known.first + (known.end - known.first - period) // 2
    votes = np.zeros(period, np.int64)
    for place in (first + period // 2 + evenly(end - first - period, COMPARED)).tolist():
        against = np.arange(begin, begin + period)
        hits = words.share(np.full(period, place), against)
        votes += np.roll(hits, -((place - first) % period)).astype(np.int64)
    if not votes.any():
        return None
    # The first page of the stretch has the keystream of this one.
    turn = (begin - known.first + int(votes.argmax())) % period
    return _Stretch(first, end, np.roll(known.labels, -turn))
