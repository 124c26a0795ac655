"""A bounded look at a dump: its beginning, from which the recipe is found, however large the dump is."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.flash.erased import erased_pages
from deadstick.solve.codeword.heads import Rows
from deadstick.solve.codeword.places import telling
from deadstick.solve.common.spread import scattered
from deadstick.solve.page_size.geometry import MESSAGES
from deadstick.solve.register.register import Hits, Register, find_hits
from deadstick.solve.register.register_states import rewound

SURVEY_BYTES = 64 << 20
"""What the search for page, code and scrambler reads; block numbers are read from the whole dump."""
BARE = "pages without the register's output"
MOST_ROWS = 4096
FIRST_COLUMNS = min(MESSAGES)
"""Columns of the first codeword, however long it is: no start of the register lies between them and the page's own."""


def surveyed(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The part of a dump that the search works on.

    Args:
        data: `uint8[bytes]`, the dump.

    Returns:
        A view of at most `SURVEY_BYTES` that starts at the beginning.
    """
    return data[:SURVEY_BYTES]


@dataclass(frozen=True)
class Survey:
    """Pages of one size in the surveyed part.

    Attributes:
        data: `uint8[bytes]`.
        page_bytes: data and spare area together.
    """

    data: NDArray[np.uint8]
    page_bytes: int

    @cached_property
    def pages(self) -> NDArray[np.uint8]:
        """`uint8[pages, page_bytes]`, a view."""
        count = len(self.data) // self.page_bytes
        return self.data[: count * self.page_bytes].reshape(count, self.page_bytes)

    @cached_property
    def written(self) -> NDArray[np.bool_]:
        """`bool[pages]`: pages that are not erased."""
        return ~erased_pages(self.pages)

    def some_written(self, most: int) -> NDArray[np.int64]:
        """Numbers of written pages, ascending, at most so many."""
        numbers = np.flatnonzero(self.written)
        return numbers[scattered(len(numbers), most)]

    def as_read(self, most: int) -> Rows:
        """Pages as they are."""
        return Rows("pages as read", _telling(self.pages[self.some_written(most)]))

    def differences(self, lag: int, most: int) -> Rows:
        """Differences of pages that lie `lag` pages apart."""
        both = self.written[lag:] & self.written[:-lag] if 0 < lag < len(self.pages) else self.written[:0]
        first = np.flatnonzero(both)
        first = first[scattered(len(first), most)]
        return Rows(f"differences of pages {lag} apart", _telling(self.pages[first] ^ self.pages[first + lag]), True)

    def without_keystream(self, register: Register, hits: Hits | None, most: int) -> Rows:
        """Pages in which the register shows, with its output over all columns taken off.

        Args:
            register: a shift register.
            hits: where it shows in `data`; None to look.
            most: pages at the most.
        """
        hits = find_hits(self.data, register) if hits is None else hits
        first, _ = self._first_hits(hits)
        some = hits.take(first[scattered(len(first), most)])
        return Rows(BARE, _telling(self._bare(register, some, self.page_bytes)))

    def first_words_bare(self, register: Register, hits: Hits, most: int) -> tuple[Rows, Rows]:
        """The same for pages whose first columns tell something, in two kinds.

        Where the register starts anew at every codeword, a place in a later one does not tell its state at the
        beginning of the page; one in the first codeword does, whatever the restarts are.

        Args:
            register: a shift register.
            hits: where it shows in `data`.
            most: pages at the most, of either kind.

        Returns:
            Pages in which the register shows in the first codeword, and those in which it shows only behind it.
        """
        first, column = self._first_hits(hits)
        kinds = (first[column < FIRST_COLUMNS], first[column >= FIRST_COLUMNS])
        near, far = (self._telling_bare(register, hits, one, most) for one in kinds)
        return near, far

    def early_hits(self, register: Register, hits: Hits, columns: int, most: int) -> Hits:
        """Hits in the first columns of pages that tell something there: one a page, and each content once.

        Args:
            register: a shift register.
            hits: where it shows in `data`.
            columns: in which it must show, and in which the page must tell something without its output.
            most: hits at the most.
        """
        first, column = self._first_hits(hits)
        early = first[column < columns]
        early = early[scattered(len(early), MOST_ROWS)]
        bare = self._bare(register, hits.take(early), columns)
        told = telling(bare, columns)
        _, own = np.unique(bare[told], axis=0, return_index=True)
        chosen = early[told[np.sort(own)]]
        return hits.take(chosen[scattered(len(chosen), most)])

    def with_output(self, register: Register, hits: Hits, columns: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """The pages of some hits, and the register's output since their beginnings: `uint8[hits, columns]` each."""
        page, column = np.divmod(hits.positions, self.page_bytes)
        seeds = rewound(hits.states, column, register)
        return self.pages[page, :columns], Lfsr(register.polynomial).keystream(seeds, columns, register.bit_order)

    def _telling_bare(self, register: Register, hits: Hits, first: NDArray[np.int64], most: int) -> Rows:
        """Pages of some hits, as far as they tell something; most show the register since they are free."""
        looked_at = first[scattered(len(first), MOST_ROWS)]
        told = looked_at[telling(self._bare(register, hits.take(looked_at), FIRST_COLUMNS))]
        some = hits.take(told[scattered(len(told), most)])
        return Rows(BARE, _telling(self._bare(register, some, self.page_bytes)))

    def _first_hits(self, hits: Hits) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The number and the column of the first hit of every page that has one, twice `int64[pages]`."""
        inside = np.flatnonzero(hits.positions < self.pages.size)
        page, column = np.divmod(hits.positions[inside], self.page_bytes)
        _, first = np.unique(page, return_index=True)
        return inside[first], column[first]

    def _bare(self, register: Register, hits: Hits, columns: int) -> NDArray[np.uint8]:
        """`uint8[hits, columns]`: the beginnings of their pages without the register's output."""
        pages, output = self.with_output(register, hits, columns)
        return pages ^ output


def _telling(rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Rows that are not constant at their start, each content once: equal pages are no independent witnesses."""
    if not len(rows):
        return rows
    head = rows[:, :512]
    rows = rows[(head != head[:, :1]).any(axis=1)]
    _, first = np.unique(rows[:, :512], axis=0, return_index=True)
    return np.ascontiguousarray(rows[np.sort(first)])
