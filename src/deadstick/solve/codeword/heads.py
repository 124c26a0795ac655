"""The columns of a page in which the first codeword can lie, of rows that should be sums of codewords.

Three kinds of rows are tried: pages as read, which are codewords where the scrambler stands before the code or is
absent; differences of two pages under the same keystream, which are codewords of a linear code whatever was
added to both: keystream, inversion, a mask on the parity; and, where a shift register shows, pages without its output,
which have half the errors of differences.

Of a long row the middle is cut out: the first codeword has its message at the beginning, and its tail (metadata and
parity) right behind the message or in the spare area.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.page_size.geometry import MESSAGES, data_bytes_of

SHORTEST_TAIL = 4
LONGEST_TAIL = 400
MOST_UNUSED = 16
"""Unused bytes at the beginning of the spare area."""
MOST_METADATA = 16
"""Metadata bytes of a codeword where they are gathered before the parity."""
MOST_ALONE = 24
"""Metadata bytes that the first codeword alone may have."""


@dataclass(frozen=True)
class Rows:
    """Rows that should be sums of codewords.

    Attributes:
        kind: `pages` as read or without a keystream, or `differences` of two pages under one keystream.
        values: `uint8[rows, page_bytes]`.
        are_differences: whether what all pages have in common is gone from them, a complement, too.
    """

    kind: str
    values: NDArray[np.uint8]
    are_differences: bool = False


class Tail(NamedTuple):
    """Where what follows a message lies.

    Attributes:
        first: its first column.
        between: first column of metadata that stand between message and tail in the codeword.
        length: how many; 0 for none.
    """

    first: int
    between: int = 0
    length: int = 0


@dataclass(frozen=True)
class Heads:
    """The columns of rows in which the first codeword can lie: the first data bytes and the spare area.

    Attributes:
        rows: only those columns.
        data: where the spare area begins in them.
        cut: columns left out before the spare area.
    """

    rows: Rows
    data: int
    cut: int

    @classmethod
    def of(cls, rows: Rows) -> "Heads":
        """Cut the middle out of rows."""
        data = data_bytes_of(rows.values.shape[1])
        kept = min(data, max(MESSAGES) + LONGEST_TAIL)
        values = np.concatenate([rows.values[:, :kept], rows.values[:, data:]], axis=1)
        return cls(replace(rows, values=values), kept, data - kept)

    def tails_to_try(self, message: int) -> tuple[list[Tail], int]:
        """Where the tail of the first codeword may begin, and how long it may be.

        In line, right behind the message; in the spare area, after some unused bytes; or there after the metadata of
        all codewords, its own among them.
        """
        codewords = max(1, (self.data + self.cut) // message)
        spare = self.rows.values.shape[1] - self.data
        unused = range(min(spare, MOST_UNUSED + 1))
        tails = [Tail(message)]
        tails += [Tail(self.data + length) for length in unused if self.data + length != message]
        most = min(MOST_METADATA, (spare - 1) // codewords)
        if codewords > 1:
            gathered = [(self.data + codewords * length, length) for length in range(1, most + 1)]
            tails += [Tail(first, self.data, length) for first, length in gathered]
            tails += [Tail(first) for first, length in gathered if codewords * length > MOST_UNUSED]
        return tails, self.longest_tail(message)

    def longest_tail(self, message: int) -> int:
        """How long the tail of one codeword may be: its share of the spare area, and metadata of its own."""
        codewords = max(1, (self.data + self.cut) // message)
        spare = int(self.rows.values.shape[1]) - self.data
        return min(LONGEST_TAIL, spare // codewords + 2 + min(MOST_ALONE, spare // 2))

    def whole(self, tail: Tail) -> Tail:
        """A place in these columns as a place in the page."""
        first = tail.first + self.cut if tail.first >= self.data else tail.first
        return Tail(first, tail.between + self.cut if tail.length else 0, tail.length)
