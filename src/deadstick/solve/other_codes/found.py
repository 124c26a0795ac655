"""What the search for other codes answers, and what its parts share."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.codeword.alike_pages import AlikePages
from deadstick.solve.codeword.places import telling
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.common.spread import scattered
from deadstick.solve.other_codes.in_turn import InTurn, Output
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.register.register import Hits, Register, find_hits

LONGEST_GAP = 32
"""Metadata outside the code's cover are few bytes; a longer gap is unused (common practice, no source)."""
TELLING_SHARE = 0.05
"""More rows than bit errors would make differ."""
WITHOUT_OUTPUT = "pages without a register's output over their codewords in turn"
SHOWING_BYTES = 8 << 20
"""Of pages in which a register shows, from which rows are taken."""


@dataclass(frozen=True)
class FoundOther:
    """Page size, layout and code that explain the dump, where the code is no binary BCH code.

    Attributes:
        survey: pages of this size.
        layout: of one page.
        code: with its bit order; inversion and mask are as far as the rows tell, see `lag`.
        lag: pages apart whose differences are codewords; 0 where the pages themselves are, 1 where all pages have
            one mask on their parity. Above 1 the keystream is still to be found.
        candidate: the witness for the page size.
        kind: which rows were looked at.
        words: codewords in them that have no error.
        examined: codewords looked at.
        figure: what was seen, one line.
        log10_chance: that an accident gave as much, over all that was tried.
    """

    survey: Survey
    layout: PageLayout
    code: Code
    lag: int
    candidate: PageCandidate
    kind: str
    words: int
    examined: int
    figure: str
    log10_chance: float

    @property
    def share(self) -> float:
        """Share of the codewords without an error."""
        return self.words / max(1, self.examined)


def rows_of(survey: Survey, lag: int, most: int) -> tuple[str, NDArray[np.uint8]]:
    """Rows that should be sums of codewords, and what they are: pages as read for lag 0, else differences."""
    rows = survey.differences(lag, most) if lag else survey.as_read(most)
    return rows.kind, rows.values


@dataclass(frozen=True)
class Sight:
    """Pages of one size, seen in one way.

    Attributes:
        survey: pages of this size.
        way: pages apart whose differences the rows are, 0 for the pages as read; or pages with equal words, whose
            differences they are; or the register whose output is off, by columns or in turn.
        kind: what the rows are.
        bare: `uint8[rows, page_bytes]`; in turn, off the first message only.
        complement: codewords are looked for in the complements of the rows.
        output: of the register, where it is taken off in turn.
    """

    survey: Survey
    way: int | Register | InTurn | AlikePages
    kind: str
    bare: NDArray[np.uint8]
    complement: bool = False
    output: Output | None = None

    @classmethod
    def of(
        cls, survey: Survey, way: int | Register | InTurn | AlikePages, most: int, hits: Hits | None = None
    ) -> "Sight":
        """At most so many rows.

        Args:
            survey: pages of one size.
            way: see above.
            most: rows.
            hits: places in the surveyed part where a register shows.
        """
        if isinstance(way, InTurn):
            places = find_hits(survey.data, way.register) if hits is None else hits
            output = Output.of(survey, way, places, most)
            return cls(survey, way, WITHOUT_OUTPUT, output.off_first_message, output=output)
        if isinstance(way, AlikePages):
            rows = way.differences(survey, most)
            return cls(survey, way, rows.kind, rows.values)
        if not isinstance(way, Register):
            return cls(survey, way, *rows_of(survey, way, most))
        # Many of the pages in which a register shows are free space throughout. They tell nothing; and those among them
        # that are left because they are not constant have an error each, so none of them is a codeword.
        rows = survey.without_keystream(way, hits, max(most, SHOWING_BYTES // survey.page_bytes))
        data = rows.values[telling(rows.values)]
        return cls(survey, way, rows.kind, data[scattered(len(data), most)])

    @property
    def lag(self) -> int:
        """Pages apart whose differences are codewords; 0 where pages are, as read or without a register's output."""
        if isinstance(self.way, AlikePages):
            return self.way.lag
        return self.way if isinstance(self.way, int) else 0

    @property
    def values(self) -> NDArray[np.uint8]:
        """`uint8[rows, page_bytes]`, in which codewords are looked for."""
        return ~self.bare if self.complement else self.bare

    @property
    def stored(self) -> NDArray[np.uint8]:
        """`uint8[rows, page_bytes]`: pages, and no differences, from which the numbers of a block are gone.

        A register that runs over the codewords in turn passes over what is in none.
        """
        if self.output is not None:
            return self.output.pages
        return self.bare if isinstance(self.way, Register) else self.survey.as_read(len(self.bare)).values

    @property
    def by_restarts(self) -> Iterator["Sight"]:
        """Every way in which the output may go on behind the first codeword; itself where none is open."""
        if self.output is None:
            yield self
        else:
            for restart in self.output.way.restarts:
                yield replace(self, output=replace(self.output, restart=restart))

    def under(self, codewords: Sequence[Codeword]) -> NDArray[np.uint8]:
        """`uint8[rows, page_bytes]`: the rows less the output over these codewords, where it runs over them in turn."""
        if self.output is None:
            return self.values
        bare = self.output.off(codewords)
        return ~bare if self.complement else bare


def loose_metadata(values: NDArray[np.uint8], codewords: tuple[Codeword, ...]) -> tuple[Span, ...]:
    """Bytes outside the codewords that differ from page to page.

    Args:
        values: `uint8[rows, page_bytes]`.
        codewords: their spans are taken.
    """
    free = np.ones(8 * values.shape[1], np.bool_)
    for codeword in codewords:
        for span in codeword.spans:
            free[span.start : span.end] = False
    columns = free.reshape(-1, 8).all(axis=1)
    usual = np.median(values, axis=0).astype(np.uint8)
    differs = (values != usual).mean(axis=0)
    edges = np.flatnonzero(np.diff(np.r_[False, columns, False].astype(np.int8)))
    gaps = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return tuple(
        Span.of_bytes(Part.METADATA, first, last - first)
        for first, last in gaps
        if last - first <= LONGEST_GAP and differs[first:last].max() > TELLING_SHARE
    )
