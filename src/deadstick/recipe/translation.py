"""Which physical block held which logical block, as the controller's own metadata bytes tell it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class BitField:
    """A number in the metadata bytes of a page.

    Attributes:
        first_byte: where it begins.
        length: how many bytes it spans, 1 to 4.
        byte_order: which byte is the low one.
        mask: the bits of that number which count.
    """

    first_byte: int
    length: int
    byte_order: Literal["little", "big"] = "little"
    mask: int = 0xFFFFFFFF

    @property
    def all_ones(self) -> int:
        """The value that an unprogrammed field reads."""
        return self.mask & ((1 << 8 * self.length) - 1)

    def read(self, metadata: NDArray[np.uint8]) -> NDArray[np.int64]:
        """The field's value in each row.

        Args:
            metadata: `uint8[pages, metadata_bytes]`.

        Returns:
            `int64[pages]`.

        >>> BitField(1, 2, "big", 0x3FF).read(np.array([[9, 0xFE, 0x07]], np.uint8))
        array([519])
        """
        places = range(self.first_byte, self.first_byte + self.length)
        values = np.zeros(len(metadata), np.int64)
        for place in places if self.byte_order == "big" else reversed(places):
            values = values << 8 | metadata[:, place]
        values &= self.all_ones
        return values

    def write(self, metadata: NDArray[np.uint8], values: NDArray[np.int64]) -> None:
        """Set the field in place; bits outside the mask stay.

        Args:
            metadata: `uint8[pages, metadata_bytes]`, changed.
            values: `int64[pages]`.
        """
        for place in range(self.length):
            shift = 8 * (place if self.byte_order == "little" else self.length - 1 - place)
            mask = (self.mask >> shift) & 0xFF
            column = metadata[:, self.first_byte + place]
            column[:] = (column & (0xFF ^ mask)) | ((values >> shift) & mask).astype(np.uint8)

    def describe(self) -> str:
        """One line for a person."""
        last = self.first_byte + self.length - 1
        where = f"byte {self.first_byte}" if self.length == 1 else f"bytes {self.first_byte} to {last}"
        order = "" if self.length == 1 else f", {self.byte_order}-endian"
        full = (1 << 8 * self.length) - 1
        return where + order + ("" if self.mask & full == full else f", mask {self.mask & full:#x}")


@dataclass(frozen=True, slots=True)
class Translation:
    """How physical blocks become logical ones.

    Attributes:
        kind: `identity`: logical page n is physical page n; `block`: every block carries its logical number.
        logical_number: the field with the logical block number (`block` only).
        version: the field that grows with every new copy of a logical block, where there is one.
    """

    kind: Literal["identity", "block"] = "identity"
    logical_number: BitField | None = None
    version: BitField | None = None

    def describe(self) -> str:
        """One line for a person."""
        if self.logical_number is None:
            return "identity"
        version = f"; version in {self.version.describe()}" if self.version else "; no version field"
        return f"block-mapped; logical number in metadata {self.logical_number.describe()}{version}"


IDENTITY = Translation()
"""Logical page n is physical page n."""
