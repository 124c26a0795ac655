"""From the first Reed-Solomon codeword to the whole page."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.certainty import chances_of
from deadstick.recipe.code import LOST, Code, in_code_order
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.alike_pages import AlikePages
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.other_codes.found import FoundOther, Sight, loose_metadata
from deadstick.solve.other_codes.reed_solomon import Hunt, Window
from deadstick.solve.other_codes.roots import Root
from deadstick.solve.page_size.geometry import PageCandidate, data_bytes_of
from deadstick.solve.register.register import Register

FEWEST_SHARE = 0.125
"""Of the rows in which the first codeword is clean, so many must have each of the others clean."""
MOST_BETWEEN = 24
PROOF_PAGES = 64
CONVINCING = -6.0
HALF = 0.5

Bytes = NDArray[np.uint8]


def look_for(candidate: PageCandidate, sight: Sight, hunt: Hunt, root: Root, tried: int) -> FoundOther | None:
    """Test one root on one set of rows; where it shows, find the code and the page and prove them by decoding.

    Args:
        candidate: the witness for the page size.
        sight: the rows. Their complements are codewords where the parity is masked so that an erased page is one, since
            a page of ones is one then, too.
        hunt: in them.
        root: to test.
        tried: places tried before, which the chance takes into account.
    """
    window = hunt.look(root, tried)
    identified = hunt.identify(window) if window else None
    if window is None or identified is None:
        return None
    builders = (_Builder(reading, identified[0], root.message, identified[1]) for reading in sight.by_restarts)
    pages = (_page(candidate, window, builder) for builder in builders)
    return next((page for page in pages if page is not None), None)


def _page(candidate: PageCandidate, window: Window, builder: "_Builder") -> FoundOther | None:
    """The page that begins with a codeword; None where it lacks others or does not decode."""
    sight, code = builder.sight, builder.code
    codewords = builder.codewords(window)
    if codewords is None:
        return None
    layout = PageLayout(sight.survey.page_bytes, codewords, loose_metadata(sight.stored, codewords))
    code, decoded, examined = _proven(sight, layout, code)
    if decoded < HALF * examined or _chance(layout, code, decoded, examined) > CONVINCING:
        return None
    kind = f"complements of {sight.kind}" if sight.complement else sight.kind
    figure = (
        f"{window.hits} of {window.rows} {kind} have the root where 2^-{window.root.m} of them would by accident; "
        f"{2 * code.t} roots follow one another; {decoded} of {examined} codewords decode"
    )
    seen = (window.hits, window.rows, figure, window.log10_chance)
    lag = _lag(sight, layout, code, candidate.periods)
    return FoundOther(sight.survey, layout, code, lag, candidate, kind, *seen)


@dataclass(frozen=True)
class _Builder:
    """Finds the other codewords of a page by the remainder, once the code is known.

    Attributes:
        sight: the rows.
        code: from the first codeword.
        message: data bytes of a codeword.
        metadata: covered metadata bytes of a codeword, right before its parity.
    """

    sight: Sight
    code: Code
    message: int
    metadata: int

    def codewords(self, window: Window) -> tuple[Codeword, ...] | None:
        """Every codeword; None where one is missing."""
        page_bytes = self.sight.survey.page_bytes
        data = data_bytes_of(page_bytes)
        tail = self.metadata + self.code.parity_bytes
        if window.column + tail > page_bytes:
            return None
        found = [(0, window.column)]
        codewords = [self.codeword(0, window.column)]
        fewest = max(2, int(FEWEST_SHARE * window.hits))
        in_line = window.column < data
        stride = 0
        while len(found) < data // self.message:
            begin, column = found[-1]
            if stride:
                tries = [(begin + stride, column + stride)]
            elif in_line:
                behind = column + tail
                tries = [(first, first + window.column) for first in range(behind, behind + MOST_BETWEEN)]
            else:
                # The expected places come first: groups of equal length, then anywhere.
                last = column - found[-2][1] if len(found) > 1 else tail
                first_tries = (column + last, column + tail, *range(data, page_bytes - tail + 1))
                tries = [(begin + self.message, first) for first in first_tries if first >= data]
            free = (p for p in tries if all(abs(p[1] - column) >= tail for _, column in found))
            place = next((p for p in free if self.clean(*p, codewords) >= fewest), None)
            if place is None:
                return None
            stride = place[0] - begin if in_line else 0
            found.append(place)
            codewords.append(self.codeword(*place))
        return tuple(codewords)

    def clean(self, begin: int, column: int, before: list[Codeword]) -> int:
        """Rows that have a codeword without an error at a place behind others, those of zeros left out."""
        tail = self.metadata + self.code.parity_bytes
        page_bytes = self.sight.survey.page_bytes
        if begin + self.message > page_bytes or column + tail > page_bytes:
            return 0
        rows = self.sight.under([*before, self.codeword(begin, column)])
        message, behind = rows[:, begin : begin + self.message], rows[:, column : column + tail]
        words = in_code_order(np.hstack([message, behind]), self.code.bit_order)
        remainder = self.code.codec.remainder(words, self.message + self.metadata)
        return int((~remainder.any(axis=1) & message.any(axis=1)).sum())

    def codeword(self, begin: int, column: int) -> Codeword:
        """Its spans."""
        message = [Span.of_bytes(Part.DATA, begin, self.message)]
        if self.metadata:
            message.append(Span.of_bytes(Part.METADATA, column, self.metadata))
        parity = Span.of_bytes(Part.PARITY, column + self.metadata, self.code.parity_bytes)
        return Codeword(tuple(message), (parity,))


def _proven(sight: Sight, layout: PageLayout, code: Code) -> tuple[Code, int, int]:
    """The stored form under which most words decode, and how many of how many do.

    Pages under one mask decode as they are once the mask is known. Under a keystream only their differences do, or what
    is left of them without a register's output.
    """
    may_be_masked = sight.way != 0 or sight.complement
    masked = (replace(code, erased_is_codeword=True),) if may_be_masked else ()
    if sight.output is not None:
        pages = sight.output.off(layout.codewords)[:PROOF_PAGES]
    elif isinstance(sight.way, Register):
        pages = sight.bare[:PROOF_PAGES]
    else:
        pages = sight.survey.pages[sight.survey.some_written(PROOF_PAGES)]
    best = (code, *_decoded(layout, code, pages))
    for other in masked:
        figures = _decoded(layout, other, pages)
        if figures[0] > best[1]:
            best = (other, *figures)
    if sight.lag and best[1] < HALF * best[2]:
        best = (code, *_decoded(layout, code, sight.values[:PROOF_PAGES]))
    return best


def _lag(sight: Sight, layout: PageLayout, code: Code, periods: Sequence[int]) -> int:
    """Pages apart whose differences are codewords.

    Pages with equal words lie at many distances, and multiples of the period are as frequent as itself. So it is the
    first of the periods at which the code decodes; where none does, it is the most frequent of the distances.
    """
    if isinstance(sight.way, AlikePages):
        for lag in periods:
            rows = sight.survey.differences(lag, PROOF_PAGES).values
            if lag > 1 and _chance(layout, code, *_decoded(layout, code, rows)) < CONVINCING:
                return lag
    return sight.lag


def _chance(layout: PageLayout, code: Code, decoded: int, examined: int) -> float:
    """Logarithm of the chance that so many of so many words which are no codewords decode."""
    by_accident = float(chances_of(code, layout.codewords[0].message_bits).sum())
    return log10_tail(examined, decoded, min(1.0, by_accident))


def _decoded(layout: PageLayout, code: Code, pages: Bytes) -> tuple[int, int]:
    errors = Recipe(1, layout, code).decode(pages, np.arange(len(pages), dtype=np.int64)).errors
    return int((errors >= 0).sum()), int((errors >= LOST).sum())
