"""A recipe: everything that one controller did to its pages, able to do it and to undo it."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.flash.erased import erased_pages, most_by_chance
from deadstick.recipe import kernels
from deadstick.recipe.blank import blank_pages
from deadstick.recipe.code import ERASED, UNCHECKED, Code, in_code_order
from deadstick.recipe.gather import Moves, moves_in_turn, table, turned
from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.scrambler import Scrambler
from deadstick.recipe.translation import IDENTITY, Translation

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class DecodedPages:
    """A batch of pages with the controller's work undone.

    Attributes:
        data: `uint8[pages, data_bytes]`; lost codewords as they were read, descrambled.
        metadata: `uint8[pages, metadata_bytes]`.
        errors: `int16[pages, codewords]`: bits (or symbols, see `Code.t`) corrected, or `LOST`, `ERASED`, `UNCHECKED`.
        erased: `bool[pages]`.
    """

    data: Bytes
    metadata: Bytes
    errors: NDArray[np.int16]
    erased: NDArray[np.bool_]


@dataclass(frozen=True)
class Recipe:
    """What a controller did, as data.

    Attributes:
        pages_per_block: pages in a physical block.
        layout: where the codewords lie.
        code: the error-correcting code; None where only the data is readable.
        scrambler: None where there is none.
        translation: from physical to logical blocks.
        interleave: how pages of chips and planes make one disk. `decode` and `encode` work on pages of one chip, where
            it changes nothing.

    Raises:
        RecipeError: the layout has no room for the code's parity, or none for its length.
    """

    pages_per_block: int
    layout: PageLayout
    code: Code | None
    scrambler: Scrambler | None = None
    translation: Translation = IDENTITY
    interleave: Interleave = NO_INTERLEAVE

    def __post_init__(self) -> None:
        if self.pages_per_block < 1:
            raise RecipeError(f"a block of {self.pages_per_block} pages is impossible")
        if self.code is None:
            return
        for number, codeword in enumerate(self.layout.codewords):
            if not self.code.parity_bits <= codeword.parity_bits <= 8 * self.code.parity_bytes:
                raise RecipeError(
                    f"codeword {number} has {codeword.parity_bits} parity bits; the code needs {self.code.parity_bits}"
                )
            complaint = self.code.complaint(codeword.message_bits)
            if complaint:
                raise RecipeError(f"codeword {number} {complaint}")

    # Undo -----------------------------------------------------------------------------------------

    def decode(self, raw: Bytes, pages: NDArray[np.int64]) -> DecodedPages:
        """Undo the controller's work on a batch of pages.

        Args:
            raw: `uint8[pages, page_bytes]`, as read.
            pages: `int64[pages]`, their physical numbers, which choose the keystream.

        Returns:
            Data, metadata and error counts. Damage is in the counts; it raises nothing.
        """
        erased = self._erased(raw, pages)
        if not erased.any():
            return DecodedPages(*self._decode_written(raw, pages), erased)
        # The code would only toil over erased pages, which under a scrambler are as good as noise.
        data = np.full((len(raw), self.layout.data_bytes), 0xFF, np.uint8)
        metadata = np.full((len(raw), self.layout.metadata_bytes), 0xFF, np.uint8)
        errors = np.full((len(raw), len(self.layout.codewords)), ERASED, np.int16)
        data[~erased], metadata[~erased], errors[~erased] = self._decode_written(raw[~erased], pages[~erased])
        return DecodedPages(data, metadata, errors, erased)

    def _erased(self, raw: Bytes, pages: NDArray[np.int64]) -> NDArray[np.bool_]:
        """`bool[pages]`: which pages hold nothing, by their zero bits or by their parity.

        A page with few zero bits may have been written all the same, if it holds little and its parity is short.
        Where parity does not settle it, such a page counts as written if all its codewords are free of errors and
        they say something else than a page of ones. So a page of short parity that was written and has a bit error as
        well can pass for erased: what lies there is UNWRITTEN to all that follows, which makes no file exact.
        Metadata that no code covers say something only if more of their bits are zeros than an erased page may have.
        """
        erased = erased_pages(raw)
        written = np.flatnonzero(~erased)
        erased[written[blank_pages(raw[written] if erased.any() else raw, self.layout, 1)]] = True
        unsure = np.flatnonzero(erased)
        unsure = unsure[(raw[unsure] != 0xFF).any(axis=1)]
        unsure = unsure[~blank_pages(raw[unsure], self.layout, 1)]
        if len(unsure) and self.code is not None:
            data, metadata, errors = self._decode_written(raw[unsure], pages[unsure])
            no_data, no_metadata, _ = self._decode_written(np.full_like(raw[unsure], 0xFF), pages[unsure])
            changed = metadata ^ no_metadata
            says = (data != no_data).any(axis=1) | (changed & ~self._loose_bits).any(axis=1)
            flipped = np.bitwise_count(changed & self._loose_bits).sum(axis=1, dtype=np.int64)
            says |= flipped > most_by_chance(int(np.bitwise_count(self._loose_bits).sum()))
            erased[unsure[(errors == 0).all(axis=1) & says]] = False
        return erased

    def _decode_written(self, raw: Bytes, pages: NDArray[np.int64]) -> tuple[Bytes, Bytes, NDArray[np.int16]]:
        view = self._view(raw, pages)
        data = np.empty((len(raw), self.layout.data_bytes), np.uint8)
        metadata = np.zeros((len(raw), self.layout.metadata_bytes), np.uint8)
        errors = np.full((len(raw), len(self.layout.codewords)), UNCHECKED, np.int16)
        for group in self._groups:
            words = view(group.from_page, group.row_bytes)
            if self.code is not None:
                words, errors[:, group.numbers] = self._corrected(words, group)
            kernels.move_bits(words, group.to_data, data)
            kernels.move_bits(words, group.to_metadata, metadata)
        if self.layout.loose:
            kernels.move_bits(view(*self._loose), self._loose_to_metadata, metadata)
        if self.code is not None and self.code.bit_order == "lsb":
            kernels.reverse_bits(data)
            kernels.reverse_bits(metadata)
        if self._is_scrambled("before_ecc"):
            data_key, metadata_key = self.keys
            index = self._index(pages)
            data ^= data_key[index]
            metadata ^= metadata_key[index]
            # The code has checked what was stored; without the keystream that proves nothing of the data.
            unsure = self._unknown_keystreams[index, None] & (errors >= 0)
            errors[unsure] = UNCHECKED
        return data, metadata, errors

    def _view(self, raw: Bytes, pages: NDArray[np.int64]) -> Callable[[Moves, int], Bytes]:
        """What the code sees of these pages: `view(moves, bytes)` -> `uint8[pages, bytes]`."""
        raw = np.ascontiguousarray(raw)
        masks, index = np.zeros((0, raw.shape[1]), np.uint8), pages
        if self.scrambler is not None and self.scrambler.place == "after_ecc":
            masks, index = self.scrambler.masks(self.layout), self._index(pages)
        flip = np.uint8(0xFF if self.code is not None and self.code.inverted else 0)
        reverse = self.code is not None and self.code.bit_order == "lsb"

        def view(moves: Moves, row_bytes: int) -> Bytes:
            rows = np.zeros((len(raw), row_bytes), np.uint8)
            scratch = np.empty(raw.shape[1], np.uint8)
            kernels.move_bits_of_view(raw, masks, index, flip, reverse, moves, scratch, rows)
            return rows

        return view

    def _corrected(self, rows: Bytes, group: "_Group") -> tuple[Bytes, NDArray[np.int16]]:
        if self.code is None:
            raise RecipeError("this recipe has no code")
        words = rows.reshape(-1, group.row_bytes // len(group.numbers))
        if self.code.erased_is_codeword:
            words[:, group.message_bytes :] ^= self.code.parity_mask(group.message_bytes)
        decoded = self.code.codec.decode(words, group.message_bytes)
        return decoded.words.reshape(rows.shape), decoded.errors.reshape(len(rows), len(group.numbers))

    def words(self, raw: Bytes, pages: NDArray[np.int64], number: int) -> Bytes:
        """One codeword of each page, as its code takes it.

        Args:
            raw: `uint8[pages, page_bytes]`, as read.
            pages: `int64[pages]`, their physical numbers.
            number: of the codeword in the page.

        Returns:
            `uint8[pages, message_bytes + parity_bytes]`. The exclusive or of the words of two pages depends on that of
            the pages alone.
        """
        moves, message_bytes, mask = self._word(number)
        words = self._view(raw, pages)(moves, message_bytes + len(mask))
        words[:, message_bytes:] ^= mask
        return words

    def page_bits(self, bits: Bytes, number: int) -> Bytes:
        """Where bits of a codeword lie in the page.

        Args:
            bits: `uint8[pages, message_bytes + parity_bytes]`, a 1 for every bit that is meant.
            number: of the codeword in the page.

        Returns:
            `uint8[pages, page_bytes]`, the same for the page as read.
        """
        pages = np.zeros((len(bits), self.layout.page_bytes), np.uint8)
        kernels.move_bits(np.ascontiguousarray(bits), turned(self._word(number)[0]), pages)
        return in_code_order(pages, self.code.bit_order if self.code else "msb")

    def _word(self, number: int) -> tuple[Moves, int, Bytes]:
        """Moves from the page to a codeword, its message bytes, and what is added to its parity."""
        if self.code is None:
            raise RecipeError("this recipe has no code")
        codeword = self.layout.codewords[number]
        message_bytes = codeword.message_bits // 8
        return moves_in_turn(codeword.spans), message_bytes, self.code.parity_mask(message_bytes)

    # Do -------------------------------------------------------------------------------------------

    def encode(self, data: Bytes, metadata: Bytes, pages: NDArray[np.int64], *, filler: int = 0xFF) -> Bytes:
        """Do the controller's work on a batch of pages.

        Args:
            data: `uint8[pages, data_bytes]`.
            metadata: `uint8[pages, metadata_bytes]`; bits beyond `metadata_bits` are left out.
            pages: `int64[pages]`, the physical pages that they are written to.
            filler: what columns without a span hold before scrambling.

        Returns:
            `uint8[pages, page_bytes]`.
        """
        if self._is_scrambled("before_ecc"):
            data_key, metadata_key = self.keys
            index = self._index(pages)
            data, metadata = data ^ data_key[index], metadata ^ metadata_key[index]
        if self.code is not None:
            data = in_code_order(data, self.code.bit_order)
            metadata = in_code_order(metadata, self.code.bit_order)
        data, metadata = np.ascontiguousarray(data), np.ascontiguousarray(metadata)
        plain = np.full((len(data), self.layout.page_bytes), filler, np.uint8)
        for group in self._groups:
            words = np.zeros((len(data), group.row_bytes), np.uint8)
            kernels.move_bits(data, turned(group.to_data), words)
            kernels.move_bits(metadata, turned(group.to_metadata), words)
            if self.code is not None:
                each = words.reshape(-1, group.row_bytes // len(group.numbers))
                parity = self.code.codec.encode(each[:, : group.message_bytes])
                each[:, group.message_bytes :] = parity ^ self.code.parity_mask(group.message_bytes)
            kernels.move_bits(words, turned(group.from_page), plain)
        if self.layout.loose:
            moves, row_bytes = self._loose
            loose = np.zeros((len(data), row_bytes), np.uint8)
            kernels.move_bits(metadata, turned(self._loose_to_metadata), loose)
            kernels.move_bits(loose, turned(moves), plain)
        raw = self._code_view(plain)
        return self._scrambled(raw, pages) if self._is_scrambled("after_ecc") else raw

    # Shared ---------------------------------------------------------------------------------------

    def _is_scrambled(self, place: str) -> bool:
        return self.scrambler is not None and self.scrambler.place == place

    def _index(self, pages: NDArray[np.int64]) -> NDArray[np.int64]:
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        return self.scrambler.index(pages, self.pages_per_block)

    def _scrambled(self, raw: Bytes, pages: NDArray[np.int64]) -> Bytes:
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        return raw ^ self.scrambler.masks(self.layout)[self._index(pages)]

    def _code_view(self, pages: Bytes) -> Bytes:
        """Bits as the code sees them; its own inverse."""
        if self.code is None:
            return pages
        return in_code_order(~pages if self.code.inverted else pages, self.code.bit_order)

    @cached_property
    def _groups(self) -> list["_Group"]:
        """Codewords of equal length, which are decoded as one batch."""
        groups: dict[int, list[int]] = {}
        for number, codeword in enumerate(self.layout.codewords):
            groups.setdefault(codeword.message_bits, []).append(number)
        parity_bytes = self.code.parity_bytes if self.code else 0
        return [_group(self.layout, numbers, parity_bytes) for numbers in groups.values()]

    @cached_property
    def _loose(self) -> tuple[Moves, int]:
        """The moves that put loose spans one after the other, and the bytes that they fill."""
        bits = sum(span.bits for span in self.layout.loose)
        return moves_in_turn(self.layout.loose), -(-bits // 8)

    @cached_property
    def _loose_to_metadata(self) -> Moves:
        return table((target.source, target.bits, target.first) for target in self.layout.targets[-1])

    @cached_property
    def _loose_bits(self) -> Bytes:
        """`uint8[metadata_bytes]`: ones where metadata are loose."""
        bits = np.zeros((1, self.layout.metadata_bytes), np.uint8)
        if self.layout.loose:
            kernels.move_bits(np.full((1, self._loose[1]), 0xFF, np.uint8), self._loose_to_metadata, bits)
        loose: Bytes = in_code_order(bits, self.code.bit_order if self.code else "msb")[0]
        return loose

    @cached_property
    def _unknown_keystreams(self) -> NDArray[np.bool_]:
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        return self.scrambler.keystreams.unknown

    @cached_property
    def keys(self) -> tuple[Bytes, Bytes]:
        """Keystreams of a scrambler before the ECC, sorted into data and metadata."""
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        order = self.code.bit_order if self.code else "msb"
        masks = in_code_order(self.scrambler.masks(self.layout), order)
        spans = [*(codeword.message for codeword in self.layout.codewords), self.layout.loose]
        keys = {
            Part.DATA: np.zeros((len(masks), self.layout.data_bytes), np.uint8),
            Part.METADATA: np.zeros((len(masks), self.layout.metadata_bytes), np.uint8),
        }
        for row, targets in zip(spans, self.layout.targets, strict=True):
            for span, target in zip(row, targets, strict=True):
                kernels.move_bits(masks, table([(span.start, span.bits, target.first)]), keys[span.part])
        return in_code_order(keys[Part.DATA], order), in_code_order(keys[Part.METADATA], order)

    def describe(self) -> dict[str, str]:
        """A line for each question that a recipe answers."""
        layout = self.layout
        first = layout.codewords[0]
        data = sum(span.bits for span in first.message if span.part is Part.DATA) // 8
        return {
            "page": f"{layout.page_bytes} bytes, of which {layout.data_bytes} data; {self.pages_per_block} a block",
            "layout": f"{len(layout.codewords)} codewords of {data} data bytes, {layout.metadata_bytes} metadata "
            f"bytes a page, {first.parity_bits} parity bits each",
            "code": self.code.describe() if self.code else "none found",
            "scrambler": self.scrambler.describe() if self.scrambler else "none",
            "translation": self.translation.describe(),
            "interleave": self.interleave.describe(),
        }


@dataclass(frozen=True)
class _Group:
    """Codewords of equal length. A row holds those of one page: message and parity of each, one after the other.

    Attributes:
        numbers: of the codewords in the page.
        message_bytes: of each.
        row_bytes: of all.
        from_page: moves from the page to the row.
        to_data: moves from the row to the page's data.
        to_metadata: moves from the row to the page's metadata.
    """

    numbers: list[int]
    message_bytes: int
    row_bytes: int
    from_page: Moves
    to_data: Moves
    to_metadata: Moves


def _group(layout: PageLayout, numbers: list[int], parity_bytes: int) -> _Group:
    message_bytes = layout.codewords[numbers[0]].message_bits // 8
    word_bytes = message_bytes + parity_bytes
    from_page: list[Moves] = []
    moves: dict[Part, list[tuple[int, int, int]]] = {Part.DATA: [], Part.METADATA: []}
    for place, number in enumerate(numbers):
        codeword, first = layout.codewords[number], 8 * place * word_bytes
        from_page.append(moves_in_turn(codeword.spans if parity_bytes else codeword.message, first))
        for target in layout.targets[number]:
            moves[target.part].append((first + target.source, target.bits, target.first))
    return _Group(
        numbers,
        message_bytes,
        len(numbers) * word_bytes,
        np.concatenate(from_page),
        table(moves[Part.DATA]),
        table(moves[Part.METADATA]),
    )
