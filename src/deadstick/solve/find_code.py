"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.solve.code import FoundCode, complete_layout, identify
from deadstick.solve.geometry import PageCandidate
from deadstick.solve.survey import Survey
from deadstick.solve.window import Heads, RootTester, Rows, Window, known_polynomials, polynomial_rounds, search

FEWEST_ROWS = 8
CLEARLY = 1.4
PLACES_A_FIELD = 10_000
"""Roughly the places that are tried for one field."""


@dataclass(frozen=True)
class FoundPage:
    """Page size, layout and code that explain the dump.

    Attributes:
        survey: pages of this size.
        layout: of one page.
        code: with its bit order; inversion and mask are not known yet.
        window: the first codeword.
        words: what identified the code.
        lag: pages apart whose differences are codewords; 0 where the pages themselves are.
        candidate: the witness for the page size.
        asked: rows that were asked for.
    """

    survey: Survey
    layout: PageLayout
    code: Code
    window: Window
    words: FoundCode
    lag: int
    candidate: PageCandidate
    asked: int

    @property
    def share(self) -> float:
        """Share of the rows that begin with an error-free codeword."""
        return self.window.hits / self.window.rows


FIRST_ROWS, MANY_ROWS = 256, 4096
MANY_CANDIDATES = 10
EARLY_ROUNDS = 3
WIDE_CANDIDATES, WIDE_ROUNDS = 6, 8
NARROW_CANDIDATES = 2
RIVALS = 10
SEARCH_SECONDS = 120.0
"""No new round begins after so long: an honest "not found" in minutes is worth more than a hope for hours."""


def find_code(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress) -> FoundPage | None:
    """Try page sizes until a code explains the pages.

    First the polynomials of public drivers on every page size; then all primitive polynomials, round by round, the
    first rounds on more page sizes than the later ones. A strong code shows in the first of these rounds; after them
    the known polynomials are tried on many rows, for dumps with hardly a word without errors.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, likeliest first.
        progress: told about every round.

    Returns:
        None where no BCH code explains any candidate.
    """
    hunt = _Hunt(data)
    known = known_polynomials()
    rounds = [(candidates, FIRST_ROWS, known)]
    for number, polynomials in enumerate(polynomial_rounds()):
        if number == EARLY_ROUNDS:
            rounds.append((candidates[:MANY_CANDIDATES], MANY_ROWS, known))
        most = WIDE_CANDIDATES if number < WIDE_ROUNDS else NARROW_CANDIDATES
        rounds.append((candidates[:most], FIRST_ROWS, polynomials))
    began = monotonic()
    for done, (chosen, rows, polynomials) in enumerate(rounds):
        if monotonic() - began > SEARCH_SECONDS:
            break
        progress("code", done, len(rounds))
        found = hunt.over(chosen, rows, polynomials)
        if found is not None:
            progress("code", len(rounds), len(rounds))
            return hunt.best_page(found, candidates)
    return None


class _Hunt:
    """The rows of every candidate, kept from round to round."""

    def __init__(self, data: NDArray[np.uint8]) -> None:
        self.data = data
        self.surveys: dict[int, Survey] = {}
        self.heads: dict[tuple[int, int, int], Heads] = {}
        self.tried = 1

    def over(self, candidates: Sequence[PageCandidate], rows: int, polynomials: tuple[int, ...]) -> FoundPage | None:
        """One round: the polynomials on the candidates."""
        for candidate in candidates:
            survey = self.surveys.setdefault(candidate.page_bytes, Survey(self.data, candidate.page_bytes))
            # Pages as they are, pages under one and the same mask, pages that share a keystream.
            for lag in dict.fromkeys((0, 1, *candidate.periods)):
                heads = self._heads(survey, lag, rows)
                if len(heads.rows.values) < FEWEST_ROWS:
                    continue
                for window in search(heads, polynomials, self.tried):
                    found = _complete(survey, window, lag, rows, candidate)
                    if found is not None:
                        return found
                self.tried += len(polynomials) * PLACES_A_FIELD
        return None

    def best_page(self, first: FoundPage, candidates: Sequence[PageCandidate]) -> FoundPage:
        """Of all page sizes that the code fits, the one under which the most rows begin with a codeword.

        Under half of the right size every other row does, and under a size that shares a divisor with the right one
        every few rows; those layouts look complete, too. Under a multiple all rows do, and the smaller size wins.
        """
        best = first
        polynomials = (first.window.polynomial,)
        for candidate in candidates[:RIVALS]:
            if candidate.page_bytes == first.layout.page_bytes:
                continue
            other = self.over([candidate], first.asked, polynomials)
            if other is None:
                continue
            larger = other.layout.page_bytes > best.layout.page_bytes
            if other.share > best.share * (CLEARLY if larger else 1 / CLEARLY):
                best = other
        return best

    def _heads(self, survey: Survey, lag: int, rows: int) -> Heads:
        key = (survey.page_bytes, lag, rows)
        if key not in self.heads:
            self.heads[key] = Heads.of(_rows(survey, lag, rows))
        return self.heads[key]


def _rows(survey: Survey, lag: int, most: int) -> Rows:
    return survey.differences(lag, most) if lag else survey.as_read(most)


def _complete(survey: Survey, window: Window, lag: int, rows: int, candidate: PageCandidate) -> FoundPage | None:
    tester = RootTester(_rows(survey, lag, rows))
    words = identify(tester, window)
    if words is None:
        return None
    layout = complete_layout(tester, window, words.bch)
    if layout is None:
        return None
    bch = words.bch
    code = Code(bch.m, bch.primitive_polynomial, bch.t, bch.first_root, window.bit_order)
    return FoundPage(survey, layout, code, window, words, lag, candidate, rows)
