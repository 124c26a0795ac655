"""A recipe: everything that one controller did to its pages, able to do it and to undo it."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.flash.erased import erased_pages
from deadstick.recipe.code import ERASED, UNCHECKED, Code, in_code_order
from deadstick.recipe.gather import gather, scatter
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.scrambler import Scrambler
from deadstick.recipe.translation import IDENTITY, Translation

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class DecodedPages:
    """A batch of pages with the controller's work undone.

    Attributes:
        data: `uint8[pages, data_bytes]`; lost codewords as they were read, descrambled.
        metadata: `uint8[pages, metadata_bytes]`.
        errors: `int16[pages, codewords]`: bits corrected, or `LOST`, `ERASED`, `UNCHECKED`.
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

    Raises:
        RecipeError: the layout has no room for the code's parity, or none for its length.
    """

    pages_per_block: int
    layout: PageLayout
    code: Code | None
    scrambler: Scrambler | None = None
    translation: Translation = IDENTITY

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
            if codeword.message_bits + self.code.parity_bits > self.code.bch.length:
                raise RecipeError(
                    f"codeword {number} is longer than a code over GF(2^{self.code.m}) can be: "
                    f"{codeword.message_bits + self.code.parity_bits} of {self.code.bch.length} bits"
                )

    # Undo -----------------------------------------------------------------------------------------

    def decode(self, raw: Bytes, pages: NDArray[np.int64]) -> DecodedPages:
        """Undo the controller's work on a batch of pages.

        Args:
            raw: `uint8[pages, page_bytes]`, as read.
            pages: `int64[pages]`, their physical numbers, which choose the keystream.

        Returns:
            Data, metadata and error counts. Damage is in the counts; it raises nothing.
        """
        erased = erased_pages(raw)
        plain = self._descrambled(raw, pages) if self._is_scrambled("after_ecc") else raw
        plain = self._code_view(plain)
        data = np.empty((len(raw), self.layout.data_bytes), np.uint8)
        metadata_bits = np.zeros((len(raw), 8 * self.layout.metadata_bytes), np.uint8)
        errors = np.full((len(raw), len(self.layout.codewords)), UNCHECKED, np.int16)
        for group in self._groups:
            words, counts = self._decode_group(plain, group)
            errors[:, group] = counts
            for column, number in enumerate(group):
                self._place(words[:, column], number, data, metadata_bits)
        self._place_loose(plain, metadata_bits)
        errors[erased] = ERASED
        metadata = np.packbits(metadata_bits, axis=1)
        if self.code is not None:
            data = in_code_order(data, self.code.bit_order)
            metadata = in_code_order(metadata, self.code.bit_order)
        if self._is_scrambled("before_ecc"):
            data_key, metadata_key = self._key_parts
            index = self._index(pages)
            data ^= data_key[index]
            metadata ^= metadata_key[index]
        data[erased] = 0xFF
        metadata[erased] = 0xFF
        return DecodedPages(data, metadata, errors, erased)

    def _decode_group(self, plain: Bytes, group: list[int]) -> tuple[Bytes, NDArray[np.int16]]:
        first = self.layout.codewords[group[0]]
        message_bytes = first.message_bits // 8
        parity_bytes = self.code.parity_bytes if self.code else 0
        words = np.empty((len(plain), len(group), message_bytes + parity_bytes), np.uint8)
        for column, number in enumerate(group):
            codeword = self.layout.codewords[number]
            gather(plain, codeword.spans if self.code else codeword.message, words[:, column])
        if self.code is None:
            return words, np.full((len(plain), len(group)), UNCHECKED, np.int16)
        words[:, :, message_bytes:] ^= self.code.parity_mask(message_bytes)
        flat = words.reshape(-1, message_bytes + parity_bytes)
        decoded = self.code.bch.decode(flat, message_bytes)
        return decoded.words.reshape(words.shape), decoded.errors.reshape(len(plain), len(group))

    def _place(self, words: Bytes, number: int, data: Bytes, metadata_bits: Bytes) -> None:
        """Sort the spans of one corrected codeword into data and metadata."""
        cursor = 0
        for span, first in zip(self.layout.codewords[number].message, self._targets[number], strict=True):
            piece = Span(span.part, cursor, span.bits)
            if span.part is Part.DATA and piece.is_byte_aligned:
                data[:, first // 8 : (first + span.bits) // 8] = words[:, cursor // 8 : piece.end // 8]
            elif span.part is Part.DATA:
                raise RecipeError("a data span inside a message must begin and end at byte borders of the message")
            else:
                bits = np.unpackbits(words[:, cursor // 8 : -(-piece.end // 8)], axis=1)
                metadata_bits[:, first : first + span.bits] = bits[:, cursor % 8 : cursor % 8 + span.bits]
            cursor = piece.end

    def _place_loose(self, plain: Bytes, metadata_bits: Bytes) -> None:
        cursor = self.layout.metadata_bits - sum(span.bits for span in self.layout.loose)
        for span in self.layout.loose:
            first, last = span.start // 8, -(-span.end // 8)
            bits = np.unpackbits(plain[:, first:last], axis=1)
            metadata_bits[:, cursor : cursor + span.bits] = bits[:, span.start - 8 * first :][:, : span.bits]
            cursor += span.bits

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
            data_key, metadata_key = self._key_parts
            index = self._index(pages)
            data, metadata = data ^ data_key[index], metadata ^ metadata_key[index]
        if self.code is not None:
            data = in_code_order(data, self.code.bit_order)
            metadata = in_code_order(metadata, self.code.bit_order)
        plain = np.full((len(data), self.layout.page_bytes), filler, np.uint8)
        metadata_bits = np.unpackbits(metadata, axis=1)
        for number, codeword in enumerate(self.layout.codewords):
            message = self._message(number, data, metadata_bits)
            scatter(message, codeword.message, plain)
            if self.code is not None:
                parity = self.code.bch.encode(message) ^ self.code.parity_mask(message.shape[1])
                scatter(parity, codeword.parity, plain)
        cursor = self.layout.metadata_bits - sum(span.bits for span in self.layout.loose)
        for span in self.layout.loose:
            scatter(np.packbits(metadata_bits[:, cursor : cursor + span.bits], axis=1), [span], plain)
            cursor += span.bits
        raw = self._code_view(plain)
        return self._descrambled(raw, pages) if self._is_scrambled("after_ecc") else raw

    def _message(self, number: int, data: Bytes, metadata_bits: Bytes) -> Bytes:
        pieces = []
        for span, first in zip(self.layout.codewords[number].message, self._targets[number], strict=True):
            if span.part is Part.DATA:
                pieces.append(np.unpackbits(data[:, first // 8 : (first + span.bits) // 8], axis=1))
            else:
                pieces.append(metadata_bits[:, first : first + span.bits])
        return np.packbits(np.concatenate(pieces, axis=1), axis=1)

    # Shared ---------------------------------------------------------------------------------------

    def _is_scrambled(self, place: str) -> bool:
        return self.scrambler is not None and self.scrambler.place == place

    def _index(self, pages: NDArray[np.int64]) -> NDArray[np.int64]:
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        return self.scrambler.index(pages, self.pages_per_block)

    def _descrambled(self, raw: Bytes, pages: NDArray[np.int64]) -> Bytes:
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        return raw ^ self.scrambler.masks(self.layout)[self._index(pages)]

    def _code_view(self, pages: Bytes) -> Bytes:
        """Bits as the code sees them; its own inverse."""
        if self.code is None:
            return pages
        return in_code_order(~pages if self.code.inverted else pages, self.code.bit_order)

    @cached_property
    def _groups(self) -> list[list[int]]:
        """Codewords of equal length, which are decoded as one batch."""
        groups: dict[int, list[int]] = {}
        for number, codeword in enumerate(self.layout.codewords):
            groups.setdefault(codeword.message_bits, []).append(number)
        return list(groups.values())

    @cached_property
    def _targets(self) -> list[list[int]]:
        """For each message span the bit of the page's data, or of its metadata, where it begins."""
        cursors = {Part.DATA: 0, Part.METADATA: 0}
        return [list(self._advance(codeword, cursors)) for codeword in self.layout.codewords]

    @staticmethod
    def _advance(codeword: Codeword, cursors: dict[Part, int]) -> Iterator[int]:
        for span in codeword.message:
            yield cursors[span.part]
            cursors[span.part] += span.bits

    @cached_property
    def _key_parts(self) -> tuple[Bytes, Bytes]:
        """Keystreams of a scrambler before the ECC, sorted into data and metadata."""
        if self.scrambler is None:
            raise RecipeError("this recipe has no scrambler")
        masks = self.scrambler.masks(self.layout)
        spans = [span for codeword in self.layout.codewords for span in codeword.message]
        parts = []
        for part in (Part.DATA, Part.METADATA):
            chosen = [span for span in spans if span.part is part]
            chosen += [span for span in self.layout.loose if span.part is part]
            key = np.zeros((len(masks), -(-sum(span.bits for span in chosen) // 8)), np.uint8)
            gather(masks, chosen, key)
            parts.append(key)
        return parts[0], parts[1]

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
        }
