"""The search for page size, layout and code: candidates from the geometry, judged by the code itself."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress
from deadstick.recipe.code import Code, in_code_order
from deadstick.recipe.layout import PageLayout
from deadstick.solve import structure
from deadstick.solve.code import FoundCode, code_view, identify
from deadstick.solve.decoding import (
    DEEP,
    DEEPEST,
    MIDDLE,
    NATURAL,
    SHALLOW,
    DecodingTest,
    Depth,
    Places,
    every_place,
    in_line_places,
    spare_places,
    tails_of,
    telling,
)
from deadstick.solve.evidence import CodeHint
from deadstick.solve.geometry import PageCandidate
from deadstick.solve.marker import with_marker_found
from deadstick.solve.page import complete_page, decoding_share
from deadstick.solve.plan import Step, hinted_steps, usual_steps
from deadstick.solve.survey import Survey
from deadstick.solve.window import (
    MESSAGES,
    Heads,
    Rows,
    Tail,
    Window,
    data_bytes_of,
    search,
)

FEWEST_ROWS = 8
CLEARLY = 1.4
PLACES_A_FIELD = 10_000
"""Roughly the places that are tried for one field."""
ROWS = 256
RIVALS = 10
MOST_TURNS = 4
KNOWN = Depth(4, 12)
"""For a polynomial that clean words have given: few errors, many rows."""
MOST_WINDOWS, MOST_TIED, TIED = 24, 6, 0.9
"""Windows looked at, pages compared, and the share of the best window's rows above which another is as good."""
MOST_COVERED = 32
"""Metadata bytes of one codeword; more are taken for something else first (common practice, no source)."""
SEARCH_SECONDS = 150.0
"""No new step begins after so long: an honest "not found" in minutes is worth more than a hope for hours."""


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
        share: of the codewords of some rows, those that decode.
    """

    survey: Survey
    layout: PageLayout
    code: Code
    window: Window
    words: FoundCode
    lag: int
    candidate: PageCandidate
    share: float = 0.0


def find_code(
    data: NDArray[np.uint8],
    candidates: tuple[PageCandidate, ...],
    progress: Progress,
    hint: CodeHint | None = None,
) -> FoundPage | None:
    """Try page sizes until a code explains the pages.

    First clean words and their roots, which need no knowledge of the polynomial's place in the code; then decoding as
    the test, over every primitive polynomial, deeper and deeper into the noise.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        candidates: page sizes, likeliest first.
        progress: told about every step.
        hint: what is known of the code: it is tried first. Whether it fits is asked when a code is found.

    Returns:
        None where no BCH code explains any candidate.
    """
    hunt = _Hunt(data)
    steps = [*hinted_steps(len(candidates), hint), *usual_steps(len(candidates))]
    began = monotonic()
    for done, step in enumerate(steps):
        if monotonic() - began > SEARCH_SECONDS:
            break
        progress("code", done, len(steps))
        found = hunt.over(candidates[step.after : step.candidates], step)
        if found is not None:
            progress("code", len(steps), len(steps))
            return hunt.best_page(found, candidates)
    return None


class _Hunt:
    """The rows of every candidate, kept from step to step."""

    def __init__(self, data: NDArray[np.uint8]) -> None:
        self.data = data
        self.surveys: dict[int, Survey] = {}
        self.heads: dict[tuple[int, int], Heads] = {}
        self.tests: dict[tuple[int, int], tuple[DecodingTest, list[Places]]] = {}
        self.tried = 1

    def over(self, candidates: Sequence[PageCandidate], step: Step) -> FoundPage | None:
        """One step over the candidates."""
        for candidate in candidates:
            survey = self.surveys.setdefault(candidate.page_bytes, Survey(self.data, candidate.page_bytes))
            # Pages as they are, pages that share a keystream, pages next to each other under one and the same mask.
            # Neighbours come last: they often look alike by their metadata, whatever the keystream does.
            periods = [period for period in candidate.periods if period > 1]
            for lag in [0, *periods, 1][: step.lags + 1]:
                heads = self._heads(survey, lag)
                if len(heads.rows.values) < FEWEST_ROWS:
                    continue
                found = self._found(survey, lag, candidate, step)
                if found is not None:
                    return found
                self.tried += len(step.polynomials) * PLACES_A_FIELD
        return None

    def _found(self, survey: Survey, lag: int, candidate: PageCandidate, step: Step) -> FoundPage | None:
        """One step at one lag; a polynomial whose windows make no page is left out, and the others have their turn."""
        for _ in range(MOST_TURNS):
            windows = self._windows(survey, lag, self._heads(survey, lag), step)
            found = _best_complete(survey, windows, lag, candidate)
            if found is not None or not windows:
                return found
            useless = {window.polynomial for window in windows}
            step = replace(step, polynomials=tuple(p for p in step.polynomials if p not in useless))
        return None

    def _windows(self, survey: Survey, lag: int, heads: Heads, step: Step) -> list[Window]:
        key = (survey.page_bytes, lag)
        if key not in self.tests:
            self.tests[key] = (DecodingTest(heads), _suggested(survey, lag, heads))
        test, places = self.tests[key]
        if step.test == "roots":
            seen = search(heads, step.polynomials, self.tried, None if step.everywhere else tails_of(places))
            return self._decoded(test, places, seen, _rows(survey, lag)) if seen else []
        if step.everywhere:
            data = data_bytes_of(survey.page_bytes)
            places = [every_place(heads, message) for message in MESSAGES if message <= data]
        return test.search(places, step.polynomials, step.depth, self.tried, natural=step.natural)

    def _decoded(self, test: DecodingTest, places: list[Places], seen: list[Window], rows: Rows) -> list[Window]:
        """The windows that decoding finds with the polynomial which clean words have given, or the clean words' own.

        A root alone tells neither which of the code's roots it is nor where exactly the words end.
        """
        polynomials: list[int] = []
        for window in seen[:MOST_TIED]:
            words = identify(code_view(rows, window), window)
            if words is not None and words.bch.primitive_polynomial not in polynomials:
                polynomials.append(words.bch.primitive_polynomial)
        for polynomial in polynomials:
            for natural in (True, False):
                found = test.search(places, (polynomial,), KNOWN, self.tried, natural=natural)
                if found:
                    return found
        return seen[:MOST_TIED]

    def best_page(self, first: FoundPage, candidates: Sequence[PageCandidate]) -> FoundPage:
        """Of all page sizes that the code fits, the one under which the most codewords decode.

        Under half of the right size every other row is one, and under a size that shares a divisor with the right one
        every few rows; those layouts look complete, too. Under a multiple all rows do, and the smaller size wins.
        """
        best = first
        message = first.window.message
        natural = NATURAL[message] == first.window.m
        depth = _depth_for(first.words)
        step = Step("decoding", RIVALS, 3, (first.words.bch.primitive_polynomial,), depth, natural)
        for candidate in candidates[:RIVALS]:
            if candidate.page_bytes == first.layout.page_bytes:
                continue
            other = self.over([candidate], step)
            if other is None:
                continue
            larger = other.layout.page_bytes > best.layout.page_bytes
            if other.share > best.share * (CLEARLY if larger else 1 / CLEARLY):
                best = other
        return best

    def _heads(self, survey: Survey, lag: int) -> Heads:
        key = (survey.page_bytes, lag)
        if key not in self.heads:
            self.heads[key] = Heads.of(_rows(survey, lag))
        return self.heads[key]


def _depth_for(words: FoundCode) -> Depth:
    """Deep enough for the errors that were seen."""
    usual = next((d for d in (SHALLOW, MIDDLE, DEEP) if d.syndromes > 1.5 * words.errors + 2), DEEPEST)
    return Depth(min(usual.syndromes, words.bch.t), 12)


def _rows(survey: Survey, lag: int) -> Rows:
    return survey.differences(lag, ROWS) if lag else survey.as_read(ROWS)


def _suggested(survey: Survey, lag: int, heads: Heads) -> list[Places]:
    """Places in line, and those that the structure of the spare area suggests."""
    values = _rows(survey, lag).values
    values = values[telling(values)]
    differences = values if lag else values[1:] ^ values[:-1]
    suggested = in_line_places(heads)
    if len(differences) < FEWEST_ROWS:
        return suggested
    data = data_bytes_of(survey.page_bytes)
    runs = structure.parity_runs(structure.densities(differences), data)
    for message in MESSAGES:
        if message <= data:
            found = structure.places(structure.groups(runs, data // message), data)
            suggested.append(spare_places(heads, found, message))
    return [places for places in suggested if len(places.table)]


def _best_complete(survey: Survey, windows: list[Window], lag: int, candidate: PageCandidate) -> FoundPage | None:
    """The first window that makes a page, or one that is as good and makes a better page.

    Where metadata are alike in most rows, several places fit the first codeword; the others tell which is right.
    """
    best: FoundPage | None = None
    best_share = 0.0
    tried: set[PageLayout] = set()
    for window in windows[:MOST_WINDOWS]:
        if best is not None and window.hits < TIED * best.window.hits:
            break
        found = _complete(survey, window, lag, candidate)
        if found is None or found.layout in tried:
            continue
        tried.add(found.layout)
        share = decoding_share(code_view(_rows(survey, lag), found.window), found.words.bch, found.layout)
        if best is None or share > best_share:
            best, best_share = replace(found, share=share), share
        if len(tried) == MOST_TIED:
            break
    return best


def _complete(survey: Survey, window: Window, lag: int, candidate: PageCandidate) -> FoundPage | None:
    rows = code_view(_rows(survey, lag), window)
    words = identify(rows, window)
    if words is None:
        return None
    window, words = _undivided(rows, window, words)
    layout = complete_page(rows, words, survey.page_bytes)
    if layout is None:
        return None
    bch = words.bch
    values = _rows(survey, lag).values
    differences = in_code_order(values if lag else values[1:] ^ values[:-1], window.bit_order)
    layout = with_marker_found(rows[telling(rows)], differences, bch, layout)
    code = Code(bch.m, bch.primitive_polynomial, bch.t, bch.first_root, window.bit_order)
    return FoundPage(survey, layout, code, window, words, lag, candidate)


def _undivided(rows: NDArray[np.uint8], window: Window, words: FoundCode) -> tuple[Window, FoundCode]:
    """A single codeword, where two or four that follow each other in line were taken for one.

    A codeword behind another is a codeword of the same cyclic code, as long as both together are not too long for it.
    What looks like metadata is then parity and data of the first.
    """
    while words.metadata_bits > 8 * MOST_COVERED and window.message // 2 in MESSAGES and not window.tail.length:
        size = window.message + window.tail_bytes
        message = window.message // 2
        half = replace(window, message=message, tail=Tail(message), tail_bytes=size // 2 - message)
        shorter = identify(rows, half)
        if shorter is None or shorter.bch.t < words.bch.t:
            break
        window, words = half, shorter
    return window, words
