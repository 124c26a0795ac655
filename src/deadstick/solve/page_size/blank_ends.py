"""Where blank stretches of a dump end, and what that says of the size of its pages."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

BLANKS = (0x00, 0xFF)
SHORTEST, LONGEST = 24, 16_384
"""Bytes of a stretch: random ones are shorter, erased blocks longer. These end where a block begins, and many blocks
are a whole number of sectors whatever their pages are."""
MOST_ENDS = 20_000
BEHIND, FEWEST_OTHERS = 16, 13
"""Bytes behind a stretch, and how many of them must be others: where a bit error ends a stretch, blanks go on."""
FEWEST_PLACES, NEARLY = 32, 0.9


def ends(data: NDArray[np.uint8], blanks: Sequence[int] = BLANKS, *, sharp: bool = False) -> NDArray[np.int64]:
    """Where stretches of zeros, or ones, of such lengths end; the first `MOST_ENDS` of them.

    Args:
        data: `uint8[bytes]`.
        blanks: values of which a stretch may be.
        sharp: leave out ends behind which the stretch goes on, as behind a bit error.

    Returns:
        `int64[]`, ascending: the place of the first byte that is another.

    >>> ends(np.array([7] + 30 * [0] + [5, 0, 0, 9], np.uint8))
    array([31])
    """
    found = []
    for blank in blanks:
        edges = np.flatnonzero(np.diff(data == blank, prepend=False, append=False))
        first, last = edges[::2], edges[1::2]
        last = last[(last - first >= SHORTEST) & (last - first <= LONGEST)]
        if sharp:
            last = last[last + BEHIND <= len(data)]
            others = sum((data[last + step] != blank).astype(np.int64) for step in range(BEHIND))
            last = last[others >= FEWEST_OTHERS]
        found.append(last)
    places: NDArray[np.int64] = np.unique(np.concatenate(found))
    return places[places < len(data)][:MOST_ENDS]


def best_sizes(difference: NDArray[np.uint8], sizes: Sequence[int]) -> list[int]:
    """Page sizes under which blank stretches end in the same column, the largest first.

    Where pages share a keystream, free space and equal data are zeros in their difference. These end where the page
    does, or where a part of it does that differs. A multiple of the page has several such columns, and every part of it
    has one.

    Args:
        difference: `uint8[bytes]`, of a dump and itself some pages later, from its beginning.
        sizes: to be told apart.

    Returns:
        Those that explain as much as any; empty where too few stretches tell.

    >>> rng = np.random.default_rng(1)
    >>> pages = rng.integers(1, 256, (200, 1000)).astype(np.uint8)
    >>> pages[rng.random(200) < 0.5, 300:] = 0
    >>> best_sizes(pages.reshape(-1), [500, 1000, 1500, 2000])
    [1000, 500]
    """
    places = ends(difference, (0,), sharp=True)
    if len(places) < FEWEST_PLACES:
        return []
    counts = {size: int(np.bincount(places % size).max()) for size in sizes}
    most = max(counts.values())
    return sorted((size for size in sizes if counts[size] >= NEARLY * most), reverse=True)
