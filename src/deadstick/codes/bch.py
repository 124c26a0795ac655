"""Binary BCH codes, systematic and shortened, as NAND controllers use them.

Lin and Costello, Error Control Coding, chapter 6. A codeword is message(x) x^r + parity(x), a multiple of the
generator g of degree r. Bytes are read MSB first, the first byte holds the highest powers; the parity stands
left-aligned in its bytes, with zero bits after it (the order of Linux lib/bch.c).
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from deadstick.codes import gf2poly
from deadstick.codes.bits import bit_reverse
from deadstick.codes.field import Field
from deadstick.codes.kernels import decode as decode_kernels
from deadstick.codes.kernels import remainder as remainder_kernels

__all__ = ["BchCode", "Decoded", "bit_reverse"]

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Decoded:
    """Result of `BchCode.decode`.

    Attributes:
        words: uint8[words, bytes], corrected; rows that could not be decoded are as given.
        errors: int16[words], number of corrected bits; -1 where the word could not be decoded.
    """

    words: Bytes
    errors: npt.NDArray[np.int16]


@dataclass(frozen=True)
class BchCode:
    """The binary BCH code with the roots alpha^first_root .. alpha^(first_root + 2 t - 1).

    Attributes:
        m: the code lives in GF(2^m), 3 to 16.
        primitive_polynomial: of alpha, bit i = coefficient of x^i.
        t: errors that it is designed to correct, 1 to 100.
        first_root: exponent of the first root; 1 is the narrow-sense code of nearly all controllers.

    >>> code = BchCode(m=13, primitive_polynomial=0x201B, t=8)
    >>> message = np.arange(512, dtype=np.uint8)[None]
    >>> word = np.hstack([message, code.encode(message)])
    >>> word[0, 100] ^= 0x18
    >>> decoded = code.decode(word, message_bytes=512)
    >>> int(decoded.errors[0]), np.array_equal(decoded.words[:, :512], message)
    (2, True)

    Raises:
        ValueError: a parameter is out of range, the polynomial is not primitive, or no message bit is left.
    """

    m: int
    primitive_polynomial: int
    t: int
    first_root: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.t <= 100:
            raise ValueError(f"t must be 1 to 100, not {self.t}")
        if not 0 <= self.first_root < 2**self.m - 1:
            raise ValueError(f"first_root must be 0 to {2**self.m - 2}, not {self.first_root}")
        if self.parity_bits >= self.length:
            raise ValueError(f"t = {self.t} leaves no message bit at length {self.length}")

    @cached_property
    def field(self) -> Field:
        """The field GF(2^m)."""
        return Field(self.m, self.primitive_polynomial)

    @cached_property
    def generator(self) -> int:
        """Generator polynomial: the product of the distinct minimal polynomials of the roots."""
        return _generator(self)

    @property
    def length(self) -> int:
        """Length 2^m - 1 in bits before shortening."""
        return 2**self.m - 1

    @cached_property
    def parity_bits(self) -> int:
        """Degree of the generator; it can be less than m t."""
        return gf2poly.degree(self.generator)

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold the parity."""
        return -(-self.parity_bits // 8)

    def encode(self, message: Bytes) -> Bytes:
        """Parity of each message: uint8[words, message_bytes] -> uint8[words, parity_bytes]."""
        message = self._checked(message, message.shape[-1])
        out = np.empty((message.shape[0], self.parity_bytes), dtype=np.uint8)
        table = _remainder_table(self)
        remainder_kernels.remainders(message, message.shape[1], self.parity_bits, False, table, out)
        return out

    def remainder(self, words: Bytes, message_bytes: int) -> Bytes:
        """Remainder of each word modulo the generator: uint8[words, parity_bytes], all zero for a codeword.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.
        """
        words = self._checked_words(words, message_bytes)
        out = np.empty((words.shape[0], self.parity_bytes), dtype=np.uint8)
        table = _remainder_table(self)
        remainder_kernels.remainders(words, message_bytes, self.parity_bits, True, table, out)
        return out

    def decode(self, words: Bytes, message_bytes: int) -> Decoded:
        """Correct up to `t` bit errors in each word.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.

        Returns:
            The corrected copy and the number of errors per word. A word is changed only into a codeword; errors
            that would lie in front of the shortened word make it undecodable.
        """
        words = self._checked_words(words, message_bytes).copy()
        errors = np.empty(words.shape[0], dtype=np.int16)
        decode_kernels.decode(
            words,
            message_bytes,
            self.parity_bits,
            self.t,
            self.first_root,
            _remainder_table(self),
            _syndrome_table(self),
            self.field.exp,
            self.field.log,
            errors,
        )
        return Decoded(words, errors)

    def _checked(self, words: Bytes, message_bytes: int) -> Bytes:
        words = np.ascontiguousarray(words, dtype=np.uint8)
        if words.ndim != 2:
            raise ValueError(f"expected two axes (words, bytes), not shape {words.shape}")
        if not 0 < 8 * message_bytes <= self.length - self.parity_bits:
            most = (self.length - self.parity_bits) // 8
            raise ValueError(f"this code takes 1 to {most} message bytes, not {message_bytes}")
        return words

    def _checked_words(self, words: Bytes, message_bytes: int) -> Bytes:
        words = self._checked(words, message_bytes)
        if words.shape[1] != message_bytes + self.parity_bytes:
            raise ValueError(
                f"a word has {message_bytes} + {self.parity_bytes} bytes in this code, not {words.shape[1]}"
            )
        return words


@lru_cache(maxsize=256)
def _generator(code: BchCode) -> int:
    order = code.length
    covered: set[int] = set()
    generator = 1
    for root in range(code.first_root, code.first_root + 2 * code.t):
        if root % order not in covered:
            covered |= {root * 2**i % order for i in range(code.m)}
            generator = gf2poly.multiply(generator, code.field.minimal_polynomial(root))
    return generator


def to_words(value: int, size: int) -> list[int]:
    """The `size` 64-bit words of a polynomial of degree below 64 size, highest first."""
    return [value >> (64 * i) & (2**64 - 1) for i in reversed(range(size))]


@lru_cache(maxsize=32)
def _remainder_table(code: BchCode) -> npt.NDArray[np.uint64]:
    """Flat uint64[8, 256, size] for `kernels.remainder`: b x^(8 place + 64 size) mod the aligned generator."""
    size = -(-code.parity_bits // 64)
    aligned = code.generator << (64 * size - code.parity_bits)
    table = np.zeros((8, 256, size), dtype=np.uint64)
    power = gf2poly.remainder(1 << (64 * size), aligned)
    for place in range(8):
        for bit in range(8):
            table[place, 1 << bit : 2 << bit] = table[place, : 1 << bit] ^ np.array(to_words(power, size), np.uint64)
            power = gf2poly.remainder(power << 1, aligned)
    table.flags.writeable = False
    return table.reshape(-1)


@lru_cache(maxsize=32)
def _syndrome_table(code: BchCode) -> npt.NDArray[np.uint16]:
    """Flat uint16[nibbles, 16, 2 t] for `kernels.decode`: what each nibble of the remainder adds to S_j."""
    exponents = np.arange(code.first_root, code.first_root + 2 * code.t)
    nibbles = -(-code.parity_bits // 4)
    table = np.zeros((nibbles, 16, exponents.size), dtype=np.uint16)
    for bit in range(4):
        power = code.parity_bits - 1 - np.arange(nibbles) * 4 - (3 - bit)
        row = code.field.exp[power[:, None] * exponents % code.length]
        row[power < 0] = 0
        table[:, 1 << bit : 2 << bit] = table[:, : 1 << bit] ^ row[:, None]
    return table.reshape(-1)
