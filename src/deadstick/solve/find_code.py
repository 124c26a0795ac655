"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Sequence
from dataclasses import dataclass

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
    """

    survey: Survey
    layout: PageLayout
    code: Code
    window: Window
    words: FoundCode
    lag: int
    candidate: PageCandidate


FIRST_ROWS, MANY_ROWS = 256, 4096
EXHAUSTIVE_CANDIDATES, MANY_CANDIDATES = 6, 8


def find_code(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress) -> FoundPage | None:
    """Try page sizes until a code explains the pages.

    First the polynomials of public drivers on every page size, then all primitive ones, round by round, on the
    likeliest page sizes, and at last the known ones on many rows, for dumps with hardly a word without errors.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, likeliest first.
        progress: told about every round.

    Returns:
        None where no BCH code explains any candidate.
    """
    hunt = _Hunt(data)
    rounds = list(polynomial_rounds())
    total = len(rounds) + 2
    progress("code", 0, total)
    found = hunt.over(candidates, FIRST_ROWS, known_polynomials())
    for done, polynomials in enumerate(rounds, 1):
        if found is not None:
            break
        progress("code", done, total)
        found = hunt.over(candidates[:EXHAUSTIVE_CANDIDATES], FIRST_ROWS, polynomials)
    if found is None:
        progress("code", total - 1, total)
        found = hunt.over(candidates[:MANY_CANDIDATES], MANY_ROWS, known_polynomials())
    progress("code", total, total)
    return found


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
    return FoundPage(survey, layout, code, window, words, lag, candidate)
