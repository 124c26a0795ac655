"""The error-correcting code of a recipe: which code, and how its bits are stored."""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode, bit_reverse

BitOrder = Literal["msb", "lsb"]

LOST = -1
"""Error count of a codeword that could not be corrected."""
ERASED = -2
"""Error count of a codeword in an erased page."""
UNCHECKED = -3
"""Error count of a codeword that no code protects."""


@dataclass(frozen=True)
class Code:
    """A binary BCH code and its stored form.

    Attributes:
        m: the field is GF(2^m).
        primitive_polynomial: bit i is the coefficient of x^i.
        t: errors that a codeword can bear.
        first_root: exponent of the first of the 2t consecutive roots.
        bit_order: which end of a byte holds the higher power of x.
        inverted: the whole page is stored as its complement.
        erased_is_codeword: the stored parity is masked so that an erased page is a codeword (the convention of
            Linux drivers/mtd/nand/ecc-sw-bch.c).
    """

    m: int
    primitive_polynomial: int
    t: int
    first_root: int = 1
    bit_order: BitOrder = "msb"
    inverted: bool = False
    erased_is_codeword: bool = False

    @cached_property
    def bch(self) -> BchCode:
        """The code without its stored form."""
        return BchCode(self.m, self.primitive_polynomial, self.t, self.first_root)

    @property
    def parity_bits(self) -> int:
        """Degree of the generator polynomial."""
        return self.bch.parity_bits

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold `parity_bits`."""
        return self.bch.parity_bytes

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
        mask: NDArray[np.uint8] = self.bch.encode(erased)[0] ^ np.uint8(0xFF)
        return mask

    def describe(self) -> str:
        """One line for a person.

        >>> Code(14, 0x402B, 40, bit_order="lsb").describe()
        'BCH over GF(2^14), primitive polynomial 0x402b, t = 40, least significant bit first'
        """
        end = "most" if self.bit_order == "msb" else "least"
        line = (
            f"BCH over GF(2^{self.m}), primitive polynomial {self.primitive_polynomial:#x}, t = {self.t}, "
            f"{end} significant bit first"
        )
        return line + (", inverted" if self.inverted else "") + (", parity masked" if self.erased_is_codeword else "")


def in_code_order(array: NDArray[np.uint8], order: BitOrder) -> NDArray[np.uint8]:
    """Bytes as the code takes them, most significant bit first; its own inverse. Any shape, uint8."""
    return bit_reverse(array) if order == "lsb" else array
