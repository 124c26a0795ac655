"""Decoding as the test: where do the first codewords lie, and over which field, when hardly a word is free of errors?

A word with e errors has syndromes that a locator of length e explains, and the first e + 2 odd syndromes are enough
to see that (Berlekamp's algorithm, `decoding_kernels`). For an unrelated word the chance is 2^(-2m), so two or three
rows settle a hypothesis, whatever the strength of the code: neither t nor the length of the parity need be known.
Prefix sums make the syndromes of every place cheap, so every primitive polynomial is tried on every place that is
left. The published way, the greatest common divisor of clean words (van Zandwijk, Digital Investigation 12, 2015), ends
where clean words end; this one goes on until the code itself does.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.code import BitOrder, in_code_order
from deadstick.solve.codeword.field_rows import SLACK, FieldRows, FieldTables
from deadstick.solve.codeword.heads import Heads, Tail
from deadstick.solve.codeword.places import Cut, Places, telling
from deadstick.solve.codeword.polynomials import DEGREES
from deadstick.solve.codeword.spectrum import WORTH, Spectrum, columns_of
from deadstick.solve.codeword.window import CONVINCING, WORKERS, Window
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly

CONFIRM_ROWS = 40
ORDERS: tuple[BitOrder, ...] = ("msb", "lsb")
FEWEST_CONFIRMED = 3
NATURAL = {512: 13, 1024: 14, 2048: 15}
"""The smallest field that holds the message and its parity: the usual choice (common practice, no source)."""


class Depth(NamedTuple):
    """How far to look.

    Attributes:
        syndromes: odd syndromes taken; words of up to that many errors less two show.
        rows: rows looked at first; a place without a hit among them is left. None at all: it is not worth it.
        weakest: strength t of the weakest code that is looked for, 0 for as many as the syndromes; no shorter parity is
            tried. A weaker code has fewer syndromes that mean something, and they show words with fewer errors.
    """

    syndromes: int
    rows: int
    weakest: int = 0

    def of_strength(self, t: int | None) -> "Depth":
        """The same for a code of known strength: no syndrome that it has not, and no shorter parity.

        >>> Depth(40, 2).of_strength(24)
        Depth(syndromes=24, rows=2, weakest=24)
        """
        return self if t is None else Depth(min(self.syndromes, t), self.rows, t)


SHALLOW, MIDDLE, DEEP, DEEPEST = Depth(4, 8), Depth(11, 3), Depth(21, 2), Depth(40, 2)
BROAD = Depth(DEEP.syndromes, MIDDLE.rows, MIDDLE.syndromes)
"""All that `MIDDLE` and `DEEP` find, at less than the price of both: most of it is not the locators'."""


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
        orders: Sequence[BitOrder] = ORDERS,
        t: int | None = None,
    ) -> list[Window]:
        """Try polynomials on places.

        Args:
            places: for each length of message.
            polynomials: primitive polynomials.
            depth: how many syndromes and rows, for all messages or by their length.
            tried: hypotheses tried before, which the chance takes into account.
            natural: only the smallest field for each length of message, or only the others.
            orders: of the bits.
            t: errors that the code corrects in a word; None where that is not known.

        Returns:
            Convincing windows of the first polynomial that has any, best first.
        """
        asked_for = {item.message: depth if isinstance(depth, Depth) else depth[item.message] for item in places}
        depths = {message: one.of_strength(t) for message, one in asked_for.items()}
        worth = [item for item in places if depths[item.message].rows]
        asked = [(item, m) for item in worth for m in DEGREES if self._wanted(item.message, m, natural=natural)]
        degrees = Counter(gf2poly.degree(polynomial) for polynomial in polynomials)
        chosen = [p for p in polynomials if gf2poly.degree(p) in {m for _, m in asked}]
        workers = min(WORKERS, len(chosen))
        if not workers or self.rows < FEWEST_CONFIRMED:
            return []
        stop = Event()
        with ThreadPoolExecutor(workers) as pool:
            built = [
                pool.submit(_Trial.of, self, item, m, order, depths[item.message], with_spectrum=degrees[m] >= WORTH)
                for item, m in asked
                if degrees[m]
                for order in orders
            ]
            trials = [trial.result() for trial in built]
            parts = [
                pool.submit(self._search_part, trials, chosen[start::workers], tried, stop) for start in range(workers)
            ]
            found = [part.result() for part in parts]
        return sorted((window for part in found for window in part), key=_quality)

    def _wanted(self, message: int, m: int, *, natural: bool) -> bool:
        return fits(message, m) and (NATURAL[message] == m) == natural

    def _search_part(
        self, trials: Sequence["_Trial"], polynomials: Sequence[int], tried: int, stop: Event
    ) -> list[Window]:
        many = evenly(self.rows, CONFIRM_ROWS)
        for polynomial in polynomials:
            if stop.is_set():
                break
            m = gf2poly.degree(polynomial)
            for trial in trials:
                if trial.m != m:
                    continue
                hits = trial.syndromes(polynomial).hits(trial.item.message, trial.table, self.variants, trial.shortest)
                if not hits:
                    continue
                rows = FieldRows.of(
                    FieldTables(polynomial), trial.cut.take(self.ordered[trial.order][many]), trial.depth
                )
                found = [window for hit in hits[:64] for window in self._confirmed(rows, trial, hit, tried)]
                if found:
                    stop.set()
                    return found
        return []

    def _confirmed(self, rows: FieldRows, trial: "_Trial", hit: tuple[int, int, int], tried: int) -> list[Window]:
        """The place with a hit, on more rows."""
        item, cut, order = trial.item, trial.cut, trial.order
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
class _Trial:
    """Places for one length of message, in one bit order, under all polynomials of one degree.

    Attributes:
        item: the places.
        m: degree.
        order: of the bits.
        cut: columns that are kept.
        table: the places as columns of what is kept.
        rows: `uint8[rows, columns]`, looked at first.
        depth: syndromes.
        shortest: bytes of the shortest parity.
        spectrum: of the rows; None for a few polynomials, whose sums are made one by one.
    """

    item: Places
    m: int
    order: BitOrder
    cut: Cut
    table: NDArray[np.int64]
    rows: NDArray[np.uint8]
    depth: int
    shortest: int
    spectrum: Spectrum | None

    @classmethod
    def of(
        cls, test: DecodingTest, item: Places, m: int, order: BitOrder, depth: Depth, *, with_spectrum: bool
    ) -> "_Trial":
        """For the rows of a test."""
        cut, table = Cut.of(test.heads, item.message), item.table
        table = cut.moved(table)
        shortest = m * (depth.weakest or depth.syndromes) // 8 - 1
        table[:, 3] = np.maximum(table[:, 3], shortest)
        rows = cut.take(test.ordered[order][evenly(test.rows, depth.rows)])
        spectrum = None
        if with_spectrum:
            needed = columns_of(item.message, table[table[:, 3] <= table[:, 4]], rows.shape[1])
            spectrum = Spectrum(m, rows, needed)
        return cls(item, m, order, cut, table, rows, depth.syndromes, shortest, spectrum)

    def syndromes(self, polynomial: int) -> FieldRows:
        """Of the rows, under a polynomial."""
        if self.spectrum is not None:
            return self.spectrum.rows(polynomial, self.depth)
        return FieldRows.of(FieldTables(polynomial), self.rows, self.depth)


def fits(message: int, m: int) -> bool:
    """Whether a message with a little parity is shorter than the code over GF(2^m) can be."""
    return 8 * message + 4 * m < 1 << m


def _quality(window: Window) -> tuple[float, float]:
    """More rows first, then fewer errors: a tail that is a byte too short or too long costs errors."""
    return (-window.hits, window.errors)
