"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Iterator
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
    """One round of the search: cheap ones first.

    Attributes:
        rows: rows of each kind.
        candidates: page sizes that are worth this round.
        exhaustive: every primitive polynomial, or those of public drivers.
    """

    rows: int
    candidates: int
    exhaustive: bool


_STAGES = (
    _Stage(256, 24, exhaustive=False),
    _Stage(48, 6, exhaustive=True),
    _Stage(4096, 8, exhaustive=False),
    _Stage(384, 4, exhaustive=True),
)


def find_code(data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress) -> FoundPage | None:
    """Try page sizes until a code explains the pages.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, likeliest first.
        progress: told about every candidate.

    Returns:
        None where no BCH code explains any candidate.
    """
    surveys: dict[int, Survey] = {}
    rounds = [(stage, item) for stage in _STAGES for item in candidates[: stage.candidates]]
    tried = 0
    for done, (stage, candidate) in enumerate(rounds):
        progress("code", done, len(rounds))
        survey = surveys.setdefault(candidate.page_bytes, Survey(data, candidate.page_bytes))
        for rows, lag in _families(survey, candidate, stage.rows):
            tester = RootTester(rows)
            polynomials = all_polynomials() if stage.exhaustive else known_polynomials()
            tried += 100_000
            for window in search(tester, polynomials, candidate.page_bytes, tried):
                found = _complete(tester, window, survey, lag, candidate)
                if found is not None:
                    progress("code", len(rounds), len(rounds))
                    return found
    progress("code", len(rounds), len(rounds))
    return None


def _families(survey: Survey, candidate: PageCandidate, most: int) -> Iterator[tuple[Rows, int]]:
    """Rows that may be sums of codewords, with the lag between the pages that make them."""
    for lag in dict.fromkeys((0, 1, *candidate.periods)):
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
