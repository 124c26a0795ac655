"""Metadata that never change, of which nothing is left in the differences of pages: where else they may lie.

A word of a cyclic code may begin behind its zeros or end before them, so differences leave open how many metadata there
are before the data of a codeword, and in which of some columns that never differ they lie.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.page_size.geometry import data_bytes_of


def with_silent_metadata(layout: PageLayout) -> Iterator[PageLayout]:
    """Layouts that differences of pages cannot tell from this one, if some metadata never change.

    Where a byte changed its place with the marker's, the places of all others are known.
    """
    if any(span.target is not None for word in layout.codewords for span in word.message):
        return
    for silent in (_between_codewords(layout), _even(layout), _behind_the_marker(layout)):
        if silent is not None:
            yield silent


def _behind_the_marker(layout: PageLayout) -> PageLayout | None:
    """The layout in which metadata begin behind the column of the marker, where a byte behind them is unused.

    The marker is the same in all pages as well, and differences of pages have zeros in one place or in the other.
    """
    marker = end = 8 * data_bytes_of(layout.page_bytes)
    for span in sorted((s for word in layout.codewords for s in word.message), key=lambda s: s.start):
        end = span.end if span.part is Part.METADATA and span.start == end else end
    free = Span(Part.METADATA, end, 8)
    is_free = free.end <= 8 * layout.page_bytes and not any(_meets(free, word) for word in layout.codewords)
    if end == marker or not is_free:
        return None

    def moved(span: Span) -> Span:
        begins_behind = span.part is Part.METADATA and marker <= span.start < end
        return replace(span, start=span.start + 8) if begins_behind else span

    words = tuple(replace(word, message=tuple(map(moved, word.message))) for word in layout.codewords)
    loose = tuple(span for span in layout.loose if not any(_meets(span, word) for word in words))
    return replace(layout, codewords=words, loose=loose)


def _even(layout: PageLayout) -> PageLayout | None:
    """The layout in which each codeword has metadata before its data as the first one has, where there is room.

    Filler that never changes is zero in differences, and a word of a cyclic code may begin behind its zeros.
    """
    first = layout.codewords[0].message[0]
    if first.part is not Part.METADATA:
        return None
    ends = {span.end for word in layout.codewords for span in word.spans}

    def room(start: int) -> int:
        return start - max((end for end in ends if end <= start), default=0)

    # Unused bytes before the metadata lie before those of all codewords.
    unused = {room(word.message[0].start) for word in layout.codewords if word.message[0].part is Part.METADATA}
    words = [layout.codewords[0]]
    for word in layout.codewords[1:]:
        begin = word.message[0].start - first.bits
        left = room(word.message[0].start) - first.bits
        is_bare = all(span.part is Part.DATA for span in word.message)
        free = 0 <= left <= 8 or left in unused
        message = (Span(Part.METADATA, begin, first.bits), *word.message) if is_bare and free else word.message
        words.append(replace(word, message=message))
    loose = tuple(span for span in layout.loose if not any(_meets(span, word) for word in words))
    return replace(layout, codewords=tuple(words), loose=loose) if tuple(words) != layout.codewords else None


def _meets(span: Span, word: Codeword) -> bool:
    return any(span.start < other.end and other.start < span.end for other in word.spans)


def _between_codewords(layout: PageLayout) -> PageLayout | None:
    """The layout in which what lies between codewords in line is metadata before each of them.

    A word that is followed by zeros is one of a cyclic code a few bytes later, too; so the first codeword lies as far
    from the second as that from the third.
    """
    others = layout.codewords[1:]
    if len(others) < 2 or any(len(word.message) > 1 or len(word.parity) > 1 for word in others):
        return None
    starts = [word.message[0].start for word in others]
    pitch = starts[1] - starts[0]
    data, parity = others[0].message[0], others[0].parity[0]
    if any(after - before != pitch for before, after in pairwise(starts)) or data.end != parity.start:
        return None
    bits, first = pitch - (parity.end - data.start), starts[0] - pitch
    if bits <= 0 or bits % 8 or first < bits:
        return None
    words = []
    for start in (first, *starts):
        message = (Span(Part.METADATA, start - bits, bits), Span(Part.DATA, start, data.bits))
        words.append(Codeword(message, (Span(Part.PARITY, start + data.bits, parity.bits),)))
    return replace(layout, codewords=tuple(words), loose=())
