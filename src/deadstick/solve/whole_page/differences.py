"""How many codewords make a page, from differences of pages that share a keystream.

Under a keystream over the stored codewords the metadata cannot be read before the page is known. But in the difference
of two pages under one keystream nothing is left of it, and what is left of their metadata is zero wherever both have
the same. Filler always is; the number and the version of a block differ from block to block. So they differ in the
first half of a page alone, and where several pages were taken for one they do in all parts alike.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.block_metadata import uncovered
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.common.spread import scattered
from deadstick.solve.page_size.geometry import DATA_SIZES
from deadstick.solve.whole_page.equal_words import tells
from deadstick.solve.whole_page.multiple import FEWEST_PAIRS, MULTIPLES, Multiple, differs, plausible, repeated

MOST_WORDS = 1 << 13
TELLING, ALIKE = 0.05, 0.5
"""Share of the differences in which a byte must not be zero to tell something: more than bit errors would make so. And
how much of one half's share the other must have, for both to be written alike."""


def smallest_part(layout: PageLayout) -> PageLayout:
    """The shortest page of which the codewords of a page are a repetition; the page itself where there is none."""
    count = len(layout.codewords)
    for parts in range(count, 1, -1):
        size, rest = divmod(layout.page_bytes, parts)
        if rest or count % parts or size <= DATA_SIZES[0]:
            continue
        words = layout.codewords[: count // parts]
        if any(span.target is not None or span.end > 8 * size for word in words for span in word.spans):
            continue
        part = PageLayout(size, words, tuple(span for span in layout.loose if span.end <= 8 * size))
        if plausible(part, 1) and repeated(part, parts).codewords == layout.codewords:
            return part
    return layout


def by_differences(survey: Survey, part: PageLayout, code: Code, lag: int, parts: int) -> Multiple | None:
    """How many of the smallest parts are a page.

    Args:
        survey: of the parts.
        part: layout of one, see `smallest_part`.
        code: of the stored words.
        lag: parts apart whose differences are codewords.
        parts: that were taken for a page.

    Returns:
        None where the metadata do not tell.
    """
    numbers, metadata, marked = _differences(survey, Recipe(1, part, _bare(code)), lag)
    if marked.sum() < FEWEST_PAIRS:
        return None
    for times in _likely(part, lag):
        if tells(numbers // (times // 2), marked):
            return Multiple(times, f"metadata differ in the first half of {times} equal parts, and not in the second")
    inside = [times for times in MULTIPLES if times <= parts]
    if inside and all(_alike(metadata, numbers // (times // 2) % 2 == 0) for times in inside):
        return Multiple(1, f"metadata differ alike in each of {parts} equal parts")
    return None


def _bare(code: Code) -> Code:
    """The code of differences, in which nothing is left of an inversion or a mask."""
    return replace(code, inverted=False, erased_is_codeword=False)


def _likely(part: PageLayout, lag: int) -> Iterator[int]:
    """Multiples that may be a page, the largest first: a keystream comes again after whole pages."""
    return (times for times in MULTIPLES[::-1] if lag % times == 0 and plausible(part, times))


def _differences(
    survey: Survey, recipe: Recipe, lag: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """`int64[rows]` parts, `bool[rows, bytes]` where their metadata differ, and `bool[rows]` whether they do at all."""
    first = np.flatnonzero(survey.written[lag:] & survey.written[: len(survey.written) - lag])
    first = first[scattered(len(first), MOST_WORDS // len(recipe.layout.codewords))]
    batch = recipe.decode(survey.pages[first] ^ survey.pages[first + lag], first)
    good = (batch.errors >= 0).all(axis=1)
    metadata = batch.metadata[good]
    zeros = np.zeros(metadata.shape[1], np.uint8)
    return first[good], metadata != 0, differs(metadata, zeros, uncovered(recipe))


def _alike(metadata: NDArray[np.bool_], in_first: NDArray[np.bool_]) -> bool:
    """Whether the same bytes differ in both halves, and about as often in one as in the other.

    A page with its number in one half and something else in the other has other bytes that differ there.
    """
    if min(in_first.sum(), (~in_first).sum()) < FEWEST_PAIRS:
        return False
    shares = np.array([metadata[in_first].mean(axis=0), metadata[~in_first].mean(axis=0)])
    telling = shares[:, shares.max(axis=0) > TELLING]
    return bool(telling.size and (telling.min(axis=0) >= ALIKE * telling.max(axis=0)).all())
