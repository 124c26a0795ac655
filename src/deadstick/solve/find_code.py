"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.solve.code import FoundCode, complete_layout, identify
from deadstick.solve.geometry import PageCandidate
from deadstick.solve.survey import Survey
from deadstick.solve.window import RootTester, Rows, Window, all_polynomials, known_polynomials, search

FEWEST_ROWS = 8


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


@dataclass(frozen=True, slots=True)
class _Stage:
    """One round of the search: cheap ones first."""

    name: str
    rows: int
    candidates: int
    exhaustive: bool


_STAGES = (
    _Stage("polynomials of public drivers", 256, 32, exhaustive=False),
    _Stage("polynomials of public drivers, more rows", 4096, 8, exhaustive=False),
    _Stage("every primitive polynomial", 192, 4, exhaustive=True),
)


def find_code(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress) -> FoundPage | None:
    """Try page sizes until a code explains the pages.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, strongest first.
        progress: told about every candidate.

    Returns:
        None where no BCH code explains any candidate.
    """
    total = sum(min(stage.candidates, len(candidates)) for stage in _STAGES)
    done = 0
    tried = 0
    for stage in _STAGES:
        for candidate in _smallest_first(candidates[: stage.candidates]):
            survey = Survey(data, candidate.page_bytes)
            for rows, lag in _families(survey, candidate, stage.rows):
                tester = RootTester(rows)
                polynomials: Iterable[int] = all_polynomials() if stage.exhaustive else known_polynomials()
                for window in search(tester, polynomials, candidate.page_bytes, tried):
                    found = _complete(tester, window, survey, lag, candidate)
                    if found is not None:
                        progress("code", total, total)
                        return found
                tried += 100_000
            done += 1
            progress("code", done, total)
    return None


def _smallest_first(candidates: tuple[PageCandidate, ...]) -> list[PageCandidate]:
    """Of page sizes that one lag suggests, the smallest first: its multiples could explain the dump as well."""
    return sorted(candidates, key=lambda item: (-item.figure, item.page_bytes))


def _families(survey: Survey, candidate: PageCandidate, most: int) -> Iterator[tuple[Rows, int]]:
    """Rows that may be sums of codewords, with the lag between the pages that make them."""
    for lag in dict.fromkeys((0, 1, candidate.period_pages)):
        if lag == 0 and candidate.period_pages:
            rows = survey.as_read(most // 2)
        else:
            rows = survey.differences(lag, most) if lag else survey.as_read(most)
        if len(rows.values) >= FEWEST_ROWS:
            yield rows, lag


def _complete(
    tester: RootTester, window: Window, survey: Survey, lag: int, candidate: PageCandidate
) -> FoundPage | None:
    words = identify(tester, window)
    if words is None:
        return None
    layout = complete_layout(tester, window, words.bch)
    if layout is None:
        return None
    bch = words.bch
    code = Code(bch.m, bch.primitive_polynomial, bch.t, bch.first_root, window.bit_order)
    return FoundPage(survey, layout, code, window, words, lag, candidate)
