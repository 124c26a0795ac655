"""Where may the next codeword of a page lie, as those that were found tell?

Likely places are right behind the last codeword, to the bit, the byte or two bytes, and as far from it as it is from
the one before; then any place in the spare area, or in line behind some unused bytes.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from deadstick.recipe.layout import Part, Span
from deadstick.solve.page_size.geometry import data_bytes_of

MOST_BETWEEN = 32
"""Unused bytes between codewords in line."""


@dataclass(frozen=True, slots=True)
class Word:
    """One codeword.

    Attributes:
        message: its spans, the data first, then metadata if there are any.
        parity: its parity.
    """

    message: tuple[Span, ...]
    parity: Span

    @property
    def spans(self) -> tuple[Span, ...]:
        """All of it in the order of the code."""
        return (*self.message, self.parity)

    @property
    def tail(self) -> int:
        """The bit at which what follows the data begins."""
        return self.spans[1].start

    @property
    def is_in_line(self) -> bool:
        """Whether metadata or parity follow right behind the data."""
        return self.message[0].end == self.tail

    @property
    def is_gathered(self) -> bool:
        """Metadata of all codewords before the parity of all."""
        return len(self.message) > 1 and self.message[-1].end != self.parity.start

    @property
    def metadata_bits(self) -> int:
        """Metadata in its message."""
        return sum(span.bits for span in self.message[1:])


@dataclass(frozen=True, slots=True)
class NextPlaces:
    """Places for the codeword behind those of a page that were found.

    Attributes:
        words: found so far, at least one.
        page_bytes: data and spare area together.
        parity_bits: of a codeword.
    """

    words: tuple[Word, ...]
    page_bytes: int
    parity_bits: int

    def likely(self) -> Iterator[Word]:
        """Places right behind the last codeword, or as far from it as it is from the one before."""
        last, first = self.words[-1], self.words[0]
        ends = dict.fromkeys((-(-last.parity.end // 8) * 8, last.parity.end, -(-last.parity.end // 16) * 16))
        for bits in dict.fromkeys((last.metadata_bits, first.metadata_bits, 0)):
            for end in ends:
                if first.is_in_line:
                    gap = last.message[0].start - self.words[-2].parity.end if len(self.words) > 1 else None
                    for begin in dict.fromkeys((end if gap is None else last.parity.end + gap, end)):
                        yield from self._valid([self._word(begin, begin + self._data_bits, bits, None)])
                elif first.is_gathered:
                    between = self._last_metadata
                    yield from self._valid([self._word(last.message[0].end, end, bits, between)])
                else:
                    step = last.parity.end - self.words[-2].parity.end if len(self.words) > 1 else 0
                    starts = [last.tail + step] if step else []
                    starts.append(end)
                    yield from self._valid([self._word(last.message[0].end, s, bits, None) for s in starts])

    def anywhere(self) -> Iterator[Word]:
        """Any place in the spare area, or in line behind some unused bytes."""
        last, first = self.words[-1], self.words[0]
        bits = first.metadata_bits
        if first.is_in_line:
            end = -(-last.parity.end // 8) * 8
            begins = range(end + 8, end + 8 * MOST_BETWEEN + 1, 8)
            for covered in dict.fromkeys((bits, 0)):
                yield from self._valid([self._word(b, b + self._data_bits, covered, None) for b in begins])
            return
        for covered in dict.fromkeys((bits, 0)):
            for start in range(8 * data_bytes_of(self.page_bytes), 8 * self.page_bytes, 8):
                between = self._last_metadata if first.is_gathered and covered else None
                yield from self._valid([self._word(last.message[0].end, start, covered, between)])

    def bare(self, begins: Iterable[int]) -> Iterator[Word]:
        """Words in line without metadata that begin at such bits."""
        yield from self._valid(self._word(begin, begin + self._data_bits, 0, None) for begin in begins)

    @property
    def _data_bits(self) -> int:
        return self.words[0].message[0].bits

    @property
    def _last_metadata(self) -> int:
        """The bit behind the last metadata."""
        return max(span.end for word in self.words for span in word.message[1:])

    def _word(self, begin: int, tail: int, metadata: int, between: int | None) -> Word:
        """A word whose tail begins at a bit; its metadata stand there, too, or from the bit `between` on."""
        message = [Span(Part.DATA, begin, self._data_bits)]
        if metadata:
            message.append(Span(Part.METADATA, tail if between is None else between, metadata))
        first = tail + (metadata if between is None else 0)
        return Word(tuple(message), Span(Part.PARITY, first, self.parity_bits))

    def _valid(self, words: Iterable[Word]) -> Iterator[Word]:
        """Those that lie in the page and on no word found so far."""
        end = 8 * self.page_bytes
        taken = [span for word in self.words for span in word.spans]
        for word in words:
            inside = all(span.start >= 0 and span.end <= end for span in word.spans)
            if inside and not any(
                one.start < span.end and span.start < one.end for one in taken for span in word.spans
            ):
                yield word
