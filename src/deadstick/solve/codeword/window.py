"""Where does the first codeword of a page lie, and which root does it have?

A codeword of a cyclic code is zero at the roots of the code. With prefix sums of `bit * alpha^-position` over a row,
whether any message and any tail behind it form a word with the root alpha costs one comparison; so for one alpha all
places of the tail (metadata and parity, in line or in the spare area) are tried at once, and a few milliseconds are
enough for some hundred rows. An accident has the probability 2^-m a row. It needs rows without a bit error, but of
single words; the greatest common divisor (van Zandwijk, Digital Investigation 12, 2015) needs them in pairs and
once per place.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.code import BitOrder, in_code_order
from deadstick.solve.codeword.heads import SHORTEST_TAIL, Heads, Rows, Tail
from deadstick.solve.codeword.root_kernels import field_tables, prefix_sums, tail_hits
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.page_size.geometry import MESSAGES

WORKERS = 2
MOST_TIES = 24
CONVINCING = -5.0
"""Logarithm of the chance, over all that was tried, below which a window is taken up."""


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
        """`uint16[tails, longest - shortest + 1]`: see `root_kernels.tail_hits`."""
        counts = np.zeros((len(tails), longest - shortest + 1), np.uint16)
        if self.prefix.shape[1] > begin + message:
            places = np.array(tails, np.int64)
            tail_hits(self.prefix, self.m, self.exp, self.log, begin, message, places, shortest, longest, counts)
        return counts


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
