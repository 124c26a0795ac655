"""How many codewords make a page, from words with the same data under the same keystream.

Two stored words are equal where data and keystream are, and a keystream that goes on over the page is another one in
each of its words. So equal words stand in the same place of their pages: their distance is a multiple of the page. It
may be one of several pages, too, where the number of keystreams is even. The metadata tell then, though they are
scrambled: those of two equal words are under one keystream, so they differ where what was written differs. In one half
of a page they differ from block to block, in the other one they are filler.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly
from deadstick.solve.scrambler.coded_pages import CONVINCING
from deadstick.solve.whole_page.multiple import FEWEST_PAIRS, INSIDE, LARGEST_PAGE, MOST_WORDS, MULTIPLES, Multiple

STRETCH = 8
"""Bytes that are equal by accident in one pair of 2^64."""


def by_equal_words(pages: NDArray[np.uint8], recipe: Recipe) -> Multiple | None:
    """The multiple of a page that is one, as equal words and their metadata tell.

    Args:
        pages: `uint8[pages, page_bytes]`, the smaller pages in order, each of a codeword or several.
        recipe: decodes them, to data and metadata that may be scrambled.

    Returns:
        None where no words are equal, or their metadata do not tell.
    """
    first, second = _alike(pages, _inside_data(recipe.layout))
    # Bit errors and tables hide some of them: the pages as read are only asked whether it is worth while.
    if not recipe.layout.metadata_bytes or not any(_lie_apart(first, second, pages.shape[1])):
        return None
    count = len(recipe.layout.codewords)
    some = evenly(len(first), MOST_WORDS // (2 * count))
    first, second = first[some], second[some]
    one, other = (recipe.decode(pages[numbers], numbers) for numbers in (first, second))
    same = (one.errors >= 0).all(axis=1) & (other.errors >= 0).all(axis=1) & (one.data == other.data).all(axis=1)
    first, second = first[same], second[same]
    differs = (one.metadata != other.metadata).any(axis=1)[same]
    for times in _lie_apart(first, second, pages.shape[1]):
        alike = (second - first) % times == 0
        if tells(first[alike] // (times // 2), differs[alike]):
            return Multiple(times, f"equal codewords lie multiples of {times * count} apart, the first ones numbered")
    return None


def _inside_data(layout: PageLayout) -> int:
    """The column in the middle of the data of the first codeword."""
    span = next(span for span in layout.codewords[0].message if span.part is Part.DATA)
    return (span.start + span.bits // 2) // 8


def _alike(pages: NDArray[np.uint8], column: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of pages that are equal in a stretch that is not constant, as far apart as pairs of all of them can be.

    Pages near each other are of one block, whose metadata are the same.

    Args:
        pages: `uint8[pages, page_bytes]`.
        column: of the stretch.
    """
    part = np.ascontiguousarray(pages[:, column : column + STRETCH])
    telling = np.flatnonzero((part != part[:, :1]).any(axis=1))
    _, labels, sizes = np.unique(part.view(np.uint64)[telling, 0], return_inverse=True, return_counts=True)
    order = np.argsort(labels, kind="stable")
    labels = labels[order]
    rank = np.arange(len(order)) - (np.cumsum(sizes) - sizes)[labels]
    half = sizes[labels] // 2
    here = np.flatnonzero(rank < half)
    return telling[order[here]], telling[order[here + half[here]]]


def _lie_apart(first: NDArray[np.int64], second: NDArray[np.int64], page_bytes: int) -> Iterator[int]:
    """Multiples that nearly all distances are multiples of, the largest first."""
    if len(first) < FEWEST_PAIRS:
        return
    for times in MULTIPLES[::-1]:
        if times * page_bytes <= LARGEST_PAGE and ((second - first) % times == 0).mean() >= INSIDE:
            yield times


def tells(half: NDArray[np.int64], differs: NDArray[np.bool_]) -> bool:
    """Whether metadata differ in first halves of pages and hardly in second ones, beyond accident.

    Where two pages were taken for one they differ as often in both. A half counts once, since its words go together.

    Args:
        half: `int64[pairs]`, in which half of a page each word lies, counted from the first page on.
        differs: `bool[pairs]`, whether its metadata are not those of the word that is equal.
    """
    asked, marked = (np.bincount(np.unique(some) % 2, minlength=2) for some in (half, half[differs]))
    if asked.min() < FEWEST_PAIRS or not marked[0]:
        return False
    if marked[1] / asked[1] > (1 - INSIDE) * marked[0] / asked[0]:
        return False
    return log10_tail(int(marked.sum()), int(marked[0]), float(asked[0] / asked.sum())) < CONVINCING
