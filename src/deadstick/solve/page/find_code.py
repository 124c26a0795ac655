"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import chain, takewhile
from math import inf
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress, silent
from deadstick.recipe.code import BitOrder
from deadstick.solve.codeword.decoding import DEEP, DEEPEST, MIDDLE, NATURAL, SHALLOW, Depth
from deadstick.solve.codeword.places import Places, every_place, tails_of
from deadstick.solve.codeword.window import Window, search
from deadstick.solve.hints.hints import CodeHint
from deadstick.solve.page.code import FoundCode, code_view, identify
from deadstick.solve.page.found_page import MOST_TIED, FoundPage, best_complete
from deadstick.solve.page.plan import Step, first_steps, hinted_steps, later_steps
from deadstick.solve.page.rival_pages import RIVALS, likelier_pages, rival_pages
from deadstick.solve.page.row_view import RowView
from deadstick.solve.page.row_views import RowViews
from deadstick.solve.page_size.geometry import MESSAGES, PageCandidate, data_bytes_of
from deadstick.solve.register.register import Register

CLEARLY = 1.06
"""How many times more of the code's strength a page must leave to be better than a smaller one."""
PLACES_A_FIELD = 10_000
"""Roughly the places that are tried for one field."""
RIVALS_SECONDS = 20.0
"""After which no further page size is looked at."""
NEARLY_WHOLE = 0.88
"""Share of the codewords that decode from which on no other page sizes are looked at, if those that do decode have no
more errors than the first one. Under half of a page it is a half."""
MOST_TURNS = 4
KNOWN = Depth(4, 12)
"""For a polynomial that clean words have given: few errors, many rows."""
FIRST_SECONDS, OVERTIME_SECONDS = 90.0, 20.0
"""No new step of the first ones begins after so long; one that goes on ends with the rows that it is at after so much
more: rows that look like codewords and are none may keep a step busy for minutes."""


class CodeSearch:
    """Tries page sizes until a code explains the pages.

    First clean words and their roots, which need no knowledge of the polynomial's place in the code; then decoding as
    the test, over every primitive polynomial, deeper and deeper into the noise. The rows of every candidate are kept
    from step to step.
    """

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
            candidates: page sizes, likeliest first.
            registers: seen in the dump as read.
            progress: told about every step.
        """
        self.candidates, self.progress = candidates, progress
        self.rows = RowViews(data, candidates, registers)
        self.multiples = self.rows.multiples
        self.tried = 1
        self._left: list[Step] = []
        self._latest = inf

    def first(self, hint: CodeHint | None = None, order: BitOrder | None = None) -> FoundPage | None:
        """What is most likely to be found, or quickest to try; what a hint leaves comes before.

        Args:
            hint: what is known of the code. Whether it fits is asked when a code is found.
            order: the bit order that is known; asked in the same way.
        """
        count = len(self.candidates)
        return self._run([*hinted_steps(count, hint, order), *first_steps(count)], monotonic() + FIRST_SECONDS)

    def later(self, deadline: float) -> FoundPage | None:
        """All the rest, and before it what the time for the first steps did not reach: no other step takes its place.

        Args:
            deadline: when no new step begins any more, see `time.monotonic`.
        """
        return self._run([*self._left, *later_steps()], deadline)

    def _run(self, steps: list[Step], deadline: float) -> FoundPage | None:
        self._latest = deadline + OVERTIME_SECONDS
        for done, step in enumerate(steps):
            if monotonic() > deadline:
                self._left = steps[done:]
                break
            self.progress("code", done, len(steps))
            found = self._step(step)
            if found is not None:
                self.progress("code", len(steps), len(steps))
                return self.best_page(found)
        return None

    def _in_time(self, _: object) -> bool:
        return monotonic() < self._latest

    def _step(self, step: Step) -> FoundPage | None:
        candidates = self.candidates[step.after : step.candidates]
        if step.messages == MESSAGES[-1:]:
            # The longest message has as many lengths in line as take three times the places of the spare area.
            return self.over(candidates, step) or self._in_line(step)
        return self._in_line(step) or self.over(candidates, step)

    def _in_line(self, step: Step) -> FoundPage | None:
        """A fitting step on the first codeword in line, for all page sizes of a chain at once.

        Where the register starts anew at the borders of a page it does so at those of its parts and its multiples. Rows
        of the largest size all begin where pages do, whichever size is right.
        """
        if step.depth is not None or step.at_ends or not self.multiples:
            return None
        for view, depth in self.rows.of(self.multiples[-1], step):
            left = step.polynomials
            for _ in takewhile(self._in_time, range(MOST_TURNS)):
                places = _of_messages(view.in_line, step)
                windows = view.test.search(
                    places, left, depth, self.tried, natural=step.natural, orders=step.orders, t=step.t
                )
                if not windows:
                    break
                shown = {window.polynomial for window in windows}
                known = self._identified(view, windows) or tuple(shown)
                deep = Depth(_usual(windows[0].errors).syndromes, 12)
                found = self.over(self.multiples, replace(step, polynomials=known, depth=deep))
                if found is not None:
                    return found
                left = tuple(polynomial for polynomial in left if polynomial not in shown)
            self.tried += len(step.polynomials) * PLACES_A_FIELD
        return None

    def over(self, candidates: Sequence[PageCandidate], step: Step) -> FoundPage | None:
        """One step over the candidates."""
        for candidate in takewhile(self._in_time, candidates):
            for view, depth in self.rows.of(candidate, step):
                found = self._found(view, candidate, step, depth)
                if found is not None:
                    return found
                self.tried += len(step.polynomials) * PLACES_A_FIELD
        return None

    def _found(
        self, view: RowView, candidate: PageCandidate, step: Step, depth: Depth | dict[int, Depth]
    ) -> FoundPage | None:
        """One step on some rows; a polynomial whose windows make no page is left out, and others have their turn."""
        for _ in takewhile(self._in_time, range(MOST_TURNS)):
            windows = self._windows(view, step, depth)
            found = best_complete(view, windows, candidate)
            if found is not None or not windows:
                return found
            useless = {window.polynomial for window in windows}
            step = replace(step, polynomials=tuple(p for p in step.polynomials if p not in useless))
        return None

    def _windows(self, view: RowView, step: Step, depth: Depth | dict[int, Depth]) -> list[Window]:
        # What lies in line has been looked for in the longest rows.
        in_chain = any(candidate.page_bytes == view.survey.page_bytes for candidate in self.multiples)
        others = view.in_spare if step.depth is None and in_chain else view.places
        places = _of_messages(view.at_ends if step.at_ends else others, step)
        if step.test == "roots":
            seen = search(view.heads, step.polynomials, self.tried, None if step.everywhere else tails_of(places))
            return self._decoded(view, seen) if seen else []
        if step.everywhere:
            data = data_bytes_of(view.survey.page_bytes)
            places = [every_place(view.heads, message) for message in step.messages if message <= data]
        return view.test.search(
            places, step.polynomials, depth, self.tried, natural=step.natural, orders=step.orders, t=step.t
        )

    def _decoded(self, view: RowView, seen: list[Window]) -> list[Window]:
        """The windows that decoding finds with the polynomial which clean words have given, or the clean words' own.

        A root alone tells neither which of the code's roots it is nor where exactly the words end.
        """
        for polynomial in self._identified(view, seen):
            for natural in (True, False):
                found = view.test.search(view.places, (polynomial,), KNOWN, self.tried, natural=natural)
                if found:
                    return found
        return seen[:MOST_TIED]

    @staticmethod
    def _identified(view: RowView, windows: Sequence[Window]) -> tuple[int, ...]:
        """Primitive polynomials of the codes that windows belong to; theirs may be those of a power of alpha."""
        found = (identify(code_view(view.rows, window), window) for window in windows[:MOST_TIED])
        return tuple(dict.fromkeys(words.bch.primitive_polynomial for words in found if words is not None))

    def best_page(self, first: FoundPage) -> FoundPage:
        """Of all page sizes that the code fits, the one under which the most codewords decode.

        Under half of the right size every other row is one, and under a size that shares a divisor with the right one
        every few rows; those layouts look complete, too. Under a multiple all rows do, and the smaller size wins. Where
        hardly anything is missing but the bit errors, no other size can be better (see `whole_page` for multiples).
        """
        best = first
        if _lacks_nothing(first, first):
            return first
        message = first.window.message
        natural = NATURAL[message] == first.window.m
        depth = _depth_for(first.words)
        step = Step("decoding", RIVALS, 3, (first.words.bch.primitive_polynomial,), depth, natural)
        own = (self._found(view, first.candidate, step, depth) for view, depth in self.rows.of(first.candidate, step))
        others = (self.over([candidate], step) for candidate in rival_pages(first, self.candidates))
        # Where the code was found in rows of another size than the likeliest, it may be that one's.
        likeliest = [c for c in self.candidates[:1] if c.page_bytes != first.candidate.page_bytes]
        likelier = likelier_pages(first, self.candidates[:RIVALS], self.rows)
        before = (self.over([candidate], step) for candidate in likelier or likeliest)
        deadline = monotonic() + RIVALS_SECONDS
        self._latest = deadline + OVERTIME_SECONDS
        for other in chain(before, own, others):
            if other is not None:
                smaller = other.layout.page_bytes < best.layout.page_bytes
                if other.quality > best.quality * (1 / CLEARLY if smaller else CLEARLY):
                    best = other
            if monotonic() > deadline or _lacks_nothing(best, first):
                break
        return best


def _lacks_nothing(page: FoundPage, first: FoundPage) -> bool:
    """Whether nearly all codewords decode, with no more errors than those that the first page showed."""
    most = 1 - first.words.errors / (first.words.bch.t + 1)
    return page.share >= NEARLY_WHOLE and page.quality * CLEARLY >= most * page.share


def _of_messages(places: Sequence[Places], step: Step) -> list[Places]:
    return [item for item in places if item.message in step.messages]


def _usual(errors: float) -> Depth:
    """Deep enough for the errors that were seen."""
    return next((d for d in (SHALLOW, MIDDLE, DEEP) if d.syndromes > 1.5 * errors + 2), DEEPEST)


def _depth_for(words: FoundCode) -> Depth:
    """Deep enough for the errors that were seen, and no deeper than the code is strong."""
    return Depth(min(_usual(words.errors).syndromes, words.bch.t), 12)
