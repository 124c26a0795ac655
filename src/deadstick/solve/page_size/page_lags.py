"""After how many pages pages come again, by whole pages that are equal.

Where nearly all data are packed, a lag of bytes (`lag_figures`) shows only in the part that holds the little free
space. But once the page size is known a few stretches of each page tell which pages are equal, anywhere. Those under
the same keystream lie at the lag after which it comes again, or at a multiple, whatever lies between them. Under a
keystream of its own for every block equal pages stand in rows, and the distance counts from where one row begins to
where the next one does: that from its end would be the length of what lies between them.

Where hardly a page is free, no two whole pages need be equal; yet here and there two files hold the same four bytes in
the same column. Under different keystreams those differ, so such pairs of pages lie multiples of the period apart, too.
The blocks of a test of the chip, in which every page is like the next, have lags of their own and are left out.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly
from deadstick.solve.page_size.geometry import MOST_PERIODS, PageCandidate, data_bytes_of

PIECES = 24
"""Stretches of eight bytes of a page that are compared."""
ALIKE = 0.5
"""Share of the stretches from which on two pages are equal; bit errors spoil some."""
FEWEST_PAIRS = 8
MOST_LAGS, MOST_CANDIDATES = 2, 4
WORD, WORD_STEP = 4, 16
"""Bytes of the short stretches, and from one to the next: unrelated ones are equal once in 2^32."""
SHORTEST_PERIOD = 16
"""Pages; a shorter period that divides a lag may do so by accident."""
LONGEST_PERIOD, MOST_CANDIDATES_BY_WORDS = 4096, 2
FEWEST_AT_PERIOD = 3
"""Pairs that lie one period apart, and not only multiples of it."""
SURE, MOSTLY, NEARLY = -20.0, 0.7, 0.9
"""Logarithm of the chance of a period, and the share of the pairs that lie multiples of it apart: pairs of one file are
no independent witnesses, and where a keystream starts anew at every block pairs have several distances."""
CONVINCING = -6.0
"""Logarithm of the chance of a period among the multiples of a step that is sure."""


def with_page_lags(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...]) -> tuple[PageCandidate, ...]:
    """The likeliest page sizes with the lags after which whole pages come again before all periods but their parts.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, the likeliest first.
    """

    def seen() -> Iterator[PageCandidate]:
        for number, candidate in enumerate(candidates[:MOST_CANDIDATES]):
            lags = page_lags(data, candidate.page_bytes)
            # Pages like the next one are those of a trial block as well.
            if set(lags) <= {1} and number < MOST_CANDIDATES_BY_WORDS:
                lags = (*word_period(data, candidate.page_bytes), *lags)
            shorter = (period for lag in lags for period in candidate.periods if _is_part(period, lag))
            periods = tuple(dict.fromkeys((*shorter, *lags, *candidate.periods)))[:MOST_PERIODS]
            yield replace(candidate, periods=periods)

    return (*seen(), *candidates[MOST_CANDIDATES:])


def _is_part(period: int, lag: int) -> bool:
    """Whether a lag that whole pages show is a multiple of a period that the bytes show, too, which joins more pages.

    Of tables of keystreams none is shorter than that (the range that a search is made for).
    """
    return SHORTEST_PERIOD <= period < lag and lag % period == 0


def page_lags(data: NDArray[np.uint8], page_bytes: int) -> tuple[int, ...]:
    """Lags in pages at which the most pages are equal.

    Args:
        data: `uint8[bytes]`, from the first page on.
        page_bytes: data and spare area together.

    Returns:
        At most `MOST_LAGS`, the most frequent first, of as frequent ones the shortest.

    >>> rng = np.random.default_rng(1)
    >>> pages, streams = rng.integers(0, 256, (400, 528), np.uint8), rng.integers(0, 256, (12, 528), np.uint8)
    >>> pages[300:330] = streams[np.arange(30) % 12]
    >>> page_lags(pages.reshape(-1), 528)
    (12,)
    """
    pages, written = _written(data, page_bytes)
    places = (8 * evenly(page_bytes // 8, PIECES)).tolist()
    one, other, stretches = _pairs(pages, written, places, 8)
    equal = stretches >= ALIKE * PIECES
    lags, times = np.unique(_distances(one[equal], other[equal], len(pages)), return_counts=True)
    order = np.argsort(-times, kind="stable")
    return tuple(int(lags[i]) for i in order[:MOST_LAGS] if times[i] >= FEWEST_PAIRS)


def _distances(one: NDArray[np.int64], other: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """From row to row of equal pages, in pages; 1 inside a row.

    Args:
        one: `int64[pairs]`, pages.
        other: `int64[pairs]`, the next one that is equal to each.
        count: pages.

    Returns:
        `int64[pairs]`.
    """
    begins = np.arange(count)
    begins[other[other - one == 1]] = 0
    begins = np.maximum.accumulate(begins)
    return np.where(other - one == 1, 1, other - begins[one])


def word_period(data: NDArray[np.uint8], page_bytes: int) -> tuple[int, ...]:
    """The period of which the distances of pages with a few equal bytes are multiples.

    Args:
        data: `uint8[bytes]`, from the first page on.
        page_bytes: data and spare area together.

    Returns:
        In pages, the surest one; empty where none is sure.

    >>> rng = np.random.default_rng(1)
    >>> pages, streams = rng.integers(0, 256, (400, 528), np.uint8), rng.integers(0, 256, (12, 528), np.uint8)
    >>> pages[::5, 64:80] = streams[np.arange(0, 400, 5) % 12, 64:80]
    >>> word_period(pages.reshape(-1), 528)
    (60,)
    """
    one, other = word_pairs(data, page_bytes)
    times = np.bincount(other - one, minlength=LONGEST_PERIOD + 1)[: LONGEST_PERIOD + 1]
    hits = [0] + [int(times[period::period].sum()) for period in range(1, len(times))]
    asked = np.flatnonzero(times >= FEWEST_AT_PERIOD).tolist()
    most = [period for period in asked if hits[period] >= max(FEWEST_PAIRS, MOSTLY * len(one))]
    best, surest = _surest(hits, most, 1, len(one))
    return (best,) if best > 1 and surest < SURE else _among_multiples(hits, asked, len(one))


def word_pairs(data: NDArray[np.uint8], page_bytes: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of pages with the same four bytes in the same columns of their data.

    Args:
        data: `uint8[bytes]`, from the first page on.
        page_bytes: data and spare area together.

    Returns:
        `int64[pairs]` each: the first page and the second, further behind. Each pair once, without pages like their
        neighbours.
    """
    pages, written = _written(data, page_bytes)
    numbers = _unlike_neighbours(pages, written)
    one, other, _ = _pairs(pages, numbers, range(0, data_bytes_of(page_bytes), WORD_STEP), WORD)
    return one, other


def _among_multiples(hits: list[int], asked: list[int], pairs: int) -> tuple[int, ...]:
    """The period where nearly all distances are multiples of a step, at which itself there may be none.

    Keystreams by the place in a block come again after their number inside the block, and after its pages beyond it:
    the distances are sums of both, and multiples of their greatest common divisor.
    """
    steps = [step for step in range(2, LONGEST_PERIOD + 1) if hits[step] >= max(FEWEST_PAIRS, NEARLY * pairs)]
    step, sure = _surest(hits, steps, 1, pairs)
    if sure >= SURE:
        return ()
    best, surest = _surest(hits, [period for period in asked if period % step == 0], step, hits[step])
    return (best,) if surest < CONVINCING else ()


def _surest(hits: list[int], periods: list[int], step: int, pairs: int) -> tuple[int, float]:
    """The period of which the most distances are multiples beyond accident, and the logarithm of that chance.

    Args:
        hits: of each period, how many distances are its multiples.
        periods: that are asked.
        step: of which all distances are multiples.
        pairs: how many there are.
    """
    chances = [log10_tail(pairs, hits[period], step / period) + np.log10(LONGEST_PERIOD) for period in periods]
    return min(zip(periods, chances, strict=True), key=lambda found: found[1], default=(0, 0.0))


def _written(data: NDArray[np.uint8], page_bytes: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """`uint8[pages, page_bytes]` and the numbers of those that are not erased."""
    count = len(data) // page_bytes
    pages = data[: count * page_bytes].reshape(count, page_bytes)
    return pages, np.flatnonzero(~erased_pages(pages)) if count else np.zeros(0, np.int64)


def _unlike_neighbours(pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    """Those of the pages that are not like the one before or behind them."""
    some = pages[:, evenly(pages.shape[1], 8 * PIECES)]
    like = np.r_[False, (some[1:] == some[:-1]).mean(axis=1) > ALIKE, False]
    unlike: NDArray[np.bool_] = ~(like[:-1] | like[1:])[numbers]
    return np.compress(unlike, numbers)


def _pairs(
    pages: NDArray[np.uint8], numbers: NDArray[np.int64], places: Iterable[int], width: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of pages with equal stretches in the same column, of the many that are equal only those next to each other.

    Args:
        pages: `uint8[pages, page_bytes]`.
        numbers: of the pages that are compared, ascending.
        places: first columns of the stretches.
        width: bytes of a stretch, 4 or 8. Those with a byte like the one before say nothing in a short one: a bit error
            makes them of a constant. Long ones must not be constant.

    Returns:
        `int64[pairs]` each: the first page, the second, and how many stretches are equal.
    """
    first, second = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for place in places:
        part = np.ascontiguousarray(pages[numbers, place : place + width])
        changes = part[:, 1:] != part[:, :-1]
        telling = np.flatnonzero(changes.all(axis=1) if width == WORD else changes.any(axis=1))
        values = part.view(np.uint32 if width == WORD else np.uint64)[telling, 0]
        order = np.argsort(values, kind="stable")
        same = np.flatnonzero(values[order[1:]] == values[order[:-1]])
        first.append(numbers[telling[order[same]]])
        second.append(numbers[telling[order[same + 1]]])
    count = max(1, len(pages))
    pairs, stretches = np.unique(np.concatenate(first) * count + np.concatenate(second), return_counts=True)
    one, other = np.divmod(pairs, count)
    return one, other, stretches
