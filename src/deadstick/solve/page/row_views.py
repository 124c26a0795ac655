"""Rows in which a code is looked for: every page size in every way, looked at once, and how many bits are wrong."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.codeword.decoding import BROAD, SHALLOW, Depth
from deadstick.solve.codeword.row_noise import highest_rate
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.page.plan import Step
from deadstick.solve.page.row_view import FEWEST_ROWS, RowView
from deadstick.solve.page_size.geometry import PageCandidate, data_bytes_of
from deadstick.solve.register.register import Hits, Register, find_hits

MOST_LAGS_OF_RATE = 2
SUREST = 2
"""Of the periods of a page size; the one that whole pages show comes first, or behind the one that words show."""
MOST_REGISTERS = 1
"""Registers whose output is taken off the pages; the first has been seen most often."""


class RowViews:
    """Rows of every candidate, kept from step to step.

    Attributes:
        multiples: page sizes of a chain, see `multiples_of`.
    """

    def __init__(
        self, data: NDArray[np.uint8], candidates: Sequence[PageCandidate], registers: Sequence[Register] = ()
    ) -> None:
        """Take what is searched.

        Args:
            data: `uint8[bytes]`, the surveyed part.
            candidates: page sizes, likeliest first.
            registers: seen in the dump as read.
        """
        self.data, self.candidates = data, candidates
        self.registers = registers[:MOST_REGISTERS]
        self.multiples = multiples_of(candidates)
        self._surveys: dict[int, Survey] = {}
        self._known: dict[tuple[int, int | Register], RowView] = {}
        self._hits_of: dict[Register, Hits] = {}
        self._rates: dict[int, float | None] = {}

    def of(self, candidate: PageCandidate, step: Step) -> Iterator[tuple[RowView, Depth | dict[int, Depth]]]:
        """The rows in which a step looks, and how deep."""
        # Pages as they are; pages without what the register adds, which it may do to a part of them only, with half the
        # errors of differences; pages that share a keystream; pages next to each other under one and the same mask.
        # Neighbours come last: they often look alike by their metadata, whatever the keystream does.
        periods = [period for period in candidate.periods if period > 1]
        registers = self.registers if candidate.shows_restarts else ()
        ways: list[int | Register] = [0, *registers, *periods, 1]
        # Save where many pages are like the next one, as under a keystream for each block: a few copies at some other
        # lag do not take the turn of those.
        next_to = 1 in candidate.periods[:SUREST]
        lags = 0
        for number, way in enumerate(ways):
            is_lag = number > len(registers)
            if is_lag and lags == step.lags and not (way == 1 and next_to):
                continue
            view = self.view(candidate.page_bytes, way)
            # Pages of free space that come again show a period, and their differences hold nothing but bit errors: such
            # a lag does not take the turn of one that tells.
            lags += is_lag and view.tells and lags < step.lags
            if len(view.heads.rows.values) < FEWEST_ROWS:
                continue
            depth = self._depth(view, candidate, step)
            if depth is not None:
                yield view, depth

    def view(self, page: int, way: int | Register) -> RowView:
        """Rows of a page size: a lag, or a register."""
        if (page, way) not in self._known:
            survey = self._surveys.setdefault(page, Survey(self.data, page))
            self._known[page, way] = RowView(survey, way, self._hits(way) if isinstance(way, Register) else None)
        return self._known[page, way]

    def _hits(self, register: Register) -> Hits:
        if register not in self._hits_of:
            self._hits_of[register] = find_hits(self.data, register)
        return self._hits_of[register]

    def _depth(self, view: RowView, candidate: PageCandidate, step: Step) -> Depth | dict[int, Depth] | None:
        """How deep a step looks into rows; None where it does not."""
        rate = self.chip_rate(candidate)
        if step.test == "roots":
            return SHALLOW if rate is None or view.has_clean_words(rate) else None
        if step.blind and rate is not None:
            return None
        if step.depth is not None:
            return step.depth
        alone = {data_bytes_of(other.page_bytes) for other in (candidate, *self.multiples)}
        if step.blind:
            deep = view.depths(highest_rate(max(step.messages)), alone)
            # There may be fewer errors, and a weaker code.
            return {message: depth._replace(weakest=BROAD.weakest) for message, depth in deep.items()}
        return view.depths(rate, alone) if rate is not None else None

    def chip_rate(self, candidate: PageCandidate) -> float | None:
        """Share of wrong bits, by the first of a few page sizes that tells; None where none does.

        Bit errors are the chip's, whichever page size shows them; the longest rows have the most free space.
        """
        asked = (candidate, self.candidates[0], *self.multiples[-1:])
        return next((rate for rate in map(self.page_rate, asked) if rate is not None), None)

    def page_rate(self, candidate: PageCandidate) -> float | None:
        """Share of wrong bits, by the first rows that tell."""
        page = candidate.page_bytes
        if page not in self._rates:
            registers = self.registers if candidate.shows_restarts else ()
            ways: list[int | Register] = [*registers, *[p for p in candidate.periods if p > 1][:MOST_LAGS_OF_RATE]]
            rates = (self.view(page, way).page_rate for way in ways)
            found = next((rate for rate in rates if rate is not None), None)
            self._rates[page] = found if found is not None else self._plain_rate(page)
        return self._rates[page]

    def _plain_rate(self, page: int) -> float | None:
        """Share of wrong bits where pages may be plain: tables with a few entries look like zeros with many errors.

        So the lowest counts; of neighbours with the same entries nothing but errors is left in the difference.
        """
        rates = [rate for way in (0, 1) if (rate := self.view(page, way).page_rate) is not None]
        return min(rates, default=None)


def multiples_of(candidates: Sequence[PageCandidate]) -> tuple[PageCandidate, ...]:
    """Page sizes at whose borders the register starts anew, parts of the largest of them; at least two, or none.

    They are the first one times powers of two: seven times as many bytes have another share of spare ones, too few for
    the parity of a codeword.
    """
    shown = [candidate for candidate in candidates if candidate.shows_restarts]
    alike = [c for c in shown if _is_doubled(c.page_bytes, shown[0].page_bytes)]
    found = tuple(sorted(alike, key=lambda c: c.page_bytes))
    return found if len(found) > 1 else ()


def _is_doubled(one: int, other: int) -> bool:
    """Whether the larger of two sizes is the smaller one times a power of two."""
    times, rest = divmod(max(one, other), min(one, other))
    return not rest and times.bit_count() == 1
