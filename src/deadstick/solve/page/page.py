"""From the first codeword to the whole page: every further one is found by decoding at the places where it may lie."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.codeword.structure import densities
from deadstick.solve.codeword.word_fit import ROWS, Fit, with_content
from deadstick.solve.codeword.words import bits_at, corrected
from deadstick.solve.common.spread import evenly
from deadstick.solve.other_codes.found import loose_metadata
from deadstick.solve.page.code import FoundCode
from deadstick.solve.page.next_places import NextPlaces, Word
from deadstick.solve.page_size.geometry import data_bytes_of

FIRST_ROWS = 5
LEAST_SHARE = 0.5
"""Share of the rows, against those whose first codeword decodes, in which a codeword must decode."""
NEARLY = 0.95
"""Share of the first codeword's strength with which a further one is beyond doubt."""
SHORTER = 0.02
"""Strength that a codeword may lose if zeros on both sides of it are left out: bit errors among them count no more."""
CLEARLY_STRONGER = 0.01
"""Strength by which a less likely place must be better: with zeros at both ends of a word a bit error there decides for
a place a few bits on, and all codewords behind it are then out of place, too."""
MOSTLY = 0.75
"""Share of the rows whose first codeword decodes from which on no row is taken to be out of step."""
CLEARLY_QUIETER = 0.1


class PageBuilder:
    """Finds the codewords of a page, one after the other."""

    def __init__(self, rows: NDArray[np.uint8], found: FoundCode, page_bytes: int) -> None:
        """Take rows as the code sees them, `uint8[rows, page_bytes]`, and the first codeword."""
        self.code, self.page_bytes = found.bch, page_bytes
        first = Word(found.first[:-1], found.first[-1])
        self.rows = _in_step(rows, first.spans, found.bch)
        self.words = [first]
        self.count = max(1, 8 * data_bytes_of(page_bytes) // first.message[0].bits)
        self.first = self._decoded(first.spans, self._telling(first.message[0], ROWS))

    def complete(self) -> PageLayout | None:
        """The layout; None where a codeword of the page cannot be found: the page size or the window is wrong."""
        if self.first.share == 0:
            return None
        while len(self.words) < self.count:
            word = self._next()
            if word is None:
                return None
            self.words.append(word)
        aligned = all(span.start % 8 == 0 for word in self.words for span in word.spans)
        words = [self._ordered(_padded(word) if aligned else word) for word in self.words]
        built = tuple(Codeword(message, (parity,)) for message, parity in words)
        return PageLayout(self.page_bytes, built, loose_metadata(self._sound_rows, built))

    @property
    def _sound_rows(self) -> NDArray[np.uint8]:
        """Rows whose first codeword has content and decodes: in bad blocks unused bytes are others."""
        first = self.words[0]
        chosen = self._telling(first.message[0], len(self.rows))
        _, errors = corrected(bits_at(self.rows[chosen], first.spans), self.code)
        sound: NDArray[np.uint8] = self.rows[chosen[errors >= 0]]
        return sound if len(sound) >= FIRST_ROWS else self.rows

    def strength_at(self, column: int) -> float:
        """What is left of the code's strength in the codeword that runs through a column; 1 where none does."""
        over = (w for w in self.words if any(s.start < 8 * column + 8 and 8 * column < s.end for s in w.spans))
        word = next(over, None)
        return 1.0 if word is None else self._fit(word).strength

    @property
    def _places(self) -> NextPlaces:
        return NextPlaces(tuple(self.words), self.page_bytes, self.code.parity_bits)

    def _next(self) -> Word | None:
        enough = NEARLY * self.first.strength
        best = self._best(self._places.likely(), margin=CLEARLY_STRONGER)
        if best is None or best[1].strength < enough:
            other = self._best(self._places.anywhere(), enough)
            if best is None or (other is not None and other[1].strength > best[1].strength + CLEARLY_STRONGER):
                best = other
        return None if best is None else self._shortest(*best)

    def _best(self, words: Iterable[Word], enough: float = 1.0, margin: float = 0.0) -> tuple[Word, Fit] | None:
        """The word that leaves the code the most of its strength: a strong code bears a word some bytes off its place.

        Args:
            words: the likeliest first.
            enough: strength with which the search ends.
            margin: strength by which a word must be better than those before it.
        """
        best: tuple[Word, Fit] | None = None
        least = LEAST_SHARE * self.first.share
        for number, word in enumerate(words):
            fit = self._fit(word)
            # Of equals the likelier one: a codeword without content decodes anywhere.
            fits = fit.share > least or (number == 0 and fit.share == least)
            if fits and (best is None or fit.strength > best[1].strength + margin):
                best = word, fit
                if fit.strength > enough:
                    break
        return best

    def _shortest(self, word: Word, fit: Fit) -> Word:
        """The word without metadata, if it fits as well: zeros before or behind a codeword are no part of it."""
        if len(word.message) == 1 or self.words[0].is_gathered or not self._tells(word.message[0]):
            return word
        bare = Word(word.message[:1], replace(word.parity, start=word.message[1].start))
        if self._fit(bare).strength >= fit.strength:
            return bare
        data, metadata = word.message[:2]
        # All zeros before it would leave metadata where the first codeword has them, before or behind the data.
        begins = range(data.start + 8, data.start + metadata.bits, 8) if self.words[0].is_in_line else ()
        shorter = self._best(self._places.bare(begins))
        return shorter[0] if shorter is not None and shorter[1].strength >= fit.strength - SHORTER else word

    def _fit(self, word: Word) -> Fit:
        """How well the word decodes; a few rows are enough to dismiss one."""
        chosen = self._telling(word.message[0], ROWS)
        if len(chosen) > FIRST_ROWS:
            few = self._decoded(word.spans, chosen[:: len(chosen) // FIRST_ROWS])
            if few.share == 0:
                return few
        return self._decoded(word.spans, chosen)

    def _decoded(self, spans: tuple[Span, ...], chosen: NDArray[np.int64]) -> Fit:
        _, errors = corrected(bits_at(self.rows[chosen], spans), self.code)
        return Fit.of(errors, self.code)

    def _telling(self, data: Span, most: int) -> NDArray[np.int64]:
        """Rows in which a codeword's data are neither nearly all zeros nor nearly all ones; any, if there are none."""
        chosen = self._with_content(data)
        chosen = chosen if len(chosen) >= FIRST_ROWS else np.arange(len(self.rows))
        return chosen[evenly(len(chosen), most)]

    def _tells(self, data: Span) -> bool:
        return len(self._with_content(data)) >= FIRST_ROWS

    def _with_content(self, data: Span) -> NDArray[np.int64]:
        return with_content(self.rows[:, data.start // 8 : -(-data.end // 8)])

    def _ordered(self, word: Word) -> tuple[tuple[Span, ...], Span]:
        """Metadata before the data, where the columns say so: the code itself cannot tell."""
        data = word.message[0]
        bits = word.metadata_bits
        if not (self.words[0].is_in_line and bits and data.start % 8 == 0 and bits % 8 == 0 and self._metadata_first):
            return word.message, word.parity
        swapped = (Span(Part.METADATA, data.start, bits), Span(Part.DATA, data.start + bits, data.bits))
        return swapped, word.parity

    @property
    def _metadata_first(self) -> bool:
        """Whether the columns before the first data differ less from page to page than those behind it."""
        first = self.words[0]
        size = first.metadata_bits // 8
        begin, end = first.message[0].start // 8, first.message[0].end // 8
        rows = self.rows[self._telling(first.message[0], 10 * ROWS)]
        density = densities(rows[1:] ^ rows[:-1])
        before, behind = float(density[begin : begin + size].mean()), float(density[end : end + size].mean())
        return before < behind - CLEARLY_QUIETER


def _in_step(rows: NDArray[np.uint8], spans: tuple[Span, ...], code: BchCode) -> NDArray[np.uint8]:
    """The rows that begin where pages do, if only a part of them does, going by their first codewords.

    Under half of the right page size every second row is half a page out of step. Rows at regular distances, of which a
    few are to tell whether a codeword is one, may then be out of step all together.
    """
    _, errors = corrected(bits_at(rows, spans), code)
    good = errors >= 0
    return rows[good] if FIRST_ROWS <= good.sum() < MOSTLY * len(rows) else rows


def _padded(word: Word) -> Word:
    """A parity that is followed by nothing in its last byte is stored in whole bytes."""
    return Word(word.message, replace(word.parity, bits=-(-word.parity.bits // 8) * 8))


def complete_page(rows: NDArray[np.uint8], found: FoundCode, page_bytes: int) -> PageLayout | None:
    """Find every codeword of a page.

    Args:
        rows: `uint8[rows, page_bytes]`, see `code.code_view`.
        found: the code and the first codeword.
        page_bytes: data and spare area together.

    Returns:
        None where some codeword cannot be found: then the page size or the window is wrong.
    """
    builder = PageBuilder(rows, found, page_bytes)
    layout = builder.complete()
    mark = data_bytes_of(page_bytes)
    if not builder.words[0].is_in_line or found.first[-1].end > 8 * mark:
        return layout
    if layout is not None and builder.strength_at(mark) >= NEARLY * builder.first.strength:
        return layout
    # The column of the bad-block marker stands in the way: the codeword there goes on behind it. Where that is near its
    # end, a strong code bears all bits behind the column a byte off their place.
    around = PageBuilder(np.delete(rows, mark, axis=1), found, page_bytes - 1)
    other = around.complete()
    if other is None or (layout is not None and around.strength_at(mark) <= builder.strength_at(mark)):
        return layout
    return _with_column(other, mark)


def _with_column(layout: PageLayout, column: int) -> PageLayout:
    """The layout with one more column that belongs to nothing."""
    words = tuple(
        Codeword(tuple(_around(codeword.message, 8 * column)), tuple(_around(codeword.parity, 8 * column)))
        for codeword in layout.codewords
    )
    return PageLayout(layout.page_bytes + 1, words, tuple(_around(layout.loose, 8 * column)))


def _around(spans: Iterable[Span], bit: int) -> Iterator[Span]:
    for span in spans:
        if span.end <= bit:
            yield span
        elif span.start >= bit:
            yield replace(span, start=span.start + 8)
        else:
            yield replace(span, bits=bit - span.start)
            yield Span(span.part, bit + 8, span.end - bit)
