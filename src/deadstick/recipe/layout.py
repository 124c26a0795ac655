"""Where each codeword's data, metadata and parity lie in a page.

A page is one stream of bits: bit `8 * column + i` is bit `i` of byte `column`, counted from the most significant
bit, or from the least significant one where the code takes its bits that way round (`Code.bit_order`). A layout is
a list of codewords; each names its pieces in the order in which the code sees them. That covers pieces in line,
parity in the spare area, parity gathered at the end, parity that is not byte-aligned, and a data byte that was
moved out of the way of a bad-block marker, all with the same few words.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

from deadstick.errors import RecipeError


class Part(StrEnum):
    """What a span of a page holds."""

    DATA = "data"
    """Bytes of the logical page."""
    METADATA = "metadata"
    """The controller's own bytes beside the data."""
    PARITY = "parity"
    """Check bits of the code."""


@dataclass(frozen=True, slots=True)
class Span:
    """A run of bits in a page.

    Attributes:
        part: what the run holds.
        start: first bit, in the page's bit stream.
        bits: length in bits, at least 1.
        target: first bit of the page's data, or of its metadata, that the run holds; None where it goes on behind
            the run of the same part before it. It says where a piece belongs that is not stored in its turn.
    """

    part: Part
    start: int
    bits: int
    target: int | None = None

    @property
    def end(self) -> int:
        """The bit after the last one."""
        return self.start + self.bits

    @property
    def is_byte_aligned(self) -> bool:
        """Whether the run begins and ends at byte borders."""
        return self.start % 8 == 0 and self.bits % 8 == 0

    @classmethod
    def of_bytes(cls, part: Part, column: int, length: int) -> "Span":
        """A run of whole bytes.

        >>> Span.of_bytes(Part.DATA, 4, 2)
        Span(part=<Part.DATA: 'data'>, start=32, bits=16, target=None)
        """
        return cls(part, 8 * column, 8 * length)


class Target(NamedTuple):
    """Where one span belongs.

    Attributes:
        part: data or metadata.
        source: its first bit in the message, or among the loose spans.
        bits: its length.
        first: its first bit in the page's data or metadata.
    """

    part: Part
    source: int
    bits: int
    first: int


@dataclass(frozen=True, slots=True)
class Codeword:
    """One codeword of a page.

    Attributes:
        message: data and metadata spans, in the order that the code sees them; a whole number of bytes in all.
        parity: parity spans in order; empty where the page has no code.
    """

    message: tuple[Span, ...]
    parity: tuple[Span, ...]

    @property
    def message_bits(self) -> int:
        """Bits that the code protects."""
        return sum(span.bits for span in self.message)

    @property
    def parity_bits(self) -> int:
        """Bits stored as parity, padding to a whole byte not counted in unless the layout stores it."""
        return sum(span.bits for span in self.parity)

    @property
    def spans(self) -> tuple[Span, ...]:
        """All spans: message, then parity."""
        return self.message + self.parity


@dataclass(frozen=True)
class PageLayout:
    """The pieces of one page.

    Attributes:
        page_bytes: data and spare area together.
        codewords: in the order of the data that they hold.
        loose: metadata spans outside the code's cover.

    Raises:
        RecipeError: spans overlap or leave the page, a message or the page's data is not a whole number of bytes,
            or the targets of the spans do not fill data and metadata without gap or overlap.
    """

    page_bytes: int
    codewords: tuple[Codeword, ...]
    loose: tuple[Span, ...] = ()

    def __post_init__(self) -> None:
        if not self.codewords:
            raise RecipeError("a page layout needs at least one codeword")
        for number, codeword in enumerate(self.codewords):
            if codeword.message_bits % 8 or not codeword.message_bits:
                raise RecipeError(
                    f"codeword {number} covers {codeword.message_bits} bits; it must be whole bytes, at least one"
                )
        _check_spans(self.spans, 8 * self.page_bytes)
        if self._bits(Part.DATA) % 8:
            raise RecipeError(f"the data of a page is {self._bits(Part.DATA)} bits; it must be whole bytes")
        _check_targets(self.targets)

    @property
    def spans(self) -> tuple[Span, ...]:
        """Every span of the page, codeword by codeword, loose metadata last."""
        return tuple(span for codeword in self.codewords for span in codeword.spans) + self.loose

    @cached_property
    def data_bytes(self) -> int:
        """Bytes of the logical page."""
        return self._bits(Part.DATA) // 8

    @cached_property
    def metadata_bits(self) -> int:
        """Bits of metadata in a page: covered ones codeword by codeword, then loose ones."""
        return self._bits(Part.METADATA)

    @property
    def metadata_bytes(self) -> int:
        """Bytes that hold `metadata_bits`."""
        return -(-self.metadata_bits // 8)

    @cached_property
    def targets(self) -> tuple[tuple[Target, ...], ...]:
        """Where each message span of each codeword belongs, with those of the loose spans as the last entry."""
        cursors = {Part.DATA: 0, Part.METADATA: 0}
        rows = [*(codeword.message for codeword in self.codewords), self.loose]
        return tuple(tuple(_targets(row, cursors)) for row in rows)

    @cached_property
    def is_byte_aligned(self) -> bool:
        """Whether every span begins and ends at byte borders."""
        return all(span.is_byte_aligned for span in self.spans)

    def _bits(self, part: Part) -> int:
        return sum(span.bits for span in self.spans if span.part is part)


def _targets(spans: tuple[Span, ...], cursors: dict[Part, int]) -> Iterator[Target]:
    source = 0
    for span in spans:
        first = cursors[span.part] if span.target is None else span.target
        yield Target(span.part, source, span.bits, first)
        cursors[span.part] = first + span.bits
        source += span.bits


def _check_targets(rows: Iterable[Iterable[Target]]) -> None:
    ends = {Part.DATA: 0, Part.METADATA: 0}
    for target in sorted((target for row in rows for target in row), key=lambda item: item.first):
        if target.first != ends[target.part]:
            raise RecipeError(
                f"a {target.part} span is to begin at bit {target.first} of the {target.part}, "
                f"where the spans before it end at {ends[target.part]}"
            )
        ends[target.part] += target.bits


def _check_spans(spans: Iterable[Span], page_bits: int) -> None:
    end = 0
    for span in sorted(spans, key=lambda item: item.start):
        if span.bits < 1 or span.start < 0 or span.end > page_bits:
            raise RecipeError(f"{span.part} at bit {span.start}, {span.bits} bits, leaves the page of {page_bits} bits")
        if span.start < end:
            raise RecipeError(f"{span.part} at bit {span.start} overlaps the span before it, which ends at {end}")
        end = span.end


def in_line(
    page_bytes: int, codewords: int, data: int, metadata: int, parity: int, *, metadata_first: bool = False
) -> PageLayout:
    """Data, metadata and parity of each codeword one after the other. All figures in bytes.

    >>> layout = in_line(2176, 2, 1024, 4, 42)
    >>> [span.start // 8 for span in layout.codewords[1].spans]
    [1070, 2094, 2098]
    """
    built = []
    for number in range(codewords):
        start = number * (data + metadata + parity)
        pieces = [(Part.METADATA, metadata), (Part.DATA, data)]
        message = _run(start, pieces if metadata_first else pieces[::-1])
        built.append(Codeword(message, _run(start + data + metadata, [(Part.PARITY, parity)])))
    return PageLayout(page_bytes, tuple(built))


def spare_groups(
    page_bytes: int,
    codewords: int,
    data: int,
    metadata: int,
    parity: int,
    *,
    offset: int = 0,
    stride: int = 0,
    covered: bool = True,
) -> PageLayout:
    """All data first; in the spare area one group of `[metadata, parity]` per codeword. All figures in bytes.

    Args:
        page_bytes: data and spare area together.
        codewords: codewords in a page.
        data: data bytes in a codeword.
        metadata: metadata bytes in a group.
        parity: parity bytes in a group.
        offset: unused bytes before the first group.
        stride: from one group to the next; 0 where they follow each other.
        covered: whether the code covers the metadata.
    """
    built, loose = [], []
    for number in range(codewords):
        group = codewords * data + offset + number * (stride or metadata + parity)
        message = _run(number * data, [(Part.DATA, data)])
        extra = _run(group, [(Part.METADATA, metadata)])
        if covered:
            message += extra
        else:
            loose += list(extra)
        built.append(Codeword(message, _run(group + metadata, [(Part.PARITY, parity)])))
    return PageLayout(page_bytes, tuple(built), tuple(loose))


def parity_gathered(page_bytes: int, codewords: int, data: int, metadata: int, parity: int) -> PageLayout:
    """All data, then all metadata, then all parity. All figures in bytes."""
    built = []
    for number in range(codewords):
        message = _run(number * data, [(Part.DATA, data)])
        message += _run(codewords * data + number * metadata, [(Part.METADATA, metadata)])
        start = codewords * (data + metadata) + number * parity
        built.append(Codeword(message, _run(start, [(Part.PARITY, parity)])))
    return PageLayout(page_bytes, tuple(built))


def bit_packed(
    page_bytes: int, metadata: int, codewords: int, data: int, parity_bits: int, *, marker: int | None = None
) -> PageLayout:
    """Metadata, then data and parity of each codeword one after the other, with parity that is no whole bytes.

    The metadata, in bytes, is covered by the first codeword.

    Args:
        page_bytes: data and spare area together.
        metadata: metadata bytes in a page.
        codewords: codewords in a page.
        data: data bytes in a codeword.
        parity_bits: parity bits of a codeword.
        marker: column of the bad-block marker, where that falls inside the data. The eight data bits there are
            stored in the first metadata byte, and the marker takes their place.

    >>> layout = bit_packed(2112, 10, 4, 512, 8 * 13)
    >>> layout.spans[-1].end                    # of 16896
    16880

    Raises:
        RecipeError: the marker does not fall inside one run of data, or there is no metadata byte to change with.
    """
    built = []
    cursor = 0
    for number in range(codewords):
        spans = []
        for part, length in (
            (Part.METADATA, 8 * metadata * (number == 0)),
            (Part.DATA, 8 * data),
            (Part.PARITY, parity_bits),
        ):
            spans.append(Span(part, cursor, length))
            cursor += length
        built.append(Codeword(tuple(span for span in spans[:2] if span.bits), (spans[2],)))
    layout = PageLayout(page_bytes, tuple(built))
    return layout if marker is None else with_marker(layout, marker)


def marker_in_data(layout: PageLayout, column: int) -> tuple[int, int]:
    """The byte of the page's data, and the bit in it, that is stored at the start of a column.

    Raises:
        RecipeError: the eight bits there are not all of one run of data.
    """
    for codeword, targets in zip(layout.codewords, layout.targets, strict=False):
        for span, target in zip(codeword.message, targets, strict=True):
            if span.part is Part.DATA and span.start <= 8 * column and 8 * column + 8 <= span.end:
                return divmod(target.first + 8 * column - span.start, 8)
    raise RecipeError(f"column {column} does not lie inside one run of data")


def with_marker(layout: PageLayout, column: int) -> PageLayout:
    """Change the first eight metadata bits with the eight data bits at a column of the page.

    Raises:
        RecipeError: the column does not lie inside one run of data, or the first codeword begins with no metadata.
    """
    bit = 8 * column
    byte, offset = marker_in_data(layout, bit // 8)
    moved = 8 * byte + offset
    first = layout.codewords[0].message[0]
    if first.part is not Part.METADATA:
        raise RecipeError("there is no metadata byte to change with the marker")
    codewords = []
    for codeword, targets in zip(layout.codewords, layout.targets, strict=False):
        message: list[Span] = []
        for span, target in zip(codeword.message, targets, strict=True):
            if span is first:
                message += [
                    Span(Part.DATA, span.start, 8, moved),
                    Span(Part.METADATA, span.start + 8, span.bits - 8, 8),
                ]
            elif span.part is Part.DATA and span.start <= bit < span.end:
                before, behind = bit - span.start, span.end - bit - 8
                message += [Span(Part.DATA, span.start, before, target.first), Span(Part.METADATA, bit, 8, 0)]
                message += [Span(Part.DATA, bit + 8, behind, moved + 8)]
            else:
                message.append(Span(span.part, span.start, span.bits, target.first))
        codewords.append(Codeword(tuple(span for span in message if span.bits), codeword.parity))
    places = zip(layout.loose, layout.targets[-1], strict=True)
    loose = tuple(Span(span.part, span.start, span.bits, target.first) for span, target in places)
    return PageLayout(layout.page_bytes, tuple(codewords), loose)


def _run(column: int, pieces: list[tuple[Part, int]]) -> tuple[Span, ...]:
    spans = []
    for part, length in pieces:
        if length:
            spans.append(Span.of_bytes(part, column, length))
        column += length
    return tuple(spans)
