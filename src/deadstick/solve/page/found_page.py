"""From windows to pages: the layout and the code that explain rows."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code, in_code_order
from deadstick.recipe.layout import PageLayout
from deadstick.solve.codeword.heads import Tail
from deadstick.solve.codeword.places import telling
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.codeword.window import Window
from deadstick.solve.codeword.word_fit import decoding_share
from deadstick.solve.other_codes.found import loose_metadata
from deadstick.solve.page.code import FoundCode, code_view, identify
from deadstick.solve.page.marker import with_marker_found
from deadstick.solve.page.page import complete_page
from deadstick.solve.page.row_view import ROWS, RowView
from deadstick.solve.page.row_views import SUREST
from deadstick.solve.page_size.geometry import MESSAGES, PageCandidate
from deadstick.solve.register.register import Register

MOST_WINDOWS, MOST_TIED, TIED = 24, 6, 0.9
"""Windows looked at, pages compared, and the share of the best window's rows above which another is as good."""
MOST_COVERED = 32
"""Metadata bytes of one codeword; more are taken for something else first (common practice, no source)."""


@dataclass(frozen=True)
class FoundPage:
    """Page size, layout and code that explain the dump.

    Attributes:
        survey: pages of this size.
        layout: of one page.
        code: with its bit order; inversion and mask are not known yet.
        window: the first codeword.
        words: what identified the code.
        way: of the rows that are codewords, see `row_view`.
        candidate: the witness for the page size.
        share: of the codewords of some rows, those that decode.
        quality: the same, with each weighed by what it has left of its strength.
    """

    survey: Survey
    layout: PageLayout
    code: Code
    window: Window
    words: FoundCode
    way: int | Register
    candidate: PageCandidate
    share: float = 0.0
    quality: float = 0.0

    @property
    def lag(self) -> int:
        """Pages apart whose differences are codewords; 0 where the pages themselves are."""
        return self.way if isinstance(self.way, int) else 0


def best_complete(view: RowView, windows: list[Window], candidate: PageCandidate) -> FoundPage | None:
    """The first window that makes a page, or one that is as good and makes a better page.

    Where metadata are alike in most rows, several places fit the first codeword; the others tell which is right.
    """
    best: FoundPage | None = None
    tried: set[PageLayout] = set()
    known: set[tuple[int, int, Tail, bool, str]] = set()
    for window in windows[:MOST_WINDOWS]:
        if best is not None and window.hits < TIED * best.window.hits:
            break
        # A strong code bears words that end some bytes off; where they end truly is known from the first such window.
        place = (window.polynomial, window.message, window.tail, window.complement, window.bit_order)
        words = identify(code_view(view.rows, window), window) if place not in known else None
        if words is None:
            continue
        known.add(place)
        found = _complete(view, window, words, candidate)
        if found is None or found.layout in tried:
            continue
        tried.add(found.layout)
        share, quality = decoding_share(code_view(view.rows, found.window), found.words.bch, found.layout)
        if best is None or quality > best.quality:
            best = replace(found, share=share, quality=quality)
        if len(tried) == MOST_TIED:
            break
    return best


def _complete(view: RowView, window: Window, words: FoundCode, candidate: PageCandidate) -> FoundPage | None:
    rows = code_view(view.rows, window)
    window, words = _undivided(rows, window, words)
    if words.metadata_bits % 8:
        return None
    layout = complete_page(rows, words, view.survey.page_bytes)
    if layout is None:
        return None
    bch = words.bch
    differences = in_code_order(view.differences, window.bit_order)
    layout = with_marker_found(rows[telling(rows)], differences, bch, layout)
    if view.way == 1 or (view.way in candidate.periods and 1 in candidate.periods[:SUREST] and not layout.loose):
        # What a controller says of a block is the same in neighbours, and nothing is left of it in their difference;
        # nor in that of others of the block, where all are under one keystream.
        layout = replace(layout, loose=loose_metadata(view.survey.as_read(ROWS).values, layout.codewords))
    code = Code(bch.m, bch.primitive_polynomial, bch.t, bch.first_root, window.bit_order)
    return FoundPage(view.survey, layout, code, window, words, view.way, candidate)


def _undivided(rows: NDArray[np.uint8], window: Window, words: FoundCode) -> tuple[Window, FoundCode]:
    """A single codeword, where two or four that follow each other in line were taken for one.

    A codeword behind another is a codeword of the same cyclic code, as long as both together are not too long for it.
    What looks like metadata is then parity and data of the first.
    """
    least = min(8 * MOST_COVERED, words.bch.parity_bits)
    while words.metadata_bits >= least and not window.tail.length:
        found = ((part, identify(rows, part)) for part in _parts(window, words.bch.parity_bits))
        shorter = next(((part, code) for part, code in found if code and code.bch.t >= words.bch.t), None)
        if shorter is None:
            break
        window, words = shorter
    return window, words


def _parts(window: Window, parity_bits: int) -> Iterator[Window]:
    """The first of two or four codewords that a window may be."""
    parity = -(-parity_bits // 8)
    for times in (2, 4):
        message, rest = divmod(window.message, times)
        if rest or message not in MESSAGES:
            continue
        # Of equal length, or with metadata in the first one alone; a window may be a byte off.
        equal = (window.message + window.tail_bytes) // times - message
        for length in dict.fromkeys((equal, *range(parity, parity + MOST_COVERED + 1, 2))):
            yield replace(window, message=message, tail=Tail(message), tail_bytes=length)
