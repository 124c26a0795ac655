"""Whether the byte in the column of the bad-block marker was changed with the first metadata byte.

Where codewords run through the column of the marker, a controller may change the byte there with the first metadata
byte (see `marker`). Under a scrambler before the code neither the code nor silence tells, until the scrambler is
undone: then the marker, or what of a version lies there, stays the same from page to page, and data do not.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.recipe.layout import PageLayout, Part, with_marker
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.spread import evenly
from deadstick.solve.page_size.geometry import data_bytes_of

PAGES = 256
USUAL, STEADY, FEWEST_TELLING = 0.5, 0.9, 16
"""Share of the pages that may have the same byte of data; the share of neighbouring pages in which metadata of a block
are the same, and how many are enough."""
FEWEST_CHANGES, MORE_CHANGES = 8, 4
"""Neighbouring pages in which the first metadata byte changes and the marker's column does not, and how many times more
than the other way round, where the two were changed with each other."""


def with_next(written: NDArray[np.int64]) -> NDArray[np.int64]:
    """Some of the written pages, each with the one behind it.

    >>> with_next(np.array([3, 4, 7, 9])).tolist()
    [3, 4, 7, 9]
    """
    first = evenly(len(written), PAGES // 2)
    chosen: NDArray[np.int64] = written[np.union1d(first, np.minimum(first + 1, len(written) - 1))]
    return chosen


def is_steady(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> bool:
    """Whether the first metadata byte hardly changes from one page to the next, as markers and block numbers do not."""
    batch = recipe.decode(pages, numbers)
    good = np.asarray((batch.errors >= 0).all(axis=1))
    next_to = np.flatnonzero((np.diff(numbers) == 1) & good[1:] & good[:-1])
    first = batch.metadata[:, 0]
    same = first[next_to] == first[next_to + 1]
    return len(same) >= FEWEST_TELLING and bool(same.mean() > STEADY)


def changed_markers(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Iterator[PageLayout]:
    """The layout with marker and first metadata byte changed, where that byte changes as data do.

    Under a scrambler before the code the column of the marker is not silent until the scrambler is undone. Where pages
    are partly blank, data are mostly the same byte as well, and what changes from page to page tells.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
    """
    changed = with_changed_marker(recipe.layout)
    if changed is None:
        return
    batch = recipe.decode(pages, numbers)
    good = np.asarray((batch.errors >= 0).all(axis=1))
    first = batch.metadata[good, 0]
    if not len(first):
        return
    other = replace(recipe, layout=changed).decode(pages, numbers).metadata[:, 0]
    next_to = np.flatnonzero((np.diff(numbers) == 1) & good[1:] & good[:-1])
    mine, others = ((some[next_to] != some[next_to + 1]) for some in (batch.metadata[:, 0], other))
    data_like, marker_like = int((mine & ~others).sum()), int((others & ~mine).sum())
    is_told = data_like >= FEWEST_CHANGES and data_like > MORE_CHANGES * marker_like
    if (is_told or np.bincount(first).max() <= USUAL * len(first)) and not _is_counted(batch.metadata[:, 0], next_to):
        yield changed


def with_changed_marker(layout: PageLayout) -> PageLayout | None:
    """The layout with marker and first metadata byte changed; None where that cannot be."""
    if layout.codewords[0].message[0].part is not Part.METADATA:
        return None
    try:
        return with_marker(layout, data_bytes_of(layout.page_bytes))
    except RecipeError:
        # The marker's column does not lie in data: there is nothing to change.
        return None


def _is_counted(values: NDArray[np.uint8], next_to: NDArray[np.int64]) -> bool:
    """Whether what changes from page to page is a count, which metadata have and data do not."""
    steps = (values[next_to + 1] - values[next_to])[values[next_to + 1] != values[next_to]]
    return len(steps) >= FEWEST_CHANGES and bool(np.bincount(steps).max() > USUAL * len(steps))
