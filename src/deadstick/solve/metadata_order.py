"""Metadata before the data of a codeword, or behind them: the code cannot tell, the metadata themselves can.

A word of a cyclic code says where it begins and ends and not what its bytes are for. Metadata hardly change from page
to page, data do; a scrambler before the code hides that until it is undone. And metadata that never change are zeros in
differences of pages: before a codeword they may be left out there, and the pages themselves must tell.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, with_marker
from deadstick.recipe.recipe import Recipe
from deadstick.solve.window import data_bytes_of

PAGES = 256
USUAL = 0.5


def orders(layout: PageLayout) -> Iterator[PageLayout]:
    """The layout, and the one with data and metadata of each codeword in the other order, where the code allows it."""
    yield layout
    words = [codeword.message for codeword in layout.codewords]
    if any(span.target is not None for message in words for span in message) or not layout.metadata_bits:
        return
    if all(_is_in_line(message) for message in words):
        turned = [Codeword(tuple(_turned(word.message)), word.parity) for word in layout.codewords]
        yield replace(layout, codewords=tuple(turned))


def readings(layout: PageLayout) -> Iterator[PageLayout]:
    """The layout, and those that differences of pages cannot tell from it where some metadata never change."""
    yield from orders(layout)
    silent = _with_silent_metadata(layout)
    if silent is not None:
        yield silent


def _with_silent_metadata(layout: PageLayout) -> PageLayout | None:
    """The layout in which what lies between codewords in line is metadata before each of them.

    A word that is followed by zeros is one of a cyclic code a few bytes later, too; so the first codeword lies as far
    from the second as that from the third.
    """
    last = layout.codewords[1:]
    if len(last) < 2 or any(len(word.message) > 1 or len(word.parity) > 1 for word in last):
        return None
    starts = [word.message[0].start for word in last]
    pitch = starts[1] - starts[0]
    data, parity = last[0].message[0], last[0].parity[0]
    if any(after - before != pitch for before, after in pairwise(starts)) or data.end != parity.start:
        return None
    bits, first = pitch - (parity.end - data.start), starts[0] - pitch
    if bits <= 0 or bits % 8 or first < bits:
        return None
    words = []
    for start in (first, *starts):
        message = (Span(Part.METADATA, start - bits, bits), Span(Part.DATA, start, data.bits))
        words.append(Codeword(message, (Span(Part.PARITY, start + data.bits, parity.bits),)))
    return replace(layout, codewords=tuple(words), loose=())


def _is_in_line(message: tuple[Span, ...]) -> bool:
    """Whether the bits of a message follow each other in the page, but for a column that is left out."""
    gaps = [behind.start - before.end for before, behind in pairwise(message)]
    return all(0 <= gap <= 8 for gap in gaps)


def _turned(message: tuple[Span, ...]) -> Iterator[Span]:
    """The message with its parts in the other order, over the same bits."""
    parts = {part: sum(span.bits for span in message if span.part is part) for part in (Part.DATA, Part.METADATA)}
    first, second = (Part.METADATA, Part.DATA) if message[0].part is Part.DATA else (Part.DATA, Part.METADATA)
    left = parts[first]
    for span in message:
        before = min(left, span.bits)
        left -= before
        if before:
            yield Span(first, span.start, before)
        if span.bits > before:
            yield Span(second, span.start + before, span.bits - before)


def clearness(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> float:
    """How alike the metadata of some pages are, 0 to 1: the mean share of the most frequent byte of each column.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
    """
    batch = recipe.decode(pages, numbers)
    metadata = batch.metadata[(batch.errors >= 0).all(axis=1)]
    if not metadata.size:
        return 0.0
    return float(np.mean([np.bincount(column).max() / len(column) for column in metadata.T]))


def changed_markers(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Iterator[PageLayout]:
    """The layout with marker and first metadata byte changed, where that byte is another in most pages, as data are.

    Under a scrambler before the code the column of the marker is not silent until the scrambler is undone.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
    """
    layout = recipe.layout
    if not layout.metadata_bits or layout.codewords[0].message[0].part is not Part.METADATA:
        return
    batch = recipe.decode(pages, numbers)
    first = batch.metadata[(batch.errors >= 0).all(axis=1), 0]
    if not len(first) or np.bincount(first).max() > USUAL * len(first):
        return
    try:
        yield with_marker(layout, data_bytes_of(layout.page_bytes))
    except RecipeError:
        # The marker's column does not lie in data: there is nothing to change.
        return
