"""The error-correcting code of a recipe: which code, and how its bits are stored."""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode, Decoded, bit_reverse
from deadstick.codes.hamming import HammingCode
from deadstick.codes.reed_solomon import Padding, ReedSolomonCode
from deadstick.errors import RecipeError

Bytes = NDArray[np.uint8]
BitOrder = Literal["msb", "lsb"]
Family = Literal["bch", "reed_solomon", "hamming"]

LOST = -1
"""Error count of a codeword that could not be corrected."""
ERASED = -2
"""Error count of a codeword in an erased page."""
UNCHECKED = -3
"""Error count of a codeword that no code protects."""


class Codec(Protocol):
    """What a recipe asks of a code, whatever its family. Bytes are taken most significant bit first."""

    @property
    def parity_bits(self) -> int:
        """Bits of parity in a codeword."""
        ...

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold them."""
        ...

    def encode(self, message: Bytes) -> Bytes:
        """Parity of each message: `uint8[words, message_bytes]` -> `uint8[words, parity_bytes]`."""
        ...

    def remainder(self, words: Bytes, message_bytes: int) -> Bytes:
        """What a word lacks to be a codeword, linear in the word: `uint8[words, parity_bytes]`, zeros for none."""
        ...

    def decode(self, words: Bytes, message_bytes: int) -> Decoded:
        """Corrected words, and for each the bits or symbols that were corrected, or `LOST`."""
        ...


@dataclass(frozen=True)
class Code:
    """An error-correcting code and its stored form; a binary BCH code unless `family` says otherwise.

    Attributes:
        m: the field is GF(2^m); for a Hamming code the message has 2^m bits, m being 11 or 12.
        primitive_polynomial: bit i is the coefficient of x^i; 0 for a Hamming code, which needs none.
        t: errors that a codeword can bear: bits, or symbols of m bits for a Reed-Solomon code.
        first_root: exponent of the first of the 2t consecutive roots.
        bit_order: which end of a byte holds the higher power of x, or the first bit of a symbol.
        inverted: the whole page is stored as its complement.
        erased_is_codeword: the stored parity is masked so that an erased page is a codeword (the convention of
            Linux drivers/mtd/nand/ecc-sw-bch.c and ecc-sw-hamming.c).
        family: see `codes.bch`, `codes.reed_solomon` and `codes.hamming`.
        padding: of a Reed-Solomon code: where the zeros stand that fill up its word and are not stored.

    Raises:
        RecipeError: there is no such code; it is raised as soon as the code is used.
    """

    m: int
    primitive_polynomial: int
    t: int
    first_root: int = 1
    bit_order: BitOrder = "msb"
    inverted: bool = False
    erased_is_codeword: bool = False
    family: Family = "bch"
    padding: Padding = "front"

    @classmethod
    def hamming(cls, message_bytes: int, *, inverted: bool = False, erased_is_codeword: bool = True) -> "Code":
        """The Hamming code over 256 or 512 bytes; the order of the parity bytes is the layout's matter.

        >>> Code.hamming(256).parity_bits
        22
        """
        return cls(
            (8 * message_bytes).bit_length() - 1,
            0,
            1,
            inverted=inverted,
            erased_is_codeword=erased_is_codeword,
            family="hamming",
        )

    @cached_property
    def codec(self) -> Codec:
        """The code without its stored form."""
        try:
            if self.family == "bch":
                return BchCode(self.m, self.primitive_polynomial, self.t, self.first_root)
            if self.family == "reed_solomon":
                return ReedSolomonCode(self.m, self.primitive_polynomial, self.t, self.first_root, self.padding)
            if (self.m, self.t) == (11, 1):
                return HammingCode(256)
            if (self.m, self.t) == (12, 1):
                return HammingCode(512)
        except ValueError as error:
            raise RecipeError(f"code: {error}") from error
        raise RecipeError(f"code: a Hamming code has m = 11 or 12 and t = 1, not m = {self.m} and t = {self.t}")

    @property
    def bch(self) -> BchCode:
        """The code without its stored form, where that is a binary BCH code.

        Raises:
            RecipeError: it is another one.
        """
        if not isinstance(self.codec, BchCode):
            raise RecipeError(f"no binary BCH code: {self.describe()}")
        return self.codec

    @property
    def parity_bits(self) -> int:
        """Bits of parity in a codeword: the degree of the generator polynomial, or what the family has instead."""
        return self.codec.parity_bits

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold `parity_bits`."""
        return self.codec.parity_bytes

    def parity_mask(self, message_bytes: int) -> NDArray[np.uint8]:
        """What is added to the parity before it is stored.

        Args:
            message_bytes: length of the message, which the mask depends on.

        Returns:
            `uint8[parity_bytes]`, most significant bit first.
        """
        if not self.erased_is_codeword:
            return np.zeros(self.parity_bytes, np.uint8)
        erased = np.full((1, message_bytes), 0xFF, np.uint8)
        mask: NDArray[np.uint8] = self.codec.encode(erased)[0] ^ np.uint8(0xFF)
        return mask

    def complaint(self, message_bits: int) -> str | None:
        """Why a message of this length cannot have this code; None if it can."""
        if self.family == "hamming":
            fits = message_bits == 1 << self.m
            return None if fits else f"has {message_bits // 8} message bytes; the code takes {(1 << self.m) // 8}"
        longest = (1 << self.m) - 1
        length, unit = message_bits + self.parity_bits, "bits"
        if self.family == "reed_solomon":
            length, unit = -(-message_bits // self.m) + 2 * self.t, "symbols"
        if length <= longest:
            return None
        return f"is longer than a code over GF(2^{self.m}) can be: {length} of {longest} {unit}"

    def describe(self) -> str:
        """One line for a person.

        >>> Code(14, 0x402B, 40, bit_order="lsb").describe()
        'BCH over GF(2^14), primitive polynomial 0x402b, t = 40, least significant bit first'
        >>> Code.hamming(512).describe()
        'Hamming, row and column parities over 512 bytes, parity masked'
        """
        line = f"Hamming, row and column parities over {(1 << self.m) // 8} bytes"
        if self.family != "hamming":
            end = "most" if self.bit_order == "msb" else "least"
            name, unit = ("BCH", "") if self.family == "bch" else ("Reed-Solomon", " symbols")
            roots = "" if self.first_root == 1 else f", roots from alpha^{self.first_root}"
            line = (
                f"{name} over GF(2^{self.m}), primitive polynomial {self.primitive_polynomial:#x}, t = {self.t}{unit}"
                f"{roots}, {end} significant bit first"
            )
        return line + (", inverted" if self.inverted else "") + (", parity masked" if self.erased_is_codeword else "")


def in_code_order(array: NDArray[np.uint8], order: BitOrder) -> NDArray[np.uint8]:
    """Bytes as the code takes them, most significant bit first; its own inverse. Any shape, uint8."""
    return bit_reverse(array) if order == "lsb" else array
