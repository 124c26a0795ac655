"""Is there a Reed-Solomon code? Test one root at every place of the parity, for every field.

A codeword is zero at the code's roots. By Horner's rule the value of a message at one field element, carried on through
the symbols behind any column, is zero as soon as message and parity are complete: so one root, every place and
every length of the parity cost a few thousand steps a row. An accident has the chance 2^-m a row.

2t roots in a row are alpha^b .. alpha^(b + 2t - 1). Whatever t is, alpha^1 is among them if b is 0 or 1, alpha^-1 if
they end at alpha^-1 or alpha^0, and alpha^(2^(m - 1)) if they lie symmetrically, as is done where the generator shall
read the same both ways. These three are tried for all polynomials; others in steps, which finds strong codes. With the
place known, the zeros of clean words at all powers of alpha show the whole run, and with it b and t.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.field import Field
from deadstick.codes.kernels.reed_solomon import unpack
from deadstick.recipe.code import BitOrder, Code, in_code_order
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.other_codes import kernels
from deadstick.solve.other_codes.roots import ORDERS, Root
from deadstick.solve.page_size.geometry import data_bytes_of

FIRST_ROWS, FIRST_HITS = 32, 2
"""Rows that are looked at first, and those of them that make a place worth the others. Where one word in six is clean,
one set of rows in seventeen has no third hit so early, and one in seventy no second one."""
MANY_ROWS, FEWEST_MANY = 512, 384
"""Rows where words are clean more rarely, at the most and at least."""
MANY_FIRST_ROWS, MANY_FIRST_HITS = 192, 3
"""Of them, those that are looked at first: where one word in thirty is clean, one set of rows in twenty has no third
hit so early."""
FEWEST_HITS = 3
MOST_PLACES = 160
MOST_BETWEEN = 24
MOST_SYMBOLS = 64
TAIL_BYTES = 2 * MOST_SYMBOLS
"""Enough for as many symbols of any length."""
CONVINCING = -5.0
WEAKEST = 2
"""Symbols that a code must correct to be believed."""
CLEAN = 0.8
"""Share of words that have the one root and must have the others, too."""

Values = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Window:
    """Where rows have a root.

    Attributes:
        root: which.
        column: where the parity begins, or covered metadata before it.
        symbols: from there to the end of the codeword.
        hits: rows that have the root.
        rows: rows looked at.
        log10_chance: that an accident gave as many, over all that was tried.
    """

    root: Root
    column: int
    symbols: int
    hits: int
    rows: int
    log10_chance: float


class Hunt:
    """One set of rows, in all forms that the roots ask for."""

    def __init__(self, values: NDArray[np.uint8], behind: NDArray[np.uint8] | None = None) -> None:
        """Keep the rows in both bit orders, with zeros behind them.

        Args:
            values: `uint8[rows, page_bytes]`.
            behind: `uint8[rows, bytes]`: what was added to the tail of the first codeword, wherever that stands; None
                for nothing.
        """
        self.page_bytes = values.shape[1]
        self.data = data_bytes_of(self.page_bytes)
        is_many = len(values) >= FEWEST_MANY
        self.first_rows, self.first_hits = (MANY_FIRST_ROWS, MANY_FIRST_HITS) if is_many else (FIRST_ROWS, FIRST_HITS)
        padded = np.pad(values, ((0, 0), (0, TAIL_BYTES)))
        self.ordered = {order: in_code_order(padded, order) for order in ORDERS}
        added = np.zeros((len(values), TAIL_BYTES), np.uint8)
        if behind is not None:
            added[:, : behind.shape[1]] = behind[:, :TAIL_BYTES]
        self.added = {order: in_code_order(added, order) for order in ORDERS}
        self._tails: dict[tuple[int, int, BitOrder], tuple[list[int], Values]] = {}
        self._messages: dict[tuple[int, int, BitOrder, bool], Values] = {}

    def message(self, root: Root) -> Values:
        """`int64[rows, symbols]`: the data of the first codeword."""
        lead = root.padding == "front"
        key = (root.m, root.message, root.order, lead)
        if key not in self._messages:
            bits = 8 * root.message
            symbols = np.empty((len(self.ordered["msb"]), -(-bits // root.m)), np.int64)
            unpack(self.ordered[root.order], 0, bits, -bits % root.m if lead else 0, root.m, symbols)
            self._messages[key] = symbols
        return self._messages[key]

    def tails(self, root: Root) -> tuple[list[int], Values]:
        """Columns where the parity may begin, and `int64[rows, symbols, places]` from there on."""
        key = (root.m, root.message, root.order)
        if key not in self._tails:
            spare = self.page_bytes - self.data
            behind = range(root.message, min(root.message + MOST_BETWEEN, self.page_bytes))
            columns = sorted({*behind, *range(self.data, self.data + min(spare, MOST_PLACES))})
            longest = max(2 * WEAKEST, min(MOST_SYMBOLS, 8 * spare // (root.m * max(1, self.data // root.message)) + 1))
            rows, added = self.ordered[root.order], self.added[root.order]
            tails = np.empty((len(columns), len(rows), longest), np.int64)
            for place, column in enumerate(columns):
                stored = rows[:, column : column + TAIL_BYTES]
                unpack(stored ^ added, 0, longest * root.m, 0, root.m, tails[place])
            self._tails[key] = columns, np.ascontiguousarray(tails.transpose(1, 2, 0))
        return self._tails[key]

    def look(self, root: Root, tried: int) -> Window | None:
        """Test one root at all places: in a few rows first, then in all of them where those are promising."""
        if self.data % root.message or root.message >= self.page_bytes:
            return None
        columns, tails = self.tails(root)
        every = np.arange(len(columns))
        counts = self._counts(root, slice(0, self.first_rows), every)
        likely = np.flatnonzero(counts.max(axis=1) >= self.first_hits)
        if not len(likely):
            return None
        most = int((counts + self._counts(root, slice(self.first_rows, None), likely)).max())
        chance = log10_tail(len(tails), most, 0.5**root.m) + float(np.log10(tried))
        if most < FEWEST_HITS or chance > CONVINCING:
            return None
        counts += self._counts(root, slice(self.first_rows, None), every)
        # Zeros behind the parity change nothing, nor do zeros before it where a gap lies between it and the message, as
        # those of metadata outside the code. So longer tails fit as well: the shortest of all is the codeword's.
        fitting = np.argwhere(counts >= most - max(1, most // 10))
        place, symbols = fitting[fitting[:, 1].argmin()].tolist()
        return Window(root, columns[place], symbols, most, len(tails), chance)

    def _counts(self, root: Root, rows: slice, places: NDArray[np.int64]) -> Values:
        """`int64[places, symbols + 1]`: how many of some rows have the root, at some of the places; 0 at the others."""
        columns, tails = self.tails(root)
        values, times_root = self._values(root, rows)
        counts = np.zeros((len(columns), tails.shape[1] + 1), np.int64)
        kernels.tail_hits(values, tails[rows], places, times_root, root.padding == "gap", counts)
        return counts

    def _values(self, root: Root, rows: slice = slice(None)) -> tuple[Values, Values]:
        """Of messages at the root, with the gap behind them if there is one; and the table to go on with."""
        times_root = _times(root.m, root.polynomial, root.exponent)
        message = self.message(root)[rows]
        values = np.empty(len(message), np.int64)
        kernels.root_values(message, times_root, values)
        if root.padding == "gap":
            # x^(2^m - 1) is 1 everywhere, so a message at the highest powers is one divided by its length.
            values = _times(root.m, root.polynomial, -root.exponent * message.shape[1])[values]
        return values, times_root

    def clean_rows(self, window: Window) -> NDArray[np.int64]:
        """Rows that have the root."""
        columns, tails = self.tails(window.root)
        place = np.array([columns.index(window.column)])
        numbers = []
        for row in range(len(tails)):
            counts = self._counts(window.root, slice(row, row + 1), place)
            if counts[place[0], window.symbols]:
                numbers.append(row)
        return np.array(numbers, np.int64)

    def identify(self, window: Window) -> tuple[Code, int] | None:
        """The code, from the run of roots that clean words have; and the symbols of metadata in front of its parity."""
        root = window.root
        columns, tails = self.tails(root)
        rows = self.clean_rows(window)[:24]
        message, tail = self.message(root)[rows], tails[rows, : window.symbols, columns.index(window.column)]
        order = (1 << root.m) - 1
        first = order - 1 if root.padding == "gap" else message.shape[1] + window.symbols - 1
        powers = np.r_[first - np.arange(message.shape[1]), np.arange(window.symbols - 1, -1, -1)]
        zeros = np.zeros(order, np.int64)
        field = Field(root.m, root.polynomial)
        words = np.ascontiguousarray(np.hstack([message, tail]))
        kernels.spectrum(words, powers, field.exp.astype(np.int64), field.log.astype(np.int64), zeros)
        begin, length = _longest_run(zeros >= max(FEWEST_HITS, CLEAN * len(rows)))
        metadata = window.symbols - length
        if length % 2 or length < 2 * WEAKEST or metadata < 0 or (metadata and root.m != 8):
            return None
        if metadata and root.padding == "gap":
            return None
        code = Code(
            root.m,
            root.polynomial,
            length // 2,
            begin,
            root.order,
            family="reed_solomon",
            padding=root.padding,
        )
        return code, metadata


@lru_cache(maxsize=4096)
def _times(m: int, polynomial: int, exponent: int) -> Values:
    """`int64[2^m]`: each element of the field times a power of alpha."""
    field = Field(m, polynomial)
    table: Values = field.multiply(np.arange(1 << m), field.exp[exponent % field.order]).astype(np.int64)
    return table


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """Begin and length of the longest run of true values on a ring."""
    if flags.all():
        return 0, len(flags)
    start = int(np.flatnonzero(~flags)[0])
    turned = np.roll(flags, -start)
    edges = np.flatnonzero(np.diff(np.r_[False, turned, False].astype(np.int8)))
    runs = [(int(last - first), int(first)) for first, last in zip(edges[::2], edges[1::2], strict=True)]
    length, first = max(runs, default=(0, 0))
    return (first + start) % len(flags), length
