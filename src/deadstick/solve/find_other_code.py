"""The search for a code that is no binary BCH code: Hamming and Reed-Solomon, on the page sizes that a dump suggests.

It is asked when `find_code` has found nothing. Hamming comes first, since it costs a product of matrices a page size;
then Reed-Solomon, the usual fields before the unusual ones.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress, silent
from deadstick.solve.geometry import PageCandidate
from deadstick.solve.other_codes.found import FoundOther, rows_of
from deadstick.solve.other_codes.hamming import find_hamming
from deadstick.solve.other_codes.page import look_for
from deadstick.solve.other_codes.reed_solomon import Hunt, Root, common_roots, other_roots
from deadstick.solve.survey import Survey

__all__ = ["FoundOther", "find_other_code"]

ROWS = 128
FEWEST_ROWS = 16
HAMMING_CANDIDATES = 12
USUAL_CANDIDATES, ALL_CANDIDATES, OTHER_CANDIDATES = 8, 4, 2
PLACES_A_ROOT = 4_000
"""Roughly the places and lengths that are tried for one root."""
PERIODS = 2
USUAL_PAGES = (528, 2112, 4224)
"""Tried even where the dump does not suggest them: one spare byte to 32 data bytes, as old chips have it (Linux
drivers/mtd/nand/raw/nand_base.c, nand_decode_id)."""
SEARCH_SECONDS = 100.0
"""No new step begins after so long."""


def find_other_code(
    data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress = silent
) -> FoundOther | None:
    """Try page sizes until a Hamming or a Reed-Solomon code explains the pages.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, likeliest first.
        progress: told about every step as `other code`.

    Returns:
        None where neither explains any candidate.
    """
    seen = {candidate.page_bytes for candidate in candidates[:HAMMING_CANDIDATES]}
    usual = [PageCandidate(page, (), 0.0, "a usual size") for page in USUAL_PAGES if page not in seen]
    candidates = (*candidates[:HAMMING_CANDIDATES], *usual)
    rows = _AllRows(data)
    began = monotonic()
    steps = list(_steps(len(candidates), len(usual)))
    for done, step in enumerate(steps):
        if monotonic() - began > SEARCH_SECONDS:
            break
        progress("other code", done, len(steps))
        found = step.over(rows, candidates[step.candidate])
        if found is not None:
            progress("other code", len(steps), len(steps))
            return found
    return None


@dataclass(frozen=True, slots=True)
class _Step:
    """One kind of code on one page size."""

    kind: str
    candidate: int

    def over(self, rows: "_AllRows", candidate: PageCandidate) -> FoundOther | None:
        survey = rows.survey(candidate.page_bytes)
        # Pages as they are, pages under one mask, pages that share a keystream.
        for lag in dict.fromkeys((0, 1, *candidate.periods[:PERIODS])):
            if self.kind == "hamming":
                found = find_hamming(survey, candidate, lag)
            else:
                found = self._reed_solomon(rows, survey, candidate, lag)
            if found is not None:
                return found
        return None

    def _reed_solomon(self, rows: "_AllRows", survey: Survey, candidate: PageCandidate, lag: int) -> FoundOther | None:
        hunt = rows.hunt(survey, lag)
        if hunt is None:
            return None
        for root in self._roots():
            rows.tried += PLACES_A_ROOT
            found = look_for(survey, candidate, lag, hunt, root, rows.tried)
            if found is not None:
                return found
        return None

    def _roots(self) -> Iterator[Root]:
        return other_roots() if self.kind == "other roots" else common_roots(self.kind)


def _steps(candidates: int, usual: int) -> Iterator[_Step]:
    """What is tried on which of the candidates; the last ones are the usual sizes."""
    suggested = candidates - usual
    for kind, most in (
        ("hamming", candidates),
        ("known", USUAL_CANDIDATES),
        ("all", ALL_CANDIDATES),
        ("other roots", OTHER_CANDIDATES),
    ):
        for candidate in range(min(suggested, most)):
            yield _Step(kind, candidate)
        if kind in {"hamming", "known"}:
            yield from (_Step(kind, candidate) for candidate in range(suggested, candidates))


class _AllRows:
    """The rows of every candidate, kept from step to step."""

    def __init__(self, data: NDArray[np.uint8]) -> None:
        self.data = data
        self.tried = 1
        self._surveys: dict[int, Survey] = {}
        self._hunts: dict[tuple[int, int], Hunt | None] = {}

    def survey(self, page_bytes: int) -> Survey:
        return self._surveys.setdefault(page_bytes, Survey(self.data, page_bytes))

    def hunt(self, survey: Survey, lag: int) -> Hunt | None:
        key = (survey.page_bytes, lag)
        if key not in self._hunts:
            _, values = rows_of(survey, lag, ROWS)
            self._hunts[key] = Hunt(values) if len(values) >= FEWEST_ROWS else None
        return self._hunts[key]
