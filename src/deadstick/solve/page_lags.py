"""After how many pages pages come again, by whole pages that are equal.

Where nearly all data are packed, a lag of bytes (`lag_figures`) shows only in the part that holds the little free
space. But once the page size is known a few stretches of each page tell which pages are equal, anywhere. Those under
the same keystream lie at the lag after which it comes again, or at a multiple, whatever lies between them.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.solve.geometry import MOST_PERIODS, PageCandidate
from deadstick.solve.spread import evenly

PIECES = 24
"""Stretches of eight bytes of a page that are compared."""
ALIKE = 0.5
"""Share of the stretches from which on two pages are equal; bit errors spoil some."""
FEWEST_PAIRS = 8
MOST_LAGS, MOST_CANDIDATES = 2, 4


def with_page_lags(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...]) -> tuple[PageCandidate, ...]:
    """The likeliest page sizes with the lags after which whole pages come again before other periods.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, the likeliest first.
    """

    def seen() -> Iterator[PageCandidate]:
        for candidate in candidates[:MOST_CANDIDATES]:
            lags = page_lags(data, candidate.page_bytes)
            periods = tuple(dict.fromkeys((*lags, *candidate.periods)))[:MOST_PERIODS]
            yield replace(candidate, periods=periods)

    return (*seen(), *candidates[MOST_CANDIDATES:])


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
    count = len(data) // page_bytes
    pages = data[: count * page_bytes].reshape(count, page_bytes)
    written = np.flatnonzero(~erased_pages(pages)) if count else np.zeros(0, np.int64)
    first = [np.zeros(0, np.int64)]
    second = [np.zeros(0, np.int64)]
    for place in (8 * evenly(page_bytes // 8, PIECES)).tolist():
        part = np.ascontiguousarray(pages[written, place : place + 8])
        telling = np.flatnonzero((part != part[:, :1]).any(axis=1))
        values = part.view(np.uint64)[telling, 0]
        order = np.argsort(values, kind="stable")
        same = np.flatnonzero(values[order[1:]] == values[order[:-1]])
        first.append(written[telling[order[same]]])
        second.append(written[telling[order[same + 1]]])
    pairs, stretches = np.unique(np.concatenate(first) * count + np.concatenate(second), return_counts=True)
    one, other = np.divmod(pairs[stretches >= ALIKE * PIECES], max(1, count))
    lags, times = np.unique(other - one, return_counts=True)
    order = np.argsort(-times, kind="stable")
    return tuple(int(lags[i]) for i in order[:MOST_LAGS] if times[i] >= FEWEST_PAIRS)
