"""The search for a code that is no binary BCH code: Hamming and Reed-Solomon, on the page sizes that a dump suggests.

It is asked when the first steps of `find_code` have found nothing. Hamming comes first, since it costs a product of
matrices a page size; then Reed-Solomon, the usual fields before the unusual ones.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress, silent
from deadstick.solve.codeword.alike_pages import AlikePages
from deadstick.solve.codeword.row_noise import clean_share
from deadstick.solve.hints.hints import Family
from deadstick.solve.other_codes.found import FoundOther
from deadstick.solve.other_codes.hamming import find_hamming
from deadstick.solve.other_codes.in_turn import InTurn, ways_in_turn
from deadstick.solve.other_codes.kept_rows import ROWS, KeptRows, Way
from deadstick.solve.other_codes.page import look_for
from deadstick.solve.other_codes.reed_solomon import FEWEST_MANY, MANY_ROWS
from deadstick.solve.other_codes.roots import Root, common_roots, other_roots
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.register.register import Register

__all__ = ["FoundOther", "OtherCodeSearch"]

HAMMING_CANDIDATES = 12
USUAL_CANDIDATES, ALL_CANDIDATES, OTHER_CANDIDATES = 8, 4, 2
PLACES_A_ROOT = 4_000
"""Roughly the places and lengths that are tried for one root."""
PERIODS = 2
MOST_REGISTERS = 1
"""Registers whose output is taken off the pages; the first has been seen most often."""
USUAL_PAGES = (528, 2112, 4224)
"""Tried even where the dump does not suggest them: one spare byte to 32 data bytes, as old chips have it (Linux
drivers/mtd/nand/raw/nand_base.c, nand_decode_id)."""
MULTIPLES = (2, 3, 4, 8)
"""Of what may be a part of a page."""
MOSTLY_WHOLE, CLEARLY_MORE = 0.75, 1.5
"""Share of the Hamming words without an error from which on no larger page is looked at, and how many times as many the
larger one must have. Under half of a page every second row is half a page out of step, so it has twice as many."""
FEWEST_CLEAN = 1 / 8
"""Share of clean words from which on a Reed-Solomon code is looked for among the first: one in six is enough, see
`other_codes.reed_solomon`."""
FAINT_MESSAGE = 512
"""Data bytes of a codeword from which on its differences may hardly ever be clean."""
FIRST_SECONDS = 30.0
"""No new step of the first ones begins after so long."""


class OtherCodeSearch:
    """Tries page sizes until a Hamming or a Reed-Solomon code explains the pages."""

    def __init__(
        self,
        data: NDArray[np.uint8],
        candidates: Sequence[PageCandidate],
        registers: Sequence[Register] = (),
        progress: Progress = silent,
    ) -> None:
        """Take what is searched.

        Args:
            data: `uint8[bytes]`, the surveyed part.
            candidates: page sizes, likeliest first; noise has none, and nothing is tried then.
            registers: seen in the dump as read.
            progress: told about every step as `other code`.
        """
        seen = {candidate.page_bytes for candidate in candidates[:HAMMING_CANDIDATES]}
        usual = [PageCandidate(page, (), 0.0, "a usual size") for page in USUAL_PAGES if page not in seen]
        self.candidates = (*candidates[:HAMMING_CANDIDATES], *(usual if candidates else ()))
        self.rows, self.progress = KeptRows(data, registers[:MOST_REGISTERS]), progress
        self.steps = list(_steps(len(self.candidates), len(usual))) if candidates else []
        self.done = 0

    def first(self, rate: float | None = None) -> FoundOther | None:
        """Every Hamming code, and the usual Reed-Solomon codes on the first page size.

        Args:
            rate: share of wrong bits, where that is known. Messages of which too few are clean are left for later.
        """
        last = next((i for i, step in enumerate(self.steps) if (step.kind, step.candidate) == ("all", 0)), -1)
        if rate is not None:
            now, rest = self.steps[: last + 1], self.steps[last + 1 :]
            put_off = [replace(step, rate=rate, is_clean=False) for step in now if step.kind != "hamming"]
            self.steps = [*(replace(step, rate=rate) for step in now), *put_off, *rest]
        return self._run(last + 1, monotonic() + FIRST_SECONDS)

    def named(self, family: Family, deadline: float) -> FoundOther | None:
        """The codes of one family alone, because the user says so; nothing else loses its turn.

        Args:
            family: `hamming` or `rs`.
            deadline: when no new step begins any more, see `time.monotonic`.
        """
        mine = [step for step in self.steps if (step.kind == "hamming") == (family == "hamming")]
        self.steps = mine + [step for step in self.steps if step not in mine]
        return self._run(len(mine), deadline)

    def later(self, deadline: float) -> FoundOther | None:
        """All the rest.

        Args:
            deadline: when no new step begins any more, see `time.monotonic`.
        """
        return self._run(len(self.steps), deadline)

    def _run(self, end: int, deadline: float) -> FoundOther | None:
        while self.done < end and monotonic() < deadline:
            step = self.steps[self.done]
            self.progress("other code", self.done, len(self.steps))
            self.done += 1
            found = step.over(self.rows, self.candidates[step.candidate])
            if found is not None:
                self.progress("other code", len(self.steps), len(self.steps))
                return self._whole(found) if step.kind == "hamming" else found
        return None

    def _whole(self, part: FoundOther) -> FoundOther:
        """The page, where a part of it was taken for one: a parity that every second row bears correlates as well."""
        best = part
        if part.share < MOSTLY_WHOLE:
            sizes = {times * part.survey.page_bytes for times in MULTIPLES}
            larger = sorted((c for c in self.candidates if c.page_bytes in sizes), key=lambda c: c.page_bytes)
            for candidate in larger:
                found = _hamming(self.rows, candidate)
                # Bit errors are the same under every size, so what is a page leaves the multiples no more.
                if found is not None and found.share >= CLEARLY_MORE * best.share:
                    best = found
        return best


@dataclass(frozen=True, slots=True)
class _Step:
    """One kind of code on one page size.

    Attributes:
        kind: `hamming`, or which roots of Reed-Solomon codes.
        candidate: number of the page size.
        rate: share of wrong bits; None where it is not known, or where all messages are asked.
        is_clean: asked are messages that are clean often enough at that rate, and not the others.
        are_many: asked are many differences of pages, since few of long messages may be clean.
    """

    kind: str
    candidate: int
    rate: float | None = None
    is_clean: bool = True
    are_many: bool = False

    def over(self, rows: KeptRows, candidate: PageCandidate) -> FoundOther | None:
        if self.kind == "hamming":
            return _hamming(rows, candidate)
        # Pages as they are; without what a register adds, by columns or in turn, with half the errors of differences;
        # pages under one mask; pages that share a keystream.
        lags = rows.lags(candidate.page_bytes, candidate.periods, PERIODS)
        registers = rows.registers if candidate.shows_restarts else ()
        in_turn = [way for register in registers for way in ways_in_turn(register, candidate.page_bytes)]
        ways: list[Way] = lags if self.are_many else [0, *registers, *in_turn, *dict.fromkeys((1, *lags))]
        for way in ways:
            for complement in (False,) if _is_difference(way) else (False, True):
                found = self._reed_solomon(rows, candidate, way, complement=complement)
                if found is not None:
                    return found
        return None

    def _reed_solomon(
        self, rows: KeptRows, candidate: PageCandidate, way: Way, *, complement: bool
    ) -> FoundOther | None:
        due = [root for root in self._roots() if self._is_due(way, root)]
        if not due:
            return None
        most, fewest = (MANY_ROWS, FEWEST_MANY) if self.are_many else (ROWS, 0)
        sight, hunt = rows.hunt(candidate.page_bytes, way, complement=complement, most=most)
        if hunt is None or len(sight.bare) < fewest:
            return None
        for root in due:
            rows.tried += PLACES_A_ROOT
            found = look_for(candidate, sight, hunt, root, rows.tried)
            if found is not None:
                return found
        return None

    def _is_due(self, way: Way, root: Root) -> bool:
        """Whether rows seen so may have such messages, and these are as clean as the step asks for."""
        if isinstance(way, InTurn) and way.message != root.message:
            return False
        if self.are_many:
            return root.message >= FAINT_MESSAGE
        times = 2 if _is_difference(way) else 1  # a difference has the errors of both pages
        return self.rate is None or self.is_clean == (clean_share(times * self.rate, root.message) >= FEWEST_CLEAN)

    def _roots(self) -> Iterator[Root]:
        return other_roots() if self.kind == "other roots" else common_roots(self.kind)


def _is_difference(way: Way) -> bool:
    """Whether the rows are differences of pages, which a complement leaves as they are."""
    return isinstance(way, AlikePages) or (isinstance(way, int) and way != 0)


def _hamming(rows: KeptRows, candidate: PageCandidate) -> FoundOther | None:
    survey = rows.survey(candidate.page_bytes)
    lags = dict.fromkeys((0, 1, *candidate.periods[:PERIODS]))
    tried = (find_hamming(survey, candidate, lag) for lag in lags)
    return next((found for found in tried if found is not None), None)


def _steps(candidates: int, usual: int) -> Iterator[_Step]:
    """What is tried on which of the candidates; the last ones are the usual sizes."""
    suggested = candidates - usual
    for kind, first, most, are_many in (
        ("hamming", 0, candidates, False),
        ("known", 0, 1, False),
        ("all", 0, 1, False),
        ("known", 0, 1, True),
        ("all", 0, 1, True),
        ("known", 1, USUAL_CANDIDATES, False),
        ("all", 1, ALL_CANDIDATES, False),
        ("other roots", 0, OTHER_CANDIDATES, False),
    ):
        for candidate in range(first, min(suggested, most)):
            yield _Step(kind, candidate, are_many=are_many)
        if kind == "hamming" or (kind == "known" and first):
            yield from (_Step(kind, candidate) for candidate in range(suggested, candidates))
