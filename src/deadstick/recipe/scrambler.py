"""The scrambler of a recipe: which keystream is added, to which bytes, and where it starts anew.

The scrambler is additive (synchronous): stored = plain XOR keystream, so one flipped bit stays one flipped bit.
It is kept as a rule (a shift register and one seed per keystream) or, where no rule was found, as stored keystreams.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.errors import RecipeError
from deadstick.recipe.code import BitOrder
from deadstick.recipe.layout import PageLayout, Part, Span

Place = Literal["after_ecc", "before_ecc"]
Restart = Literal["codeword", "page", "column"]


@dataclass(frozen=True)
class LfsrKeystreams:
    """Keystreams of one linear feedback shift register.

    Attributes:
        polynomial: characteristic polynomial, bit i is the coefficient of x^i (see `deadstick.codes.lfsr`).
        seeds: the state at the start of each keystream; 0, which no register runs on, where it is not known.
        bit_order: which end of a byte the register's output fills first.
        complement: the keystream is the complement of the register's output.
    """

    polynomial: int
    seeds: tuple[int, ...]
    bit_order: BitOrder = "lsb"
    complement: bool = False

    @property
    def count(self) -> int:
        """How many keystreams there are."""
        return len(self.seeds)

    @property
    def single_stages(self) -> "LfsrKeystreams":
        """The register from each state of a single one: sums of these keystreams are all that it can give."""
        width = self.polynomial.bit_length() - 1
        return replace(self, seeds=tuple(1 << bit for bit in range(width)), complement=False)

    @property
    def unknown(self) -> NDArray[np.bool_]:
        """`bool[count]`: keystreams that are not known; data under them is never proven."""
        return np.array([seed == 0 for seed in self.seeds], np.bool_)

    def table(self, length: int) -> NDArray[np.uint8]:
        """`uint8[count, length]`: the first `length` bytes of every keystream; zeros where it is not known."""
        states = np.array(self.seeds, np.uint64)
        stream = Lfsr(self.polynomial).keystream(states, length, self.bit_order)
        if self.complement:
            stream[~self.unknown] ^= 0xFF
        return stream

    def inverse(self) -> "LfsrKeystreams":
        """The complement of every keystream that is known."""
        return replace(self, complement=not self.complement)

    def take(self, numbers: Iterable[int]) -> "LfsrKeystreams":
        """Some of the keystreams, in another order or several times.

        >>> LfsrKeystreams(0b10011, (3, 5)).take([1, 0, 1]).seeds
        (5, 3, 5)
        """
        return replace(self, seeds=tuple(self.seeds[number] for number in numbers))


@dataclass(frozen=True)
class StoredKeystreams:
    """Keystreams without a known rule.

    Attributes:
        streams: one `bytes` per keystream, all of one length; empty where it is not known.
    """

    streams: tuple[bytes, ...]

    @property
    def count(self) -> int:
        """How many keystreams there are."""
        return len(self.streams)

    @property
    def unknown(self) -> NDArray[np.bool_]:
        """`bool[count]`: keystreams that are not known; data under them is never proven."""
        return np.array([not stream for stream in self.streams], np.bool_)

    def table(self, length: int) -> NDArray[np.uint8]:
        """`uint8[count, length]`: the first `length` bytes of every keystream; zeros where it is not known.

        Raises:
            RecipeError: more bytes are asked for than are stored.
        """
        if any(0 < len(stream) < length for stream in self.streams):
            raise RecipeError(f"a stored keystream is shorter than the {length} bytes that the layout needs")
        table = np.zeros((self.count, length), np.uint8)
        for row, stream in zip(table, self.streams, strict=True):
            if stream:
                row[:] = np.frombuffer(stream[:length], np.uint8)
        return table

    def inverse(self) -> "StoredKeystreams":
        """The complement of every keystream that is known."""
        return StoredKeystreams(tuple(bytes(byte ^ 0xFF for byte in stream) for stream in self.streams))

    def take(self, numbers: Iterable[int]) -> "StoredKeystreams":
        """Some of the keystreams, in another order or several times."""
        return StoredKeystreams(tuple(self.streams[number] for number in numbers))


@dataclass(frozen=True)
class Scrambler:
    """An additive scrambler.

    The keystream of a page is number `(page_step * page + block_step * block) mod count`, where `page` is the
    page's place in its block.

    Attributes:
        place: `after_ecc`: added to the stored codewords; `before_ecc`: added to the data before the code saw it.
        restart: `codeword`: starts anew at every codeword and runs over its covered spans, message then parity;
            `page`: starts at the page and runs over the covered spans of its codewords one after the other;
            `column`: starts at the page, and byte i of the keystream belongs to column i.
        keystreams: the rule or the table.
        covers: the parts that are scrambled.
        page_step: see above.
        block_step: see above.
    """

    place: Place
    restart: Restart
    keystreams: LfsrKeystreams | StoredKeystreams
    covers: frozenset[Part] = frozenset(Part)
    page_step: int = 1
    block_step: int = 0

    def index(self, pages: NDArray[np.int64], pages_per_block: int) -> NDArray[np.int64]:
        """Which keystream each page has.

        Args:
            pages: `int64[pages]`, physical page numbers.
            pages_per_block: to find place and block of each.

        Returns:
            `int64[pages]`.
        """
        block, place = np.divmod(pages, pages_per_block)
        index: NDArray[np.int64] = (self.page_step * place + self.block_step * block) % self.keystreams.count
        return index

    @cached_property
    def _masks(self) -> dict[PageLayout, NDArray[np.uint8]]:
        return {}

    def masks(self, layout: PageLayout) -> NDArray[np.uint8]:
        """The keystreams laid out like pages.

        Args:
            layout: where the codewords lie.

        Returns:
            `uint8[count, page_bytes]`: what is added to each column of a page; 0 where nothing is.

        Raises:
            RecipeError: the layout is not byte-aligned and the keystream does not go by columns.
        """
        if layout not in self._masks:
            positions = stream_positions(layout, self.restart, self.covers)
            table = self.keystreams.table(int(positions.max(initial=-1)) + 1)
            masks = np.zeros((self.keystreams.count, layout.page_bytes), np.uint8)
            masks[:, positions >= 0] = table[:, positions[positions >= 0]]
            self._masks[layout] = masks
        return self._masks[layout]

    def describe(self) -> str:
        """One line for a person."""
        place = self.place.replace("_ecc", " the ECC")
        parts = ", ".join(part for part in Part if part in self.covers)
        if isinstance(self.keystreams, LfsrKeystreams):
            width = self.keystreams.polynomial.bit_length() - 1
            rule = f"{width}-bit shift register, polynomial {self.keystreams.polynomial:#x}"
        else:
            rule = "stored keystreams"
        return (
            f"additive, {place}; {rule}; {self.keystreams.count} keystreams, restart at every {self.restart}; "
            f"over {parts}"
        )


def stream_positions(layout: PageLayout, restart: Restart, covers: frozenset[Part]) -> NDArray[np.int64]:
    """Which byte of the keystream belongs to each column of a page.

    Args:
        layout: where the codewords lie.
        restart: see `Scrambler`.
        covers: the parts that are scrambled.

    Returns:
        `int64[page_bytes]`; -1 where nothing is added.

    Raises:
        RecipeError: the layout is not byte-aligned and the keystream does not go by columns.
    """
    if restart == "column" and covers == frozenset(Part):
        return np.arange(layout.page_bytes, dtype=np.int64)
    positions = np.full(layout.page_bytes, -1, np.int64)
    if restart == "column":
        for span in _covered(layout.spans, covers):
            first, last = span.start // 8, -(-span.end // 8)
            positions[first:last] = np.arange(first, last)
        return positions
    if not layout.is_byte_aligned:
        raise RecipeError("a keystream over spans that are not byte-aligned must go by columns")
    clock = 0
    for codeword in layout.codewords:
        clock = 0 if restart == "codeword" else clock
        for span in _covered(codeword.spans, covers):
            positions[span.start // 8 : span.end // 8] = np.arange(clock, clock + span.bits // 8)
            clock += span.bits // 8
    return positions


def _covered(spans: tuple[Span, ...], covers: frozenset[Part]) -> tuple[Span, ...]:
    return tuple(span for span in spans if span.part in covers)
