"""Where does the first codeword of a page lie, and which root does it have?

A codeword of a cyclic code is zero at the roots of the code. With prefix sums of `bit * alpha^-position` over a row,
whether any message and any tail behind it form a word with the root alpha costs one comparison; so for one alpha all
places of the tail (metadata and parity, in line or in the spare area) are tried at once, and a few milliseconds are
enough for some hundred rows. An accident has the probability 2^-m a row. It needs rows without a bit error, but of
single words; the greatest common divisor (van Zandwijk, Digital Investigation 12, 2015) needs them in pairs and
once per place.

Three kinds of rows are tried: pages as read, which are codewords where the scrambler stands before the code or is
absent; differences of two pages under the same keystream, which are codewords of a linear code whatever was
added to both: keystream, inversion, a mask on the parity; and, where a shift register shows, pages without its output,
which have half the errors of differences.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.recipe.code import BitOrder, in_code_order
from deadstick.solve.geometry import DATA_SIZES
from deadstick.solve.kernels import field_tables, prefix_sums, tail_hits

MESSAGES = (512, 1024, 2048)
DEGREES = (13, 14, 15)
SHORTEST_TAIL = 4
WORKERS = 2
LONGEST_TAIL = 400
MOST_UNUSED = 16
"""Unused bytes at the beginning of the spare area."""
MOST_METADATA = 16
"""Metadata bytes of a codeword where they are gathered before the parity."""
MOST_ALONE = 24
"""Metadata bytes that the first codeword alone may have."""
MOST_TIES = 24
CONVINCING = -5.0
"""Logarithm of the chance, over all that was tried, below which a window is taken up."""
# Beside the kernel's defaults, the polynomials that NAND drivers in U-Boot name: nand/raw/atmel/pmecc and sunxi.
KNOWN_POLYNOMIALS = (0x4443, 0x5803)


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


@dataclass(frozen=True, slots=True)
class Window:
    """A place where rows have a common root.

    Attributes:
        kind: which rows.
        m: the field is GF(2^m).
        polynomial: primitive polynomial; alpha is its root.
        bit_order: how bytes go into the code.
        begin: first column of the message.
        message: its length in bytes.
        tail: what follows it in the codeword.
        tail_bytes: the shortest length of the tail that fits.
        hits: rows that have the root.
        rows: rows looked at.
        log10_chance: that an accident gave as many, over all that was tried.
        complement: the rows have it as their complements.
        depth: odd syndromes that were looked at; 0 where a root alone was, which only rows without an error have.
        errors: mean number of errors in the rows that have it.
    """

    kind: str
    m: int
    polynomial: int
    bit_order: BitOrder
    begin: int
    message: int
    tail: Tail
    tail_bytes: int
    hits: int
    rows: int
    log10_chance: float
    complement: bool = False
    depth: int = 0
    errors: float = 0.0


class RootTester:
    """Prefix sums of one set of rows, one field at a time."""

    def __init__(self, rows: Rows) -> None:
        """Keep both bit orders of the rows."""
        self.rows = rows
        self.ordered: dict[BitOrder, NDArray[np.uint8]] = {
            "msb": rows.values,
            "lsb": in_code_order(rows.values, "lsb"),
        }
        self.prefix = np.empty((len(rows.values), rows.values.shape[1] + 1), np.uint16)
        self._byte_log = np.empty(256, np.int32)
        self.m = 0
        self.exp = np.empty(0, np.uint16)
        self.log = np.empty(0, np.uint16)

    @property
    def columns(self) -> int:
        """Columns of a row."""
        return int(self.prefix.shape[1]) - 1

    def set_field(self, m: int, polynomial: int, order: BitOrder) -> None:
        """Compute the prefix sums over GF(2^m) with the root of `polynomial`."""
        self.m = m
        self.exp = np.empty(2 * ((1 << m) - 1), np.uint16)
        self.log = np.zeros(1 << m, np.uint16)
        field_tables(polynomial, m, self.exp, self.log)
        prefix_sums(self.ordered[order], m, self.exp, self.log, self._byte_log, self.prefix)

    def hits(self, begin: int, message: int, tails: Sequence[Tail], shortest: int, longest: int) -> NDArray[np.uint16]:
        """`uint16[tails, longest - shortest + 1]`: see `kernels.tail_hits`."""
        counts = np.zeros((len(tails), longest - shortest + 1), np.uint16)
        if self.prefix.shape[1] > begin + message:
            places = np.array(tails, np.int64)
            tail_hits(self.prefix, self.m, self.exp, self.log, begin, message, places, shortest, longest, counts)
        return counts


def known_polynomials() -> tuple[int, ...]:
    """Primitive polynomials that public drivers use, of the degrees that are searched."""
    kernel = tuple(PRIMITIVE_DEFAULTS[m] for m in DEGREES)
    return kernel + KNOWN_POLYNOMIALS


def polynomial_rounds(size: int = 96) -> Iterator[tuple[int, ...]]:
    """Every primitive polynomial of the degrees that are searched, in rounds that mix the degrees.

    Each primitive root of the generator shows a code, not alpha alone, and a code of strength t has up to t of them;
    so a few rounds are enough for a strong code, whichever polynomial it was built on.

    Args:
        size: polynomials in a round.
    """
    mixed = []
    for m in DEGREES:
        polynomials = gf2poly.primitive_polynomials(m)
        mixed += [(place / len(polynomials), m, polynomial) for place, polynomial in enumerate(polynomials)]
    ordered = [polynomial for _, _, polynomial in sorted(mixed)]
    for first in range(0, len(ordered), size):
        yield tuple(ordered[first : first + size])


def data_bytes_of(page_bytes: int) -> int:
    """The data part of a page: the largest power of two in it."""
    return max(size for size in DATA_SIZES if size < page_bytes)


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


def search(
    heads: Heads, polynomials: Sequence[int], tried: int, tails: dict[int, list[Tail]] | None = None
) -> list[Window]:
    """Look for the first codeword.

    Args:
        heads: the rows.
        polynomials: fields to try.
        tried: places tried before, which the chance takes into account.
        tails: where the tail may begin for each length of message; everywhere by default.

    Returns:
        Convincing windows, best first; the search ends with the first field that gives one.
    """
    workers = min(WORKERS, len(polynomials))
    with ThreadPoolExecutor(workers) as pool:
        # The kernels leave the interpreter free. Each worker takes every nth field; the first one in order counts.
        parts = [
            pool.submit(_search_part, heads, polynomials[start::workers], tried, tails) for start in range(workers)
        ]
        found = [
            (position * workers + start, windows)
            for start, part in enumerate(parts)
            for position, windows in part.result()
        ]
    return min(found)[1] if found else []


def _search_part(
    heads: Heads, polynomials: Sequence[int], tried: int, chosen: dict[int, list[Tail]] | None
) -> list[tuple[int, list[Window]]]:
    """The first field of a part that gives windows, with its position."""
    tester = RootTester(heads.rows)
    orders: tuple[BitOrder, ...] = ("msb", "lsb")
    for position, polynomial in enumerate(polynomials):
        m = gf2poly.degree(polynomial)
        found: list[Window] = []
        for order in orders:
            tester.set_field(m, polynomial, order)
            for message in MESSAGES:
                tails, longest = heads.tails_to_try(message)
                tails = tails if chosen is None else chosen.get(message, [])
                if 8 * message >= 1 << m or message >= tester.columns or longest < SHORTEST_TAIL or not tails:
                    continue
                counts = tester.hits(0, message, tails, SHORTEST_TAIL, longest)
                tried += counts.size
                found += _best(heads, counts, tails, (polynomial, m, order, message), tried)
        if found:
            return [(position, sorted(found, key=lambda window: window.log10_chance))]
    return []


def _best(
    heads: Heads,
    counts: NDArray[np.uint16],
    tails: list[Tail],
    where: tuple[int, int, BitOrder, int],
    tried: int,
) -> list[Window]:
    """The convincing places: several, where constant metadata hide which of them is right."""
    polynomial, m, order, message = where
    most = int(counts.max(initial=0))
    rows = len(heads.rows.values)
    chance = log10_tail(rows, most, 2.0**-m) + np.log10(tried)
    if chance > CONVINCING:
        return []
    # Zero bits behind the parity change nothing, so longer tails fit as well: the shortest is the codeword's.
    fitting = counts >= most - max(1, most // 10)
    return [
        Window(
            heads.rows.kind,
            m,
            polynomial,
            order,
            0,
            message,
            heads.whole(tails[index]),
            SHORTEST_TAIL + int(fitting[index].argmax()),
            most,
            rows,
            float(chance),
        )
        for index in np.flatnonzero(fitting.any(axis=1))[:MOST_TIES].tolist()
    ]


def log10_tail(trials: int, hits: int, chance: float) -> float:
    """Upper bound of the logarithm of P(at least `hits` of `trials`): C(trials, hits) * chance^hits.

    >>> round(log10_tail(100, 2, 0.001), 2)
    -2.31
    """
    from scipy.special import gammaln  # noqa: PLC0415 - scipy.special takes a while to load

    if hits == 0:
        return 0.0
    ways = gammaln(trials + 1) - gammaln(hits + 1) - gammaln(trials - hits + 1)
    return float(min(0.0, ways / np.log(10) + hits * np.log10(chance)))
