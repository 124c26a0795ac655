"""Page layouts drawn at random: where data, metadata and parity of each codeword lie, and what is left unused."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, bit_packed
from deadstick.simulate.draw_ranges import Ranges, Shape

Marker = Literal["none", "swapped", "moved", "skipped"]
MOST_METADATA = 24
"""Of one codeword."""
LEAST_SPARE, SPARE_SHARE = 16, 3
"""The spare area has at least 1/64 of the data and at most a third: the parts of the ONFI era (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class PagePlan:
    """What is decided before the code is: it says how much room the parity has.

    Attributes:
        shape: family of the layout.
        data: bytes of the page.
        message: data bytes of one codeword.
        metadata: metadata bytes of the first codeword.
        first_only: whether the other codewords have none.
        covered: whether the code covers the metadata.
    """

    shape: Shape
    data: int
    message: int
    metadata: int
    first_only: bool
    covered: bool

    @property
    def count(self) -> int:
        """Codewords of a page."""
        return self.data // self.message

    @property
    def longest(self) -> int:
        """Bytes of the longest message."""
        return self.message + (self.metadata if self.covered else 0)

    def metadata_of(self, number: int) -> int:
        """Metadata bytes of one codeword."""
        return self.metadata if number == 0 or not self.first_only else 0

    @property
    def all_metadata(self) -> int:
        """Metadata bytes of a page."""
        return sum(self.metadata_of(number) for number in range(self.count))

    def room(self, ranges: Ranges) -> int:
        """Bytes that the parity of one codeword may have."""
        return (self.most_spare(ranges) - self.all_metadata - 4) // self.count

    def most_spare(self, ranges: Ranges) -> int:
        """Bytes of the largest spare area."""
        return min(ranges.spare_most, self.data // SPARE_SHARE)


def draw_plan(rng: np.random.Generator, ranges: Ranges, page_data: int, fields: int) -> PagePlan:
    """Draw family and sizes.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        page_data: bytes.
        fields: metadata bytes that the first codeword needs for the fields of the translation.
    """
    message = min(page_data, int(rng.choice(ranges.codeword_data)))
    shape = ranges.shapes[int(rng.integers(len(ranges.shapes)))]
    first_only = bool(rng.random() < ranges.first_only_share) or shape == "bit-packed"
    most = MOST_METADATA if first_only else min(MOST_METADATA, 8 * message // 512)
    metadata = int(rng.integers(fields, max(fields, most) + 1))
    # Half of the controllers without fields of their own have no metadata at all.
    if not fields and rng.random() < 0.4:
        metadata = 0
    covered = shape != "spare groups" or bool(rng.random() < 0.75)
    return PagePlan(shape, page_data, message, metadata, first_only, covered)


def draw_layout(
    rng: np.random.Generator, ranges: Ranges, plan: PagePlan, parity_bits: int
) -> tuple[PageLayout, Marker]:
    """Draw the places, now that the parity is known.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        plan: family and sizes.
        parity_bits: of one codeword; rounded up to bytes but for bit-packed pages.

    Returns:
        The layout, and what became of the column of the bad-block marker. That is the first one of the spare area.
    """
    keeps_marker = bool(rng.random() < ranges.marker_share)
    used = _bytes_used(plan, parity_bits)
    if plan.shape == "bit-packed":
        swapped = keeps_marker and plan.metadata > 0 and _is_data_when_packed(plan, parity_bits)
        page = plan.data + _draw_spare(rng, ranges, plan, used)
        marker = plan.data if swapped else None
        layout = bit_packed(page, plan.metadata, plan.count, plan.message, parity_bits, marker=marker)
        return layout, "swapped" if swapped else "none"
    free = plan.most_spare(ranges) - used
    offset = int(rng.integers(0, min(4, free) + 1)) if plan.shape == "spare groups" else 0
    pad = 0
    if plan.count > 1 and free - offset >= 4 * plan.count and rng.random() < 0.3:
        pad = int(rng.integers(1, 5))  # unused bytes behind the parity of each codeword
    used += offset + pad * plan.count
    page = plan.data + used
    layout = _byte_layout(plan, -(-parity_bits // 8), offset, pad)
    marker_form: Marker = "none"
    if keeps_marker and used < plan.most_spare(ranges):
        layout, marker_form = _with_free_marker(rng, layout, plan.data)
        page = max(page, layout.page_bytes)
    spare = _draw_spare(rng, ranges, plan, page - plan.data)
    return replace(layout, page_bytes=plan.data + spare), marker_form


def _bytes_used(plan: PagePlan, parity_bits: int) -> int:
    if plan.shape == "bit-packed":
        return plan.all_metadata + -(-parity_bits * plan.count // 8)
    return plan.all_metadata + plan.count * -(-parity_bits // 8)


def _draw_spare(rng: np.random.Generator, ranges: Ranges, plan: PagePlan, used: int) -> int:
    """Bytes of the spare area: hardly more than is used, or up to the largest; even, as chips are made."""
    least = max(used, plan.data // 64, LEAST_SPARE)
    most = min(plan.most_spare(ranges), least + ranges.unused_most)
    spare = least
    if rng.random() < 0.7:
        # Few unused bytes are likelier than many.
        spare += int((most - least) * rng.random() ** 3)
    return spare + spare % 2


def _byte_layout(plan: PagePlan, parity: int, offset: int, pad: int) -> PageLayout:
    """The layout with its pieces at their places, as large as it must be."""
    codewords, loose = [], []
    place = _Places(plan, parity, offset, pad)
    for number in range(plan.count):
        metadata = plan.metadata_of(number)
        data = Span.of_bytes(Part.DATA, place.data(number), plan.message)
        extra = [Span.of_bytes(Part.METADATA, place.metadata(number), metadata)] if metadata else []
        message = [*extra, data] if plan.shape == "metadata first" else [data, *extra]
        if not plan.covered:
            message = [data]
            loose += extra
        codewords.append(Codeword(tuple(message), (Span.of_bytes(Part.PARITY, place.parity(number), parity),)))
    end = max(span.end for codeword in codewords for span in codeword.spans) // 8 + pad
    return PageLayout(max(end, plan.data), tuple(codewords), tuple(loose))


@dataclass(frozen=True, slots=True)
class _Places:
    """First columns of the pieces of each codeword."""

    plan: PagePlan
    parity_bytes: int
    offset: int
    pad: int

    def _before(self, number: int) -> int:
        """Bytes of metadata, parity and padding of the codewords before."""
        metadata = sum(self.plan.metadata_of(other) for other in range(number))
        return metadata + number * (self.parity_bytes + self.pad)

    def data(self, number: int) -> int:
        first = number * self.plan.message
        if self.plan.shape == "in line":
            return first + self._before(number)
        if self.plan.shape == "metadata first":
            return first + self._before(number) + self.plan.metadata_of(number)
        return first

    def metadata(self, number: int) -> int:
        if self.plan.shape == "in line":
            return self.data(number) + self.plan.message
        if self.plan.shape == "metadata first":
            return self.data(number) - self.plan.metadata_of(number)
        if self.plan.shape == "gathered":
            return self.plan.data + sum(self.plan.metadata_of(other) for other in range(number))
        return self.plan.data + self.offset + self._before(number)

    def parity(self, number: int) -> int:
        if self.plan.shape == "gathered":
            return self.plan.data + self.plan.all_metadata + number * (self.parity_bytes + self.pad)
        behind = self.plan.message if self.plan.shape == "metadata first" else self.plan.metadata_of(number)
        start = self.data(number) if self.plan.shape == "metadata first" else self.metadata(number)
        return start + behind


def _is_data_when_packed(plan: PagePlan, parity_bits: int) -> bool:
    """Whether all eight bits of the first spare column are data of one codeword of a bit-packed page."""
    bit = 8 * plan.data - 8 * plan.metadata
    number, place = divmod(bit, 8 * plan.message + parity_bits)
    return bit >= 0 and number < plan.count and place + 8 <= 8 * plan.message


def _with_free_marker(rng: np.random.Generator, layout: PageLayout, column: int) -> tuple[PageLayout, Marker]:
    """Keep a column free for the marker, if data or parity falls there: its byte moves to the end, or all moves on."""
    owner = next((s for s in layout.spans if s.start <= 8 * column and 8 * column + 8 <= s.end), None)
    if owner is None:
        return layout, "none"
    moves = owner.part is Part.DATA and rng.random() < 0.5
    new_page = max(layout.page_bytes, column + 1) + 1

    def pieces(span: Span) -> Iterator[Span]:
        if moves:
            return _moved(span, 8 * column, 8 * (new_page - 1))
        return _skipped(span, 8 * column)

    def row(spans: Iterable[Span]) -> tuple[Span, ...]:
        return tuple(piece for span in spans for piece in pieces(span) if piece.bits)

    codewords = tuple(Codeword(row(codeword.message), row(codeword.parity)) for codeword in layout.codewords)
    return PageLayout(new_page, codewords, row(layout.loose)), "moved" if moves else "skipped"


def _moved(span: Span, bit: int, elsewhere: int) -> Iterator[Span]:
    """The span with its byte at `bit`, if it has one there, read from elsewhere."""
    if not span.start <= bit < span.end:
        yield span
        return
    yield Span(span.part, span.start, bit - span.start)
    yield Span(span.part, elsewhere, 8)
    yield Span(span.part, bit + 8, span.end - bit - 8)


def _skipped(span: Span, bit: int) -> Iterator[Span]:
    """The span with all from `bit` on one byte further back."""
    before = min(span.bits, max(0, bit - span.start))
    yield Span(span.part, span.start, before)
    yield Span(span.part, span.start + before + 8, span.bits - before)
