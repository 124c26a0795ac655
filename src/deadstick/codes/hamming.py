"""The Hamming code of row and column parities over 256 or 512 bytes, as SmartMedia-time controllers use it.

A bit of the message has an address: its byte, then its bit in the byte. For each address bit there are two parities:
one over the message bits that have it clear, one over those that have it set. A single wrong message bit upsets exactly
one of each pair, which spells its address; two wrong bits upset pairs as a whole and are seen; three look like one.

Order and names of the parities: Linux Documentation/driver-api/mtd/nand_ecc.rst. Byte 0 holds the row parities rp7 to
rp0, byte 1 rp15 to rp8, byte 2 the column parities cp5 to cp0 and, over 512 bytes, rp17 and rp16; even numbers are the
parities over clear address bits. The driver (drivers/mtd/nand/ecc-sw-hamming.c) stores the complement, so that an
erased page is a codeword, and can swap bytes 0 and 1: neither is the code's matter.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from deadstick.codes.bch import Decoded
from deadstick.codes.kernels import hamming as kernels

Bytes = npt.NDArray[np.uint8]

PARITY_BYTES = 3


@dataclass(frozen=True)
class HammingCode:
    """The code that corrects one bit of a message of 256 or 512 bytes, or of its parity, and detects two.

    Attributes:
        message_bytes: 256 or 512.

    >>> code = HammingCode(256)
    >>> message = np.zeros((1, 256), np.uint8)
    >>> message[0, 5] = 0b1000                  # byte 5, bit 3: row address 00000101, column address 011
    >>> [f"{byte:08b}" for byte in code.encode(message)[0]]
    ['01100110', '01010101', '01101000']
    """

    message_bytes: Literal[256, 512] = 256

    def __post_init__(self) -> None:
        if self.message_bytes not in {256, 512}:
            raise ValueError(f"this code takes 256 or 512 message bytes, not {self.message_bytes}")

    @property
    def parity_bits(self) -> int:
        """Two for each address bit: 22 or 24."""
        return 22 if self.message_bytes == 256 else 24

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold the parity."""
        return PARITY_BYTES

    def encode(self, message: Bytes) -> Bytes:
        """Parity of each message: uint8[words, message_bytes] -> uint8[words, 3]; the bits not used are 0."""
        message = np.ascontiguousarray(message, np.uint8)
        if message.ndim != 2 or message.shape[1] != self.message_bytes:
            raise ValueError(f"expected the shape (words, {self.message_bytes}), not {message.shape}")
        parity = np.empty((len(message), PARITY_BYTES), np.uint8)
        kernels.parities(message, self.message_bytes, parity)
        return parity

    def remainder(self, words: Bytes, message_bytes: int) -> Bytes:
        """Computed parity plus stored parity of each word: uint8[words, 3], all zero for a codeword.

        Args:
            words: uint8[words, message_bytes + 3]; bits of the parity that are not used do not count.
            message_bytes: the code's own.
        """
        words = self._checked(words, message_bytes)
        total: Bytes = self.encode(words[:, :message_bytes]) ^ words[:, message_bytes:]
        total[:, 2] &= self._used
        return total

    def decode(self, words: Bytes, message_bytes: int) -> Decoded:
        """Correct at most one bit in each word.

        Args:
            words: uint8[words, message_bytes + 3]; bits of the parity that are not used do not count.
            message_bytes: the code's own.

        Returns:
            The corrected words, a copy, and 0 or 1 for each, -1 where more than one bit is wrong.
        """
        words = self._checked(words, message_bytes).copy()
        errors = np.empty(len(words), np.int16)
        kernels.correct(words, message_bytes, self.remainder(words, message_bytes), errors)
        return Decoded(words, errors)

    @property
    def _used(self) -> np.uint8:
        return np.uint8(0xFC if self.message_bytes == 256 else 0xFF)

    def _checked(self, words: Bytes, message_bytes: int) -> Bytes:
        words = np.ascontiguousarray(words, np.uint8)
        if message_bytes != self.message_bytes:
            raise ValueError(f"this code takes {self.message_bytes} message bytes, not {message_bytes}")
        if words.ndim != 2 or words.shape[1] != message_bytes + PARITY_BYTES:
            raise ValueError(f"expected the shape (words, {message_bytes + PARITY_BYTES}), not {words.shape}")
        return words
