"""From the first codeword to the whole page: every further one is found by decoding at the places where it may lie."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.code import FoundCode
from deadstick.solve.other_codes.found import loose_metadata
from deadstick.solve.spread import evenly
from deadstick.solve.structure import densities
from deadstick.solve.window import data_bytes_of
from deadstick.solve.words import bits_at, corrected, exact_spans

ROWS = 24
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
LOW_WEIGHT = 0.02
MOST_BETWEEN = 32
"""Unused bytes between codewords in line."""
CLEARLY_QUIETER = 0.1


@dataclass(frozen=True, slots=True)
class _Word:
    """One codeword: message spans and the parity."""

    message: tuple[Span, ...]
    parity: Span

    @property
    def spans(self) -> tuple[Span, ...]:
        return (*self.message, self.parity)


@dataclass(frozen=True, slots=True)
class _Fit:
    """How well some rows decode.

    Attributes:
        share: of the rows, those that decode.
        strength: the same with each weighed by what it has left of the code's strength.
    """

    share: float
    strength: float

    @classmethod
    def of(cls, errors: NDArray[np.int16], code: BchCode) -> "_Fit":
        """From the errors of each row, negative where it does not decode."""
        if not len(errors):
            return cls(0.0, 0.0)
        left = np.where(errors >= 0, 1 - errors / (code.t + 1), 0.0)
        return cls(float((errors >= 0).mean()), float(left.mean()))


class PageBuilder:
    """Finds the codewords of a page, one after the other."""

    def __init__(self, rows: NDArray[np.uint8], found: FoundCode, page_bytes: int) -> None:
        """Take rows as the code sees them, `uint8[rows, page_bytes]`, and the first codeword."""
        self.code, self.page_bytes = found.bch, page_bytes
        first = _Word(found.first[:-1], found.first[-1])
        self.rows = _in_step(rows, first.spans, found.bch)
        self.words = [first]
        self.message = first.message[0].bits
        self.data = 8 * data_bytes_of(page_bytes)
        self.count = max(1, self.data // self.message)
        self.in_line = first.message[0].end == (first.message[1:] or (first.parity,))[0].start
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
        return PageLayout(self.page_bytes, built, loose_metadata(self.rows, built))

    def _next(self) -> _Word | None:
        enough = NEARLY * self.first.strength
        best = self._best(self._likely(), margin=CLEARLY_STRONGER)
        if best is None or best[1].strength < enough:
            other = self._best(self._anywhere(), enough)
            if best is None or (other is not None and other[1].strength > best[1].strength + CLEARLY_STRONGER):
                best = other
        return None if best is None else self._shortest(*best)

    def _best(self, words: Iterable[_Word], enough: float = 1.0, margin: float = 0.0) -> tuple[_Word, "_Fit"] | None:
        """The word that leaves the code the most of its strength: a strong code bears a word some bytes off its place.

        Args:
            words: the likeliest first.
            enough: strength with which the search ends.
            margin: strength by which a word must be better than those before it.
        """
        best: tuple[_Word, _Fit] | None = None
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

    def _shortest(self, word: _Word, fit: "_Fit") -> _Word:
        """The word without metadata, if it fits as well: zeros before or behind a codeword are no part of it."""
        if len(word.message) == 1 or self._is_gathered or not self._tells(word.message[0]):
            return word
        bare = _Word(word.message[:1], replace(word.parity, start=word.message[1].start))
        if self._fit(bare).strength >= fit.strength:
            return bare
        data, metadata = word.message[:2]
        # All zeros before it would leave metadata where the first codeword has them, before or behind the data.
        begins = range(data.start + 8, data.start + metadata.bits, 8) if self.in_line else ()
        shorter = self._best(self._valid(self._word(b, b + self.message, 0, None) for b in begins))
        return shorter[0] if shorter is not None and shorter[1].strength >= fit.strength - SHORTER else word

    def _likely(self) -> Iterator[_Word]:
        """Places right behind the last codeword, or as far from it as it is from the one before."""
        last, first = self.words[-1], self.words[0]
        metadata = sum(span.bits for span in first.message[1:])
        ends = dict.fromkeys((-(-last.parity.end // 8) * 8, last.parity.end, -(-last.parity.end // 16) * 16))
        for bits in dict.fromkeys((sum(span.bits for span in last.message[1:]), metadata, 0)):
            for end in ends:
                if self.in_line:
                    gap = last.message[0].start - self.words[-2].parity.end if len(self.words) > 1 else None
                    for begin in dict.fromkeys((end if gap is None else last.parity.end + gap, end)):
                        yield from self._valid([self._word(begin, begin + self.message, bits, None)])
                elif self._is_gathered:
                    between = self._last_metadata
                    yield from self._valid([self._word(last.message[0].end, end, bits, between)])
                else:
                    step = last.parity.end - self.words[-2].parity.end if len(self.words) > 1 else 0
                    tail = (last.message[1:] or (last.parity,))[0].start
                    starts = [tail + step] if step else []
                    starts.append(end)
                    yield from self._valid([self._word(last.message[0].end, s, bits, None) for s in starts])

    def _anywhere(self) -> Iterator[_Word]:
        """Any place in the spare area, or in line behind some unused bytes."""
        last = self.words[-1]
        bits = sum(span.bits for span in self.words[0].message[1:])
        if self.in_line:
            end = -(-last.parity.end // 8) * 8
            begins = range(end + 8, end + 8 * MOST_BETWEEN + 1, 8)
            for covered in dict.fromkeys((bits, 0)):
                yield from self._valid([self._word(b, b + self.message, covered, None) for b in begins])
            return
        for covered in dict.fromkeys((bits, 0)):
            for start in range(self.data, 8 * self.page_bytes, 8):
                between = self._last_metadata if self._is_gathered and covered else None
                yield from self._valid([self._word(last.message[0].end, start, covered, between)])

    @property
    def _last_metadata(self) -> int:
        """The bit behind the last metadata."""
        return max(span.end for word in self.words for span in word.message[1:])

    @property
    def _is_gathered(self) -> bool:
        """Metadata of all codewords before the parity of all."""
        first = self.words[0]
        return len(first.message) > 1 and first.message[-1].end != first.parity.start

    def _word(self, begin: int, tail: int, metadata: int, between: int | None) -> _Word:
        message = [Span(Part.DATA, begin, self.message)]
        if metadata:
            message.append(Span(Part.METADATA, tail if between is None else between, metadata))
        first = tail + (metadata if between is None else 0)
        return _Word(tuple(message), Span(Part.PARITY, first, self.code.parity_bits))

    def _valid(self, words: Iterable[_Word]) -> Iterator[_Word]:
        end = 8 * self.page_bytes
        taken = [span for word in self.words for span in word.spans]
        for word in words:
            inside = all(span.start >= 0 and span.end <= end for span in word.spans)
            if inside and not any(
                one.start < span.end and span.start < one.end for one in taken for span in word.spans
            ):
                yield word

    def _fit(self, word: _Word) -> "_Fit":
        """How well the word decodes; a few rows are enough to dismiss one."""
        chosen = self._telling(word.message[0], ROWS)
        if len(chosen) > FIRST_ROWS:
            few = self._decoded(word.spans, chosen[:: len(chosen) // FIRST_ROWS])
            if few.share == 0:
                return few
        return self._decoded(word.spans, chosen)

    def _decoded(self, spans: tuple[Span, ...], chosen: NDArray[np.int64]) -> "_Fit":
        _, errors = corrected(bits_at(self.rows[chosen], spans), self.code)
        return _Fit.of(errors, self.code)

    def _telling(self, data: Span, most: int) -> NDArray[np.int64]:
        """Rows in which a codeword's data are neither nearly all zeros nor nearly all ones; any, if there are none."""
        chosen = self._with_content(data)
        chosen = chosen if len(chosen) >= FIRST_ROWS else np.arange(len(self.rows))
        return chosen[evenly(len(chosen), most)]

    def _tells(self, data: Span) -> bool:
        return len(self._with_content(data)) >= FIRST_ROWS

    def _with_content(self, data: Span) -> NDArray[np.int64]:
        return with_content(self.rows[:, data.start // 8 : -(-data.end // 8)])

    def _ordered(self, word: _Word) -> tuple[tuple[Span, ...], Span]:
        """Metadata before the data, where the columns say so: the code itself cannot tell."""
        data, *rest = word.message
        bits = sum(span.bits for span in rest)
        if not (self.in_line and bits and data.start % 8 == 0 and bits % 8 == 0 and self._metadata_first):
            return word.message, word.parity
        swapped = (Span(Part.METADATA, data.start, bits), Span(Part.DATA, data.start + bits, data.bits))
        return swapped, word.parity

    @property
    def _metadata_first(self) -> bool:
        """Whether the columns before the first data differ less from page to page than those behind it."""
        first = self.words[0]
        size = sum(span.bits for span in first.message[1:]) // 8
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


def _padded(word: _Word) -> _Word:
    """A parity that is followed by nothing in its last byte is stored in whole bytes."""
    return _Word(word.message, replace(word.parity, bits=-(-word.parity.bits // 8) * 8))


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
    if layout is None and builder.in_line and found.first[-1].end <= 8 * mark:
        # The column of the bad-block marker stands in the way: the codeword there goes on behind it.
        layout = PageBuilder(np.delete(rows, mark, axis=1), found, page_bytes - 1).complete()
        layout = None if layout is None else _with_column(layout, mark)
    return layout


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


def decoding_share(rows: NDArray[np.uint8], code: BchCode, layout: PageLayout) -> tuple[float, float]:
    """How well some rows decode, going by the codewords with content: a word of zeros decodes anywhere.

    A strong code also corrects words that are a few bytes off their place, only with more errors.

    Returns:
        The share of the codewords that decode, and the same with each weighed by what it has left of its strength.
    """
    shares, strengths = [], []
    for codeword in layout.codewords:
        words = bits_at(rows, exact_spans(codeword, code))
        words = words[with_content(words[:, : codeword.message_bits // 8])]
        words = words[evenly(len(words), 2 * ROWS)]
        if len(words):
            _, errors = corrected(words, code)
            fit = _Fit.of(errors, code)
            shares.append(fit.share)
            strengths.append(fit.strength)
    return (float(np.mean(shares)), float(np.mean(strengths))) if shares else (0.0, 0.0)


def with_content(messages: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Numbers of the rows of `uint8[rows, bytes]` that are neither nearly all zeros nor nearly all ones."""
    ones = np.bitwise_count(messages).sum(axis=1, dtype=np.int64) / (8 * messages.shape[1])
    return np.flatnonzero((ones > LOW_WEIGHT) & (ones < 1 - LOW_WEIGHT))
