"""Decoding as the test: where do the first codewords lie, and over which field, when hardly a word is free of errors?

A word with e errors has syndromes that a locator of length e explains, and the first e + 2 odd syndromes are enough
to see that (Berlekamp's algorithm, `decoding_kernels`). For an unrelated word the chance is 2^(-2m), so two or three
rows settle a hypothesis, whatever the strength of the code: neither t nor the length of the parity need be known.
Prefix sums make the syndromes of every place cheap, so every primitive polynomial is tried on every place that is
left. The published way, the greatest common divisor of clean words (van Zandwijk, Digital Investigation 12, 2015), ends
where clean words end; this one goes on until the code itself does.
"""

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.code import BitOrder, in_code_order
from deadstick.solve.decoding_kernels import decodable_places, syndrome_prefixes
from deadstick.solve.kernels import field_tables
from deadstick.solve.spread import evenly
from deadstick.solve.structure import Place
from deadstick.solve.window import CONVINCING, DEGREES, LONGEST_TAIL, MESSAGES, WORKERS, Heads, Tail, Window, log10_tail

SLACK = 2
"""Syndromes beyond the number of errors that must fit."""
CONFIRM_ROWS = 40
FEWEST_CONFIRMED = 3
LOW_WEIGHT = 0.04
"""Share of ones, or of zeros, below which a row says nothing: a word of few ones decodes to zero under any code."""
NATURAL = {512: 13, 1024: 14, 2048: 15}
"""The smallest field that holds the message and its parity: the usual choice (common practice, no source)."""


class Depth(NamedTuple):
    """How far to look.

    Attributes:
        syndromes: odd syndromes taken; words of up to that many errors less two show.
        rows: rows looked at first; a place without a hit among them is left.
        weakest: strength t of the weakest code that is looked for, 0 for as many as the syndromes; no shorter parity is
            tried. A weaker code has fewer syndromes that mean something, which shows words with fewer errors all the same.
    """

    syndromes: int
    rows: int
    weakest: int = 0


SHALLOW, MIDDLE, DEEP, DEEPEST = Depth(4, 8), Depth(11, 3), Depth(21, 2), Depth(40, 2)


@dataclass(frozen=True, slots=True)
class Places:
    """Hypotheses on the first codeword for one length of message.

    Attributes:
        message: bytes.
        table: `int64[places, 5]`: see `structure.Place`; columns of the heads.
    """

    message: int
    table: NDArray[np.int64]


def telling(rows: NDArray[np.uint8], columns: int = 512) -> NDArray[np.int64]:
    """Numbers of the rows whose first columns are neither nearly all zeros nor nearly all ones."""
    ones = np.bitwise_count(rows[:, :columns]).sum(axis=1, dtype=np.int64) / (8 * min(columns, rows.shape[1]))
    return np.flatnonzero((ones > LOW_WEIGHT) & (ones < 1 - LOW_WEIGHT))


def in_line_places(heads: Heads) -> list[Places]:
    """Everything right behind the message, of any length that the spare area allows."""
    built = []
    for message in MESSAGES:
        longest = heads.longest_tail(message)
        if message + 8 < heads.rows.values.shape[1]:
            built.append(Places(message, np.array([(message, 0, 0, 4, longest)], np.int64)))
    return built


def spare_places(heads: Heads, found: Iterable[Place], message: int) -> Places:
    """Places that the structure of the spare area suggests, as columns of the heads."""
    moved = [
        (place.first - heads.cut, place.between - heads.cut if place.length else 0, *place[2:])
        for place in found
        if place.shortest <= LONGEST_TAIL
    ]
    table = np.array(moved, np.int64).reshape(-1, 5)
    first, between, length, shortest = table[:, 0], table[:, 1], table[:, 2], table[:, 3]
    columns = heads.rows.values.shape[1]
    inside = (first >= heads.data) & (first + shortest <= columns)
    inside &= (length == 0) | ((between >= heads.data) & (between + length <= columns))
    return Places(message, table[inside])


def every_place(heads: Heads, message: int) -> Places:
    """Every place that the root test also tries."""
    tails, longest = heads.tails_to_try(message)
    return Places(message, np.array([(*tail, 4, longest) for tail in tails], np.int64))


def tails_of(places: Iterable[Places]) -> dict[int, list[Tail]]:
    """The same places for the root test, which needs no lengths."""
    tails: dict[int, list[Tail]] = {}
    for item in places:
        tails.setdefault(item.message, []).extend(Tail(*row) for row in item.table[:, :3].tolist())
    return {message: list(dict.fromkeys(found)) for message, found in tails.items()}


class DecodingTest:
    """The decoding test on the rows of one page size."""

    def __init__(self, heads: Heads) -> None:
        """Keep the telling rows in both bit orders."""
        self.heads = heads
        values = heads.rows.values[telling(heads.rows.values)]
        self.ordered: dict[BitOrder, NDArray[np.uint8]] = {"msb": values, "lsb": in_code_order(values, "lsb")}
        # The complement cancels in a difference.
        self.variants = 1 if heads.rows.are_differences else 2

    @property
    def rows(self) -> int:
        """Telling rows."""
        return len(self.ordered["msb"])

    def search(
        self,
        places: Sequence[Places],
        polynomials: Sequence[int],
        depth: Depth | Mapping[int, Depth],
        tried: int,
        *,
        natural: bool = True,
    ) -> list[Window]:
        """Try polynomials on places.

        Args:
            places: for each length of message.
            polynomials: primitive polynomials.
            depth: how many syndromes and rows, for all messages or by their length.
            tried: hypotheses tried before, which the chance takes into account.
            natural: only the smallest field for each length of message, or only the others.

        Returns:
            Convincing windows of the first polynomial that has any, best first.
        """
        depths = {item.message: depth if isinstance(depth, Depth) else depth[item.message] for item in places}
        degrees = {m for item in places for m in DEGREES if self._wanted(item.message, m, natural=natural)}
        chosen = [polynomial for polynomial in polynomials if gf2poly.degree(polynomial) in degrees]
        workers = min(WORKERS, len(chosen))
        if not workers or self.rows < FEWEST_CONFIRMED:
            return []
        stop = Event()
        with ThreadPoolExecutor(workers) as pool:
            parts = [
                pool.submit(self._search_part, places, chosen[start::workers], depths, tried, natural, stop)
                for start in range(workers)
            ]
            found = [part.result() for part in parts]
        return sorted((window for part in found for window in part), key=_quality)

    def _wanted(self, message: int, m: int, *, natural: bool) -> bool:
        return fits(message, m) and (NATURAL[message] == m) == natural

    def _search_part(
        self,
        places: Sequence[Places],
        polynomials: Sequence[int],
        depths: Mapping[int, Depth],
        tried: int,
        natural: bool,
        stop: Event,
    ) -> list[Window]:
        cuts = {item.message: Cut.of(self.heads, item.message) for item in places}
        many = evenly(self.rows, CONFIRM_ROWS)
        orders: tuple[BitOrder, ...] = ("msb", "lsb")
        for polynomial in polynomials:
            if stop.is_set():
                break
            field = FieldTables(polynomial)
            for item in places:
                if not self._wanted(item.message, field.m, natural=natural):
                    continue
                cut, (syndromes, most, weakest) = cuts[item.message], depths[item.message]
                few = evenly(self.rows, most)
                for order in orders:
                    rows = FieldRows(field, cut.take(self.ordered[order][few]), syndromes)
                    shortest = field.m * (weakest or syndromes) // 8 - 1
                    hits = rows.hits(item.message, cut.moved(item.table), self.variants, shortest)
                    if not hits:
                        continue
                    rows = FieldRows(field, cut.take(self.ordered[order][many]), syndromes)
                    found = [w for hit in hits[:64] for w in self._confirmed(rows, item, cut, hit, order, tried)]
                    if found:
                        stop.set()
                        return found
        return []

    def _confirmed(
        self, rows: "FieldRows", item: Places, cut: "Cut", hit: tuple[int, int, int], order: BitOrder, tried: int
    ) -> list[Window]:
        """The place with a hit, on more rows."""
        variant, place, size = hit
        first, between, length, *_ = item.table[place].tolist()
        one = cut.moved(np.array([(first, between, length, size, size)], np.int64))
        counts, errors = rows.counts(item.message, one, self.variants)
        found, total = int(counts[variant, 0, 0]), len(rows.prefix)
        depth = rows.prefix.shape[2]
        accident = min(1.0, depth * 2.0 ** (-rows.field.m * SLACK))
        chance = log10_tail(total, found, accident) + np.log10(max(tried, 1))
        if found < FEWEST_CONFIRMED or chance > CONVINCING:
            return []
        return [
            Window(
                self.heads.rows.kind,
                rows.field.m,
                rows.field.polynomial,
                order,
                0,
                item.message,
                self.heads.whole(Tail(first, between, length)),
                size,
                found,
                total,
                float(chance),
                complement=bool(variant),
                depth=depth,
                errors=float(errors[variant, 0, 0]) / found,
            )
        ]


@dataclass(frozen=True, slots=True)
class Cut:
    """The columns of the heads that a message of one length needs: its own, a tail in line, and the spare area.

    Attributes:
        kept: columns kept of the data.
        data: columns of data in the heads.
    """

    kept: int
    data: int

    @classmethod
    def of(cls, heads: Heads, message: int) -> "Cut":
        """For a length of message."""
        return cls(min(heads.data, message + heads.longest_tail(message) + 1), heads.data)

    def take(self, rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The columns that are kept."""
        return np.concatenate([rows[:, : self.kept], rows[:, self.data :]], axis=1)

    def moved(self, table: NDArray[np.int64]) -> NDArray[np.int64]:
        """Places of the heads as places in these columns."""
        moved = table.copy()
        for column in (0, 1):
            moved[moved[:, column] >= self.data, column] -= self.data - self.kept
        return moved


class FieldTables:
    """Exponentials and logarithms of GF(2^m)."""

    def __init__(self, polynomial: int) -> None:
        """Fill them for the root alpha of a primitive polynomial."""
        self.polynomial, self.m = polynomial, gf2poly.degree(polynomial)
        self.exp = np.empty(2 * ((1 << self.m) - 1), np.uint16)
        self.log = np.zeros(1 << self.m, np.uint16)
        field_tables(polynomial, self.m, self.exp, self.log)


class FieldRows:
    """Syndromes of some rows over one field."""

    def __init__(self, field: FieldTables, rows: NDArray[np.uint8], depth: int) -> None:
        """Compute the prefix sums of `uint8[rows, columns]`, most significant bit first."""
        self.field = field
        scratch = np.empty(256, np.int32)
        self.prefix = np.empty((len(rows), rows.shape[1] + 1, depth), np.uint16)
        syndrome_prefixes(rows, field.m, field.exp, field.log, scratch, self.prefix)
        self.ones = np.empty((1, rows.shape[1] + 1, depth), np.uint16)
        syndrome_prefixes(
            np.full((1, rows.shape[1]), 0xFF, np.uint8), field.m, field.exp, field.log, scratch, self.ones
        )

    def counts(
        self, message: int, table: NDArray[np.int64], variants: int
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Rows that decode and their errors, `uint16[variants, places, sizes]` each.

        Raises:
            ValueError: a place lies outside the rows.
        """
        columns = self.prefix.shape[1] - 1
        if len(table) and not (
            0 <= table[:, 0].min() <= table[:, 0].max() <= columns
            and 0 <= table[:, 1].min() <= (table[:, 1] + table[:, 2]).max() <= columns
        ):
            raise ValueError(f"places outside the {columns} columns of the rows")
        sizes = int((table[:, 4] - table[:, 3]).max(initial=-1)) + 1
        counts = np.zeros((variants, len(table), max(0, sizes)), np.uint16)
        errors = np.zeros_like(counts)
        if counts.size and message < self.prefix.shape[1] - 1:
            tables = (self.prefix, self.ones, self.field.m, self.field.exp, self.field.log)
            decodable_places(*tables, 0, message, table, SLACK, counts, errors)
        return counts, errors

    def hits(self, message: int, table: NDArray[np.int64], variants: int, shortest: int) -> list[tuple[int, int, int]]:
        """(variant, place, size) of every hit, the best first; no parity is shorter than `shortest` bytes."""
        table[:, 3] = np.maximum(table[:, 3], shortest)
        kept = np.flatnonzero(table[:, 3] <= table[:, 4])
        counts, errors = self.counts(message, table[kept], variants)
        found = np.argwhere(counts)
        if not len(found):
            return []
        score = counts[tuple(found.T)].astype(np.int64) * 1000 - errors[tuple(found.T)]
        best = found[np.argsort(-score, kind="stable")]
        return [(int(v), int(kept[p]), int(s + table[kept[p], 3])) for v, p, s in best.tolist()]


def fits(message: int, m: int) -> bool:
    """Whether a message with a little parity is shorter than the code over GF(2^m) can be."""
    return 8 * message + 4 * m < 1 << m


def _quality(window: Window) -> tuple[float, float]:
    """More rows first, then fewer errors: a tail that is a byte too short or too long costs errors."""
    return (-window.hits, window.errors)
