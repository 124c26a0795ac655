"""Metadata before the data of a codeword, or behind them: the code cannot tell, the metadata themselves can.

A word of a cyclic code says where it begins and ends and not what its bytes are for. Metadata hardly change from page
to page, data do; a scrambler before the code hides that until it is undone. And metadata that never change are zeros in
differences of pages: before a codeword they may be left out there, and the pages themselves must tell.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.word_fit import with_content
from deadstick.solve.scrambler.changed_marker import FEWEST_TELLING, changed_markers, is_steady
from deadstick.solve.scrambler.silent_metadata import with_silent_metadata

CLEARLY = 0.2
"""How much clearer metadata must be before their place is another than the columns said."""
TIED_CLEARNESS = 0.02
"""How much clearer metadata must be to decide between hypotheses that the code cannot tell apart."""
FEWER_ERRORS = 0.25
"""Of the metadata's bits: half of them are wrong where a keystream is too many or missing."""


def orders(layout: PageLayout) -> Iterator[PageLayout]:
    """The layout, and the one with data and metadata of each codeword in the other order, where the code allows it."""
    yield layout
    words = [codeword.message for codeword in layout.codewords]
    if any(span.target is not None for message in words for span in message) or not layout.metadata_bits:
        return
    if all(_is_in_line(message) for message in words):
        turned = [Codeword(_joined(_turned(word.message)), word.parity) for word in layout.codewords]
        yield replace(layout, codewords=tuple(turned))


def readings(layout: PageLayout) -> Iterator[PageLayout]:
    """The layout, and those that differences of pages cannot tell from it where some metadata never change."""
    yield from orders(layout)
    yield from with_silent_metadata(layout)


def _is_in_line(message: tuple[Span, ...]) -> bool:
    """Whether the bits of a message follow each other, but for a column that is left out or stored elsewhere."""
    spans = [message[0]]
    for span in message[1:]:
        if span.bits > 8 or 0 <= span.start - spans[-1].end <= 8:
            spans.append(span)
    return all(0 <= behind.start - before.end <= 8 for before, behind in pairwise(spans))


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


def _joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Spans of one part that follow each other without a gap as one."""
    out: list[Span] = []
    for span in spans:
        if out and out[-1].part is span.part and out[-1].end == span.start:
            out[-1] = replace(out[-1], bits=out[-1].bits + span.bits)
        else:
            out.append(span)
    return tuple(out)


def clearness(
    recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64], *, is_tabled: bool = False
) -> float:
    """How alike the metadata of some pages are, 0 to 1: the mean share of the most frequent byte of each column.

    In free space data are as alike as metadata, so pages with content are asked, if there are enough.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
        is_tabled: a table of keystreams may run over the metadata and is known over the data alone. Then only pages
            under one and the same keystream are compared.
    """
    batch = recipe.decode(pages, numbers)
    good = (batch.errors >= 0).all(axis=1)
    metadata, numbers = batch.metadata[good], numbers[good]
    telling = with_content(batch.data[good]) if metadata.size else metadata
    if len(telling) >= FEWEST_TELLING:
        metadata, numbers = metadata[telling], numbers[telling]
    if recipe.scrambler is None or not is_tabled:
        return _alike([metadata])
    under = recipe.scrambler.index(numbers, recipe.pages_per_block)
    return _alike([metadata[under == number] for number in np.unique(under)])


def _alike(groups: Iterable[NDArray[np.uint8]]) -> float:
    """The mean share of the most frequent byte of each column, group by group; a single row is like nothing."""
    groups = [rows for rows in groups if len(rows) > 1 and rows.size]
    most = sum(np.bincount(column).max() for rows in groups for column in rows.T)
    return float(most / sum(rows.size for rows in groups)) if groups else 0.0


def with_clearest_cover(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Recipe:
    """The recipe, or the one whose keystreams treat the metadata outside the code's cover the other way.

    The code cannot tell whether the keystream runs over them. Where a keystream goes on from the data to the metadata,
    its rule tells; where it starts anew at every column, only the metadata themselves do.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not recipe.layout.loose or scrambler.restart != "column":
        return recipe
    other = replace(recipe, scrambler=replace(scrambler, covers=scrambler.covers ^ {Part.METADATA}))
    clearer = clearness(other, pages, numbers) > clearness(recipe, pages, numbers) + TIED_CLEARNESS
    return other if clearer else recipe


def with_right_cover(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Recipe:
    """The recipe, or the one whose keystreams treat metadata the other way, if the code corrects fewer bits then.

    A strong code bears a keystream too many over a few metadata bytes. With data and metadata in the wrong order some
    bytes have one too many or none whichever way, so this is to be asked when the order is settled.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers.
    """
    scrambler, code, words = recipe.scrambler, recipe.code, recipe.layout.codewords
    inside = sum(span.bits for word in words for span in word.message if span.part is Part.METADATA)
    if scrambler is None or code is None or not inside or scrambler.place != "after_ecc":
        return recipe
    # A keystream that runs on from part to part would be another one behind the metadata.
    turned = replace(scrambler, restart="column", covers=scrambler.covers ^ {Part.METADATA})
    other = replace(recipe, scrambler=turned)
    mine, others = (one.decode(pages, numbers).errors for one in (recipe, other))
    told = (mine >= 0) | (others >= 0)
    fewer = np.where(mine >= 0, mine, code.t + 1) - np.where(others >= 0, others, code.t + 1)
    return other if fewer[told].sum() > FEWER_ERRORS * inside / len(words) * told.sum() else recipe


def settled(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64], *, by_order: bool = True) -> Recipe:
    """The recipe with data, metadata and the marker's byte where the decoded pages show them.

    Only pages with content are asked: in free space data are as alike as metadata.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`.
        numbers: `int64[pages]`, their numbers, ascending; some of them next to each other.
        by_order: whether the order of data and metadata is open, since a keystream runs over all parts or none.
    """
    telling = with_content(recipe.decode(pages, numbers).data)
    pages, numbers = pages[telling], numbers[telling]
    if len(pages) < FEWEST_TELLING:
        return recipe
    likely = clearness(recipe, pages, numbers)
    for layout in orders(recipe.layout) if by_order else ():
        other = replace(recipe, layout=layout)
        if clearness(other, pages, numbers) > likely + CLEARLY:
            recipe = other
    for layout in changed_markers(recipe, pages, numbers):
        other = replace(recipe, layout=layout)
        if is_steady(other, pages, numbers):
            recipe = other
    return recipe
