"""Page sizes of unscrambled dumps, from where stretches of zeros or ones end.

What a host writes comes in sectors: the blank rest behind a file, or a blank part of a table, ends where a sector does,
and in free space where the data of a page do. So under the right page size nearly every such end lies at a multiple of
512 bytes from the beginning of its page, and under another one in 512 does. That tells the page of a volume full of
packed files, whose data and parity look alike. (Sectors of 512 bytes: common practice, no source.)

Where codewords lie in line, each with its parity right behind its data, sectors begin anew with every codeword, and
ends lie at multiples of 512 bytes from there.
"""

from collections.abc import Iterator
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly
from deadstick.solve.page_size.blank_ends import NEARLY, ends
from deadstick.solve.page_size.geometry import FIGURE_MIN, MESSAGES, PageCandidate, allowed_pages, data_bytes_of

SECTOR_BYTES = 512
FEWEST_ENDS, REGULAR_SHARE = 16, 0.1
"""Ends that must be left to tell, and the share of them from which on those at a regular distance are left out."""
MOST_SIZES, FEWEST_SHARE = 3, 0.05
"""Sizes that are named, and the share of the ends that must fit: a few fit in scrambled dumps, too."""
MOST_TELLING = 512
"""Ends that are held against codewords in line: for each page there are many distances from one to the next."""
LEAST_PARITY, MOST_UNUSED = 4, 64
"""Bytes behind the data of a codeword at least, and behind the last codeword at the most."""
FEWEST_OFFSETS = 3
"""Offsets in the page at which ends lie: a border that comes every few pages has one, whatever the page is."""
NO_FIT = (0.0, np.zeros(0, np.int32))
"""Of a page too short for several codewords."""


def page_sizes(data: NDArray[np.uint8]) -> list[PageCandidate]:
    """Page sizes under which blank stretches end at sectors, the likeliest first.

    Args:
        data: `uint8[bytes]`, a dump from its beginning.

    Returns:
        Few or none; none for scrambled data.

    >>> page = np.random.default_rng(1).integers(1, 255, (64, 528)).astype(np.uint8)
    >>> page[::3, 300:512] = 0
    >>> page_sizes(page.reshape(-1))[0].page_bytes
    528
    """
    pages = allowed_pages()
    # A bit error ends a stretch, too, and at a high rate these are more than all others; but blanks go on behind them.
    # Where few bits are wrong, the ends that have a little of a table behind them tell as well.
    every = [_within_pages(ends(data, sharp=sharp), pages) for sharp in (False, True)]
    for tried in (_with_whole_data, _with_codewords_in_line):
        found = max((tried(places, pages) for places in every), key=_likeliest)
        if found:
            return found
    return []


def _likeliest(found: list[PageCandidate]) -> float:
    return found[0].figure if found else 0.0


def _with_whole_data(places: NDArray[np.int64], pages: NDArray[np.int64]) -> list[PageCandidate]:
    """Page sizes under which the ends lie at the sectors of data that nothing interrupts, the likeliest first.

    Args:
        places: `int64[ends]`.
        pages: `int64[]`, sizes to try.
    """
    if len(places) < FEWEST_ENDS:
        return []
    telling = _without_other_borders(places)
    hits = np.array([_inside(telling % page) for page in pages.tolist()])
    usual = len(telling) / SECTOR_BYTES
    figures = (hits - usual) / np.sqrt(max(usual, 1.0))
    order = np.argsort(-figures, kind="stable")[:MOST_SIZES]
    return [
        PageCandidate(
            int(pages[i]),
            (),
            float(figures[i]),
            f"{hits[i]} of {len(telling)} blank stretches end at sectors, {figures[i]:.0f} standard deviations",
        )
        for i in order.tolist()
        if figures[i] > FIGURE_MIN and hits[i] > FEWEST_SHARE * len(telling)
    ]


def _with_codewords_in_line(places: NDArray[np.int64], pages: NDArray[np.int64]) -> list[PageCandidate]:
    """Page sizes under which the ends lie at the sectors of codewords in line, the likeliest first.

    Args:
        places: `int64[ends]`.
        pages: `int64[]`, sizes to try.
    """
    found: list[PageCandidate] = []
    if len(places) < FEWEST_ENDS or _are_regular(places):
        return found
    some = places[evenly(len(places), MOST_TELLING)]
    for page in pages.tolist():
        offsets = (some % page).astype(np.int32)
        figure, inside = max(
            (_fit(offsets, *words) for words in _words_in_line(page)), key=itemgetter(0), default=NO_FIT
        )
        if figure > FIGURE_MIN and len(inside) > FEWEST_SHARE * len(some) and _at_several(inside):
            witness = (
                f"{len(inside)} of {len(some)} blank stretches end at sectors of codewords in line, "
                f"{figure:.0f} standard deviations"
            )
            found.append(PageCandidate(page, (), figure, witness))
    return sorted(found, key=lambda item: -item.figure)[:MOST_SIZES]


def _are_regular(places: NDArray[np.int64]) -> bool:
    """Whether many ends come at one distance, as a border in every page does: they would fit many other sizes."""
    times = np.unique(np.diff(places), return_counts=True)[1]
    return int(times.max(initial=0)) >= max(FEWEST_ENDS, REGULAR_SHARE * len(places))


def _words_in_line(page: int) -> Iterator[tuple[int, NDArray[np.int32]]]:
    """Bytes of data, and `int32[]` bytes from one codeword to the next, of several in line that fill a page."""
    for message in MESSAGES:
        count = data_bytes_of(page) // message
        if count > 1:
            longest = page // count
            shortest = max(message + LEAST_PARITY, longest - MOST_UNUSED // count)
            yield message, np.arange(longest, shortest - 1, -1, dtype=np.int32)


def _fit(offsets: NDArray[np.int32], message: int, pitches: NDArray[np.int32]) -> tuple[float, NDArray[np.int32]]:
    """Standard deviations of the ends at sectors under the best distance of the codewords, and those ends' offsets."""
    if not len(pitches):
        return NO_FIT
    columns = offsets % pitches[:, np.newaxis]
    inside = (columns % SECTOR_BYTES == 0) & (columns > 0) & (columns <= message)
    usual = len(offsets) * (message // SECTOR_BYTES) / pitches
    figures = (inside.sum(axis=1) - usual) / np.sqrt(np.maximum(usual, 1.0))
    best = int(figures.argmax())
    return float(figures[best]), offsets[inside[best]]


def _at_several(offsets: NDArray[np.int32]) -> bool:
    """Whether ends lie at several offsets in the page, and not most of them at one."""
    counts = np.unique(offsets, return_counts=True)[1]
    return len(counts) >= FEWEST_OFFSETS and 2 * int(counts.max()) <= len(offsets)


def _within_pages(places: NDArray[np.int64], pages: NDArray[np.int64]) -> NDArray[np.int64]:
    """The ends less those that come with every page, if there are any.

    Unused columns at the end of the page are a blank stretch that ends where the next page begins. There are thousands
    of them, at a regular distance, and sizes that share a factor with it would fit a good part of them.
    """
    starts = np.array([int((places % page == 0).sum()) for page in pages.tolist()])
    if not len(places) or starts.max() < REGULAR_SHARE * len(places):
        return places
    page = int(pages[starts >= NEARLY * starts.max()].max())
    others: NDArray[np.int64] = places[places % page != 0]
    return others


def _without_other_borders(places: NDArray[np.int64]) -> NDArray[np.int64]:
    """The ends less those that come at one and the same place of every page, if that is none of a sector.

    Blank metadata end where parity begins. Under a page size that is no multiple of the right one, but shares a factor
    with one, a part of these ends would lie at a sector, and be more than the ends of files are.
    """
    if len(places) < FEWEST_ENDS or not _are_regular(places):
        return places
    distances, times = np.unique(np.diff(places), return_counts=True)
    offsets = places % distances[times.argmax()]
    values, counts = np.unique(offsets, return_counts=True)
    borders = values[(counts >= REGULAR_SHARE * len(places)) & (values % SECTOR_BYTES != 0)]
    kept: NDArray[np.int64] = places[~np.isin(offsets, borders)]
    return kept


def _inside(offsets: NDArray[np.int64]) -> int:
    """How many lie at sectors, where a page begins left out: every part of the page would begin there, too."""
    return int(((offsets % SECTOR_BYTES == 0) & (offsets > 0)).sum())
