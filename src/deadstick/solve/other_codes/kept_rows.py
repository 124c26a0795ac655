"""Rows in which other codes are looked for: every page size in every way, the last few of them kept."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.codeword.alike_pages import AlikePages
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.other_codes.found import Sight
from deadstick.solve.other_codes.in_turn import InTurn
from deadstick.solve.other_codes.reed_solomon import Hunt
from deadstick.solve.register.register import Hits, Register, find_hits

ROWS = 128
FEWEST_ROWS = 16
MOST_HUNTS = 4
"""Sets of rows that are kept: one takes up to 150 MB, and making it anew a small part of the time of its roots."""

FEWEST_ALIKE = ROWS // 2
"""Pairs of pages with equal words from which on they take the turn of a lag: as many words of the code as among the
rows at a lag at which every other pair of pages shares a keystream."""

Way = int | Register | InTurn | AlikePages
"""How rows are seen, see `Sight`."""


class KeptRows:
    """The rows of every candidate, the last few kept from step to step.

    Attributes:
        data: `uint8[bytes]`, the surveyed part.
        registers: whose output is taken off.
        tried: hypotheses so far.
    """

    def __init__(self, data: NDArray[np.uint8], registers: Sequence[Register]) -> None:
        """Take what is searched: `uint8[bytes]`, and registers seen in it."""
        self.data, self.registers = data, registers
        self.tried = 1
        self._surveys: dict[int, Survey] = {}
        self._hits: dict[Register, Hits] = {}
        self._alike: dict[int, AlikePages] = {}
        self._hunts: dict[tuple[int, Way, bool, int], tuple[Sight, Hunt | None]] = {}

    def survey(self, page_bytes: int) -> Survey:
        """Pages of a size."""
        return self._surveys.setdefault(page_bytes, Survey(self.data, page_bytes))

    def lags(self, page_bytes: int, periods: Sequence[int], most: int) -> list[Way]:
        """Pages whose differences may be codewords since they share a keystream, the surest first, in so many ways.

        Pages with equal words come before all lags. Where such pages are next to each other, these share one anyhow.

        Args:
            page_bytes: size of the pages.
            periods: lags after which keystreams come again.
            most: ways.
        """
        if page_bytes not in self._alike:
            self._alike[page_bytes] = AlikePages.of(self.survey(page_bytes))
        alike = self._alike[page_bytes]
        sure: list[Way] = [alike] if alike.lag > 1 and len(alike.first) >= FEWEST_ALIKE else []
        return [*sure, *periods][:most]

    def hunt(self, page_bytes: int, way: Way, *, complement: bool, most: int = ROWS) -> tuple[Sight, Hunt | None]:
        """At most so many rows of a page size, and the search for a code in them; None where they are too few."""
        key = (page_bytes, way, complement, most)
        if key not in self._hunts:
            if len(self._hunts) >= MOST_HUNTS:
                del self._hunts[next(iter(self._hunts))]
            register = way.register if isinstance(way, InTurn) else way
            hits = self._places(register) if isinstance(register, Register) else None
            sight = replace(Sight.of(self.survey(page_bytes), way, most, hits), complement=complement)
            behind = sight.output.behind_first_message if sight.output else None
            self._hunts[key] = sight, Hunt(sight.values, behind) if len(sight.bare) >= FEWEST_ROWS else None
        return self._hunts[key]

    def _places(self, register: Register) -> Hits:
        """Where a register shows."""
        if register not in self._hits:
            self._hits[register] = find_hits(self.data, register)
        return self._hits[register]
