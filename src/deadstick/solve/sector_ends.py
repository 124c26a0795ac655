"""Page sizes of unscrambled dumps, from where stretches of zeros or ones end.

What a host writes comes in sectors: the blank rest behind a file, or a blank part of a table, ends where a sector does,
and in free space where the data of a page do. So under the right page size nearly every such end lies at a multiple of
512 bytes from the beginning of its page, and under another one in 512 does. That tells the page of a volume full of
packed files, whose data and parity look alike. (Sectors of 512 bytes: common practice, no source.)
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.blank_ends import NEARLY, ends
from deadstick.solve.geometry import FIGURE_MIN, PageCandidate, allowed_pages

SECTOR_BYTES = 512
FEWEST_ENDS, REGULAR_SHARE = 16, 0.1
"""Ends that must be left to tell, and the share of them from which on those at a regular distance are left out."""
MOST_SIZES, FEWEST_SHARE = 3, 0.05
"""Sizes that are named, and the share of the ends that must fit: a few fit in scrambled dumps, too."""


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
    places = _within_pages(ends(data), pages)
    if len(places) < FEWEST_ENDS:
        return []
    hits = np.array([_inside(places % page) for page in pages.tolist()])
    usual = len(places) / SECTOR_BYTES
    figures = (hits - usual) / np.sqrt(max(usual, 1.0))
    order = np.argsort(-figures, kind="stable")[:MOST_SIZES]
    return [
        PageCandidate(
            int(pages[i]),
            (),
            float(figures[i]),
            f"{hits[i]} of {len(places)} blank stretches end at sectors, {figures[i]:.0f} standard deviations",
        )
        for i in order.tolist()
        if figures[i] > FIGURE_MIN and hits[i] > FEWEST_SHARE * len(places)
    ]


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


def _inside(offsets: NDArray[np.int64]) -> int:
    """How many lie at sectors, where a page begins left out: every part of the page would begin there, too."""
    return int(((offsets % SECTOR_BYTES == 0) & (offsets > 0)).sum())
