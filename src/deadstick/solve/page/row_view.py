"""Rows of one page size in which codewords are looked for, each seen in one way, with what follows from them."""

from collections.abc import Collection
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.codeword import structure
from deadstick.solve.codeword.decoding import DecodingTest, Depth
from deadstick.solve.codeword.heads import Heads, Rows
from deadstick.solve.codeword.places import (
    Places,
    ending_places,
    in_line_places,
    longest_run_places,
    spare_places,
    telling,
)
from deadstick.solve.codeword.row_noise import MOSTLY_USABLE, USABLE, bit_error_rate, clean_share, fitting_depth
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.page_size.geometry import MESSAGES, data_bytes_of
from deadstick.solve.register.register import Hits, Register, find_hits

FEWEST_ROWS = 8
FEWEST_NEAR = 16
"""Pages in which the register shows inside the first codeword, from which on no others are asked where that lies."""
FEWEST_CLEAN = 3
ROWS = 256
MARKER_BITS = 5
"""Wrong bits that a byte which is not the codeword's brings with it, seldom more."""


class RowView:
    """Rows of one page size, seen in one way.

    Attributes:
        survey: pages of the size.
        way: pages apart whose differences the rows are, 0 for the pages as read; or the register whose output is off.
        rows: see `heads.Rows`.
        page_rate: share of the bits of a page that are wrong, where the rows tell.
        heads: see `heads.Heads`; under a register those of the rows whose first codeword is bare for certain, where
            they are enough.
    """

    def __init__(self, survey: Survey, way: int | Register, hits: Hits | None = None) -> None:
        """Look at the pages.

        Args:
            survey: pages of the size.
            way: pages apart whose differences are taken, 0 for the pages as they are, or a register whose output is
                taken off.
            hits: places in the surveyed part where that register shows.
        """
        self.survey, self.way = survey, way
        first_words = None
        if isinstance(way, Register):
            hits = find_hits(survey.data, way) if hits is None else hits
            self.rows = survey.without_keystream(way, hits, 2 * ROWS)
        else:
            self.rows = survey.differences(way, ROWS) if way else survey.as_read(ROWS)
        rate = bit_error_rate(self.rows.values) if len(self.rows.values) else None
        self.page_rate = rate if rate is None or not self.rows.are_differences else rate / 2
        if isinstance(way, Register) and hits is not None:
            # Where the register shows, much of the page is constant, and words of zeros belong to any code.
            near, far = survey.first_words_bare(way, hits, ROWS)
            first_words = near if len(near.values) >= FEWEST_NEAR else None
            # Of the near ones often nothing but the first codeword has content; the others tell of those behind it.
            values = np.concatenate([near.values, far.values[: max(ROWS // 2, ROWS - len(near.values))]])
            self.rows = replace(self.rows, values=values)
        self.heads = Heads.of(first_words or self.rows)

    def depths(self, page_rate: float, alone: Collection[int] = ()) -> dict[int, Depth]:
        """How deep to look for each length of message, if so many bits of a page are wrong.

        Args:
            page_rate: share of wrong bits.
            alone: lengths of message that may fill a page alone; the column of a bad-block marker lies inside such a
                codeword.
        """
        rate = self._rate(page_rate)
        usable = USABLE if self.rows.are_differences else MOSTLY_USABLE
        return {m: fitting_depth(rate, m, MARKER_BITS if m in alone else 0, usable) for m in MESSAGES}

    def has_clean_words(self, page_rate: float) -> bool:
        """Whether some of the shortest words may be free of errors, if so many bits of a page are wrong."""
        return clean_share(self._rate(page_rate), min(MESSAGES)) * len(self.heads.rows.values) >= FEWEST_CLEAN

    def _rate(self, page_rate: float) -> float:
        return 2 * page_rate if self.rows.are_differences else page_rate

    @cached_property
    def test(self) -> DecodingTest:
        """The decoding test on the rows."""
        return DecodingTest(self.heads)

    @property
    def tells(self) -> bool:
        """Whether enough rows have content: nearly constant ones decode to zero under any code."""
        return self.test.rows >= FEWEST_ROWS

    @cached_property
    def differences(self) -> NDArray[np.uint8]:
        """`uint8[rows, page_bytes]`: the rows, or the differences of neighbours, if they are no differences yet."""
        values = self.rows.values
        return values if self.rows.are_differences else values[1:] ^ values[:-1]

    @property
    def places(self) -> list[Places]:
        """Places in line, and those that the structure of the spare area suggests."""
        return [*self.in_line, *self.in_spare]

    @cached_property
    def in_line(self) -> list[Places]:
        """Places right behind the message; they depend on where the rows begin, and not on where they end."""
        return [places for places in in_line_places(self.heads) if len(places.table)]

    @cached_property
    def _runs(self) -> list[tuple[int, int]]:
        """(first column, columns) of what may be parity in the spare area; empty where too few rows tell."""
        own = _densities(self.rows)
        return structure.parity_runs(own, data_bytes_of(self.survey.page_bytes)) if own is not None else []

    @cached_property
    def _runs_either_way(self) -> list[tuple[int, int]]:
        """The same of columns that look like parity as read, too; empty where no register is off the rows.

        Metadata and unused bytes that the register does not run over are alike from page to page as read, and look like
        parity once its output is off. Parity does so either way.
        """
        if not isinstance(self.way, Register):
            return []
        own, read = _densities(self.rows), _densities(self.survey.as_read(ROWS))
        if own is None or read is None:
            return []
        return structure.parity_runs(np.minimum(own, read), data_bytes_of(self.survey.page_bytes))

    @property
    def at_ends(self) -> list[Places]:
        """Codewords alone whose parity ends where a run of the spare area does."""
        data = data_bytes_of(self.survey.page_bytes)
        alone = [places for places in self.in_line if places.message == data]
        found = [ends for places in alone if (ends := ending_places(places, self._runs))]
        ways = (self._runs, self._runs_either_way)
        found += [longest_run_places(places, runs) for places in alone for runs in ways]
        return [places for places in found if len(places.table)]

    @cached_property
    def in_spare(self) -> list[Places]:
        """Places that the structure of the spare area suggests."""
        suggested: list[Places] = []
        if not self._runs:
            return suggested
        data = data_bytes_of(self.survey.page_bytes)
        for message in MESSAGES:
            if message <= data:
                groups = structure.fitting(structure.groups(self._runs, data // message), self.survey.page_bytes)
                suggested.append(spare_places(self.heads, structure.places(groups, data), message))
        return [places for places in suggested if len(places.table)]


def _densities(rows: Rows) -> NDArray[np.float64] | None:
    """`float64[columns]`: share of ones in differences of rows; None where too few rows tell."""
    values = rows.values[telling(rows.values)]
    differences = values if rows.are_differences else values[1:] ^ values[:-1]
    return structure.densities(differences) if len(differences) >= FEWEST_ROWS else None
