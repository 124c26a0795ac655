"""The column of the bad-block marker, where data would lie: what became of the byte that belongs there.

The first spare byte of a page holds the marker. Where codewords run through it, a controller may leave the column out
(`page`), store the byte that belongs there somewhere else in the page, or change it with the first metadata byte, as
the driver of the GPMI controller does (Linux drivers/mtd/nand/raw/gpmi-nand). A byte that is stored elsewhere shows by
errors: the decoder corrects that column in half of its bits. A byte that changed its place before the code saw it
shows by silence: the column hardly ever differs, among data that do.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.errors import RecipeError
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, with_marker
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.words import bits_at, corrected, exact_spans
from deadstick.solve.page_size.geometry import data_bytes_of

ROWS = 64
OFTEN = 0.25
"""Share of the bits of a column that the decoder changes, above which the byte is not the one that the code saw."""
QUIET, ACTIVE = 0.12, 0.3
"""Shares of the rows in which a marker differs at most, some bad blocks among them, and data around it at least."""
BESIDE = 8


def with_marker_found(
    rows: NDArray[np.uint8], differences: NDArray[np.uint8], code: BchCode, layout: PageLayout
) -> PageLayout:
    """The layout with the byte of the marker's column in its place.

    Args:
        rows: `uint8[rows, page_bytes]`, as the code sees them.
        differences: `uint8[rows, page_bytes]` of pages, in which equal bytes are zero.
        code: of the page.
        layout: complete but for the marker.

    Returns:
        The layout itself where nothing speaks for a marker among the data.
    """
    column = data_bytes_of(layout.page_bytes)
    place = _span_over(layout, column)
    if place is None:
        return layout
    number, index = place
    moved = _elsewhere(rows[:ROWS], code, layout.codewords[number], index, column, _free_columns(layout))
    if moved is not None:
        words = (*layout.codewords[:number], moved, *layout.codewords[number + 1 :])
        return PageLayout(layout.page_bytes, words, _without(layout.loose, moved))
    first = layout.codewords[0].message[0]
    if first.part is Part.METADATA and _is_changed(differences, column, first.start // 8):
        return _changed(layout, column)
    return layout


def _span_over(layout: PageLayout, column: int) -> tuple[int, int] | None:
    """The codeword, and the span of its message, that run through a whole column.

    What is called metadata may be data, where the code does not tell which of them come first.
    """
    for number, codeword in enumerate(layout.codewords):
        for index, span in enumerate(codeword.message):
            if span.start <= 8 * column and 8 * column + 8 <= span.end:
                return number, index
    return None


def _elsewhere(
    rows: NDArray[np.uint8], code: BchCode, codeword: Codeword, index: int, column: int, free: list[int]
) -> Codeword | None:
    """The codeword with the column's byte taken from where it is stored; None where it lies in the column itself."""
    span = codeword.message[index]
    before = sum(one.bits for one in codeword.message[:index]) + 8 * column - span.start
    spans = exact_spans(codeword, code)
    words = bits_at(rows, spans)
    right, errors = corrected(words, code)
    good = errors >= 0
    if not good.any() or (right ^ words)[good, before : before + 8].mean() < OFTEN:
        return None
    best, fewest = None, float(errors[good].mean()) + 100.0 * float((~good).mean())
    for other in free:
        tried = words.copy()
        tried[:, before : before + 8] = np.unpackbits(rows[:, other : other + 1], axis=1)
        right, errors = corrected(tried, code)
        some = errors >= 0
        mean = float(errors[some].mean()) + 100.0 * float((~some).mean()) if some.any() else np.inf
        if mean < fewest and (right ^ tried)[some, before : before + 8].mean() < OFTEN:
            best, fewest = other, mean
    return None if best is None else _moved(codeword, index, column, best)


def _moved(codeword: Codeword, index: int, column: int, to: int) -> Codeword:
    """The codeword with a column's byte, in one span of its message, taken from another column."""
    span = codeword.message[index]
    pieces = (
        replace(span, bits=8 * column - span.start),
        Span(span.part, 8 * to, 8),
        Span(span.part, 8 * column + 8, span.end - 8 * column - 8),
    )
    message = (*codeword.message[:index], *(p for p in pieces if p.bits), *codeword.message[index + 1 :])
    return Codeword(message, codeword.parity)


def with_moved_marker(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Recipe:
    """The recipe with the byte of the marker's column taken from where it is stored.

    The keystream of a byte may be that of its place in the codeword, wherever it is stored; so a byte under a scrambler
    is found once the scrambler is.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.

    Returns:
        The recipe itself where the byte is no error, or lies nowhere else.
    """
    layout, column = recipe.layout, data_bytes_of(recipe.layout.page_bytes)
    place = _span_over(layout, column)
    if place is None or recipe.code is None or recipe.code.family != "bch":
        return recipe
    number, index = place
    codeword = layout.codewords[number]
    span = codeword.message[index]
    if span.target is not None:
        return recipe  # changed with the first metadata byte, and so no byte is missing
    at = sum(one.bits for one in codeword.message[:index]) + 8 * column - span.start
    best, (share, fewest) = recipe, _marker_errors(recipe, pages, numbers, number, at)
    if share < OFTEN:
        return recipe
    for other in _free_columns(layout):
        moved = _moved(codeword, index, column, other)
        words = (*layout.codewords[:number], moved, *layout.codewords[number + 1 :])
        there = PageLayout(layout.page_bytes, words, _without(layout.loose, moved))
        for tried in _by_column_or_place(replace(recipe, layout=there)):
            share, errors = _marker_errors(tried, pages, numbers, number, at)
            if share < OFTEN and errors < fewest:
                best, fewest = tried, errors
    return best


def _by_column_or_place(recipe: Recipe) -> Iterator[Recipe]:
    """A keystream over the columns of a page and one over its codewords differ only in a byte that is out of place."""
    yield recipe
    scrambler = recipe.scrambler
    if scrambler is not None and scrambler.restart in {"column", "page"} and recipe.layout.is_byte_aligned:
        other = replace(scrambler, restart="page" if scrambler.restart == "column" else "column")
        yield replace(recipe, scrambler=other)


def _marker_errors(
    recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64], slot: int, at: int
) -> tuple[float, float]:
    """Of the words of a codeword: share of the eight bits at a place that are corrected, and errors of a word."""
    if recipe.code is None:
        return 0.0, np.inf
    words = recipe.words(pages, numbers, slot)
    decoded = recipe.code.codec.decode(words.copy(), recipe.layout.codewords[slot].message_bits // 8)
    good = decoded.errors >= 0
    if not good.any():
        return 0.0, np.inf
    changed = np.unpackbits((decoded.words ^ words)[good], axis=1)[:, at : at + 8]
    return float(changed.mean()), float(decoded.errors[good].mean()) + 100.0 * float((~good).mean())


def _free_columns(layout: PageLayout) -> list[int]:
    """Columns that no codeword takes."""
    free = np.ones(layout.page_bytes, np.bool_)
    for codeword in layout.codewords:
        for span in codeword.spans:
            free[span.start // 8 : -(-span.end // 8)] = False
    return np.flatnonzero(free).tolist()


def _without(loose: tuple[Span, ...], codeword: Codeword) -> tuple[Span, ...]:
    """Loose metadata less the bits that a codeword has taken."""
    return tuple(piece for span in loose for piece in _less(span, codeword.message))


def _less(span: Span, taken: tuple[Span, ...]) -> Iterator[Span]:
    hit = next((one for one in taken if one.start < span.end and span.start < one.end), None)
    if hit is None:
        yield span
        return
    if span.start < hit.start:
        yield Span(span.part, span.start, hit.start - span.start)
    if hit.end < span.end:
        yield Span(span.part, hit.end, span.end - hit.end)


def _is_changed(differences: NDArray[np.uint8], column: int, first: int) -> bool:
    """Whether the column is as quiet as a marker, among data that are not, and the first metadata byte is not."""
    differs = (differences != 0).mean(axis=0)
    beside = np.r_[differs[column - BESIDE : column], differs[column + 1 : column + 1 + BESIDE]]
    return bool(differs[column] < QUIET and np.median(beside) > ACTIVE and differs[first] > ACTIVE)


def _changed(layout: PageLayout, column: int) -> PageLayout:
    """The layout with marker and first metadata byte changed; as it was where that cannot be expressed."""
    try:
        return with_marker(layout, column)
    except RecipeError:
        # The eight bits of the marker are not all of one run of data: nothing was changed there.
        return layout
