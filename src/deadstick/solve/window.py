"""Where does the first codeword of a page lie, and which root does it have?

A codeword of a cyclic code is zero at the roots of the code. With prefix sums of `bit * alpha^-position` over a row,
whether any message and any tail behind it form a word with the root alpha costs one comparison; so for one alpha all
places of the tail (metadata and parity, in line or in the spare area) are tried at once, and a few milliseconds are
enough for some hundred rows. An accident has the probability 2^-m a row. It needs rows without a bit error, but of
single words; the greatest common divisor (van Zandwijk, Digital Investigation 12, 2015) needs them in pairs and
once per place.

Two kinds of rows are tried: pages as read, which are codewords where the scrambler stands before the code or is
absent, and differences of two pages under the same keystream, which are codewords of a linear code whatever was
added to both: keystream, inversion, a mask on the parity.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

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
LONGEST_TAIL = 400
MOST_UNUSED = 16
"""Unused bytes at the beginning of the spare area."""
MOST_METADATA = 16
"""Metadata bytes of a codeword where they are gathered before the parity."""
CONVINCING = -5.0
"""Logarithm of the chance, over all that was tried, below which a window is taken up."""
# Beside the kernel's defaults, the polynomials that NAND drivers in U-Boot name: nand/raw/atmel/pmecc and sunxi.
KNOWN_POLYNOMIALS = (0x4443, 0x5803)


@dataclass(frozen=True)
class Rows:
    """Rows that should be sums of codewords.

    Attributes:
        kind: `pages` as read, or `differences` of two pages under one keystream.
        values: `uint8[rows, page_bytes]`.
    """

    kind: str
    values: NDArray[np.uint8]


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
        tail: first column of what follows it in the codeword.
        tail_bytes: the shortest length that fits.
        hits: rows that have the root.
        rows: rows looked at.
        log10_chance: that an accident gave as many, over all that was tried.
    """

    kind: str
    m: int
    polynomial: int
    bit_order: BitOrder
    begin: int
    message: int
    tail: int
    tail_bytes: int
    hits: int
    rows: int
    log10_chance: float


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

    def set_field(self, m: int, polynomial: int, order: BitOrder) -> None:
        """Compute the prefix sums over GF(2^m) with the root of `polynomial`."""
        self.m = m
        self.exp = np.empty(2 * ((1 << m) - 1), np.uint16)
        self.log = np.zeros(1 << m, np.uint16)
        field_tables(polynomial, m, self.exp, self.log)
        prefix_sums(self.ordered[order], m, self.exp, self.log, self._byte_log, self.prefix)

    def hits(
        self, begin: int, message: int, tails: NDArray[np.int64], shortest: int, longest: int
    ) -> NDArray[np.uint16]:
        """`uint16[tails, longest - shortest + 1]`: see `kernels.tail_hits`."""
        counts = np.zeros((len(tails), longest - shortest + 1), np.uint16)
        if self.prefix.shape[1] > begin + message:
            tail_hits(self.prefix, self.m, self.exp, self.log, begin, message, tails, shortest, longest, counts)
        return counts

    def rows_with_root(self, begin: int, message: int, tail: int, tail_bytes: int) -> NDArray[np.int64]:
        """Numbers of the rows that have the root at one place."""
        order = (1 << self.m) - 1
        value = self.prefix[:, begin + message] ^ self.prefix[:, begin]
        shift = (8 * (tail - begin - message)) % order
        moved = self.exp[self.log[value].astype(np.int64) + order - shift]
        rest = self.prefix[:, tail + tail_bytes] ^ self.prefix[:, tail]
        return np.flatnonzero((value != 0) & (moved == rest))


def known_polynomials() -> tuple[int, ...]:
    """Primitive polynomials that public drivers use, of the degrees that are searched."""
    kernel = tuple(PRIMITIVE_DEFAULTS[m] for m in DEGREES)
    return kernel + KNOWN_POLYNOMIALS


def all_polynomials() -> Iterator[int]:
    """Every primitive polynomial of the degrees that are searched, the middle degree first."""
    for m in (14, 13, 15):
        yield from gf2poly.primitive_polynomials(m)


def data_bytes_of(page_bytes: int) -> int:
    """The data part of a page: the largest power of two in it."""
    return max(size for size in DATA_SIZES if size < page_bytes)


def tails_to_try(page_bytes: int, message: int) -> tuple[NDArray[np.int64], int]:
    """Where the tail of the first codeword may begin, and how long it may be.

    In line, right behind the message; or in the spare area, after some unused bytes or the metadata of all codewords.
    """
    data = data_bytes_of(page_bytes)
    codewords = max(1, data // message)
    spare = page_bytes - data
    unused = range(min(spare, MOST_UNUSED + 1))
    gathered = range(codewords, min(spare, MOST_METADATA * codewords + 1), codewords)
    tails = {message} | {data + place for place in (*unused, *gathered)}
    return np.array(sorted(tails), np.int64), min(LONGEST_TAIL, spare // codewords + 2)


def search(tester: RootTester, polynomials: Iterable[int], page_bytes: int, tried: int) -> list[Window]:
    """Look for the first codeword.

    Args:
        tester: holds the rows.
        polynomials: fields to try.
        page_bytes: where the spare area may begin follows from it.
        tried: places tried before, which the chance takes into account.

    Returns:
        Convincing windows, best first; the search ends with the first field that gives one.
    """
    orders: tuple[BitOrder, ...] = ("msb", "lsb")
    for polynomial in polynomials:
        m = gf2poly.degree(polynomial)
        found: list[Window] = []
        for order in orders:
            tester.set_field(m, polynomial, order)
            for message in MESSAGES:
                if 8 * message >= 1 << m or message >= page_bytes:
                    continue
                tails, longest = tails_to_try(page_bytes, message)
                if longest < SHORTEST_TAIL:
                    continue
                counts = tester.hits(0, message, tails, SHORTEST_TAIL, longest)
                tried += counts.size
                found += _best(tester, counts, tails, (polynomial, m, order, message), tried)
        if found:
            return sorted(found, key=lambda window: window.log10_chance)
    return []


def _best(
    tester: RootTester,
    counts: NDArray[np.uint16],
    tails: NDArray[np.int64],
    where: tuple[int, int, BitOrder, int],
    tried: int,
) -> list[Window]:
    polynomial, m, order, message = where
    most = int(counts.max(initial=0))
    rows = len(tester.prefix)
    chance = log10_tail(rows, most, 2.0**-m) + np.log10(tried)
    if chance > CONVINCING:
        return []
    # Zero bits behind the parity change nothing, so longer tails fit as well: the shortest is the codeword's.
    index, extra = (int(i[0]) for i in np.nonzero(counts >= most - max(1, most // 10)))
    return [
        Window(
            tester.rows.kind,
            m,
            polynomial,
            order,
            0,
            message,
            int(tails[index]),
            SHORTEST_TAIL + extra,
            most,
            rows,
            float(chance),
        )
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
