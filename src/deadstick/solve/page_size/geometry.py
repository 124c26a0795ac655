"""Page sizes and keystream periods that the dump itself suggests.

Equal bytes at a lag (`lag_figures`) tell two things: the lag after which the keystream comes again, since constant
data under the same keystream are the same bytes, and, where columns of the page are alike from page to page, a comb
with a tooth at every multiple of the page. Its teeth are narrow where single columns are alike, and as broad as the
spare area where the data are plain and only the parity is not like them. These are candidates; the code proves one.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from deadstick.solve.page_size.blank_ends import best_sizes
from deadstick.solve.page_size.comb_scores import broad_score, narrow_scores
from deadstick.solve.page_size.lag_figures import lag_figures

DATA_SIZES = tuple(512 << shift for shift in range(6))
MESSAGES = (512, 1024, 2048)
"""Data bytes that a codeword may have."""
SPARE_RANGE = (16, 2208)
MOST_SPARE = 0.35
"""Largest spare area as a share of the data: the parts of the ONFI era stay below it (common practice, no source)."""
PAGES_PER_BLOCK = (16, 1024)
SAMPLE_BYTES = 16 << 20
FIGURE_MIN = 12.0
BROAD_FIGURE_MIN, MOST_BROAD = 5.0, 6
NEIGHBOURS, FARTHER_NEIGHBOURS = 41, 301
"""Page sizes around one, against which a broad comb must stand out, and those that tell by how much others do."""
FAINT = 0.05
"""Share of the figure of a lag below which a comb of other pages is an accident of the files, likely."""
CLEARER = 1.5
"""Times as many standard deviations as another witness has from which on a comb comes before it."""
MOST_PERIODS, MOST_TOLD_APART = 4, 4
FUNDAMENTAL_SHARE = 0.7
"""A shorter lag whose figure is this share of a multiple's is the period itself."""


@dataclass(frozen=True, slots=True)
class PageCandidate:
    """A page size to be proven.

    Attributes:
        page_bytes: data and spare area together.
        periods: pages after which the keystream may come again, the likeliest first; empty where nothing repeats.
        figure: standard deviations of the lag or of the comb.
        witness: what was seen, in words.
        shows_restarts: whether a shift register starts anew at the borders of the pages.
    """

    page_bytes: int
    periods: tuple[int, ...]
    figure: float
    witness: str
    shows_restarts: bool = False


def page_candidates(
    data: NDArray[np.uint8], likeliest: Sequence[PageCandidate] = (), *, most: int = 24
) -> tuple[PageCandidate, ...]:
    """Page sizes and periods, the likeliest first.

    Args:
        data: `uint8[bytes]`, the dump or a contiguous part of it.
        likeliest: candidates with a better witness than equal bytes are, see `restarts`, as a rule.
        most: how many to give at the most.

    Returns:
        One candidate a page size; empty where nothing stands out.
    """
    figures = lag_figures(data[:SAMPLE_BYTES])
    by_period = _told_apart(data[:SAMPLE_BYTES], _from_periods(figures)) or _from_codewords(figures)
    by_comb = _from_comb(figures)
    by_broad_comb = _from_broad_comb(figures)
    periods: dict[int, tuple[int, ...]] = {}
    for item in likeliest:
        periods[item.page_bytes] = item.periods
    for item in by_period:
        known = periods.get(item.page_bytes, ())
        shortest = _fundamental(figures, item.page_bytes, item.periods[0])
        periods[item.page_bytes] = tuple(dict.fromkeys((*known, shortest, item.periods[0])))
    ranked: dict[int, PageCandidate] = {}
    lists = (by_comb, by_period, by_broad_comb)
    if by_comb and (by_comb[0].page_bytes in _multiples_alone(by_period) or _is_faint(by_comb[0], by_period)):
        lists = (by_period, by_comb, by_broad_comb)
    clearest = [comb for comb in lists[0][:1] if lists[0] is by_comb and _is_clearer(comb, likeliest)]
    for item in (*clearest, *likeliest, *_alternating(*lists)):
        with_periods = replace(item, periods=periods.get(item.page_bytes, ())[:MOST_PERIODS])
        ranked.setdefault(item.page_bytes, with_periods)
    return tuple(ranked.values())[:most]


def _is_clearer(comb: PageCandidate, likeliest: Sequence[PageCandidate]) -> bool:
    """Whether a comb is far clearer than what speaks for the likeliest page, where no register starts anew at borders.

    Blank stretches that end where codewords in line do, as a few in a hundred of many may by accident, are no better.
    """
    if not likeliest or any(item.shows_restarts for item in likeliest):
        return False
    return comb.figure > CLEARER * max(item.figure for item in likeliest)


def _is_faint(comb: PageCandidate, by_period: list[PageCandidate]) -> bool:
    """Whether a comb hardly shows beside the lag after which bytes come again, and that is no multiple of its page."""
    if not by_period or comb.figure > FAINT * by_period[0].figure:
        return False
    return by_period[0].page_bytes * by_period[0].periods[0] % comb.page_bytes != 0


def _multiples_alone(by_period: list[PageCandidate]) -> set[int]:
    """Multiples of the likeliest page by the lags under which no keystream comes again."""
    if not by_period:
        return set()
    page = by_period[0].page_bytes
    return {page * times for times in (2, 4, 8)} - {item.page_bytes for item in by_period}


def _fundamental(figures: NDArray[np.float32], page: int, period: int) -> int:
    """The shortest period of which a lag is a multiple: what comes again after n pages does so after 2n and 3n."""
    needed = max(FIGURE_MIN, FUNDAMENTAL_SHARE * float(figures[period * page]))
    return next(n for n in range(1, period + 1) if n == period or (period % n == 0 and figures[n * page] >= needed))


def _alternating(*lists: list[PageCandidate]) -> Iterator[PageCandidate]:
    """One of each in turn: no kind of witness can be compared with another."""
    for items in zip_longest(*lists):
        yield from (item for item in items if item is not None)


def data_bytes_of(page_bytes: int) -> int:
    """The data part of a page: the largest power of two in it."""
    return max(size for size in DATA_SIZES if size < page_bytes)


def allowed_pages() -> NDArray[np.int64]:
    """Every page size that the search considers, ascending: a power of two and a plausible spare area."""
    sizes = set()
    for data in DATA_SIZES:
        low = max(SPARE_RANGE[0], data // 64)
        high = min(SPARE_RANGE[1], int(data * MOST_SPARE))
        sizes |= {data + spare for spare in range(low, high + 1)}
    return np.array(sorted(sizes), np.int64)


def _from_periods(figures: NDArray[np.float32]) -> list[PageCandidate]:
    allowed = set(allowed_pages().tolist())
    found: list[PageCandidate] = []
    lags = np.flatnonzero(figures > FIGURE_MIN)
    lags = lags[lags >= PAGES_PER_BLOCK[0] * DATA_SIZES[0]]
    strongest = lags[np.argsort(-figures[lags], kind="stable")][:40]
    taken: list[int] = []
    for lag in strongest.tolist():
        if any(lag % shorter == 0 for shorter in taken):
            continue  # a multiple of a stronger one
        taken.append(lag)
        for count in range(PAGES_PER_BLOCK[0], PAGES_PER_BLOCK[1] + 1):
            if lag % count == 0 and lag // count in allowed:
                witness = f"bytes come again after {lag:,} bytes, {figures[lag]:.0f} standard deviations"
                found.append(PageCandidate(lag // count, (count,), float(figures[lag]), witness))
    return found


def _from_codewords(figures: NDArray[np.float32]) -> list[PageCandidate]:
    """Codewords under a keystream that starts anew at each: one lag and its multiples stand out, and nothing else does.

    A few pages of free space show it, where they show no lag of whole blocks. One codeword is as good as a page then;
    or two and more are, where they do not lie in line.
    """
    allowed = allowed_pages()
    allowed = allowed[allowed < len(figures)]
    best = int(allowed[figures[allowed].argmax()]) if len(allowed) else 0
    others = figures.copy()
    others[:: max(1, best)] = 0
    if not best or figures[best] < FIGURE_MIN or others.max() >= FIGURE_MIN:
        return []
    witness = f"bytes come again after {best:,} bytes, {figures[best]:.0f} standard deviations"
    pages = [page for page in (best << shift for shift in range(len(DATA_SIZES))) if page in allowed]
    return [PageCandidate(page, (1,), float(figures[best]), witness) for page in pages]


def _told_apart(data: NDArray[np.uint8], items: list[PageCandidate]) -> list[PageCandidate]:
    """The candidates of each of the strongest lags in the order that blank stretches of the difference suggest."""
    lags = list(dict.fromkeys(item.page_bytes * item.periods[0] for item in items))
    ordered: list[PageCandidate] = []
    for number, lag in enumerate(lags):
        same = [item for item in items if item.page_bytes * item.periods[0] == lag]
        if number < MOST_TOLD_APART and len(same) > 1:
            best = best_sizes(data[lag:] ^ data[:-lag], [item.page_bytes for item in same])
            by_size = {item.page_bytes: item for item in same}
            same = [by_size.pop(size) for size in best] + list(by_size.values())
        ordered += same
    return ordered


def _from_comb(figures: NDArray[np.float32]) -> list[PageCandidate]:
    pages = allowed_pages()
    scores = narrow_scores(figures, pages)
    order = np.argsort(-scores, kind="stable")
    return [
        PageCandidate(
            int(pages[i]), (), float(scores[i]), f"a comb of equal bytes, {scores[i]:.0f} standard deviations"
        )
        for i in order[:40]
        if scores[i] > FIGURE_MIN
    ]


def _from_broad_comb(figures: NDArray[np.float32]) -> list[PageCandidate]:
    """Combs whose teeth stand out from all lags between them, and clearer than those of sizes a little off.

    The data of a volume are alike over long stretches, so every lag has a figure of its own; it changes slowly.
    """
    sums = np.concatenate([np.zeros(1), np.cumsum(figures, dtype=np.float64)])
    allowed = set(allowed_pages().tolist())
    found = []
    for data in DATA_SIZES:
        own = [page for page in allowed if data < page < 2 * data]
        pages = np.arange(min(own) - NEIGHBOURS, max(own) + NEIGHBOURS + 1)
        scores = np.array([broad_score(figures, sums, page) for page in pages.tolist()])
        above = scores - median_filter(scores, NEIGHBOURS, mode="nearest")
        usual = median_filter(np.abs(above), min(FARTHER_NEIGHBOURS, len(pages)), mode="nearest")
        clear = np.where(above > FIGURE_MIN, above / (1.48 * usual + 0.1), 0.0)
        peaks = [
            i
            for i in np.flatnonzero(clear > BROAD_FIGURE_MIN).tolist()
            if pages[i] in allowed and clear[i] == clear[max(0, i - 8) : i + 9].max()
        ]
        found += [
            PageCandidate(
                int(pages[i]), (), float(clear[i]), f"a comb of broad teeth, {clear[i]:.0f} standard deviations"
            )
            for i in peaks
        ]
    return sorted(found, key=lambda item: -item.figure)[:MOST_BROAD]
