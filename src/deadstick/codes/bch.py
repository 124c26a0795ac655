"""Binary BCH codes, systematic and shortened, as NAND controllers use them.

Lin and Costello, Error Control Coding, chapter 6. A codeword is message(x) x^r + parity(x), a multiple of the
generator g of degree r. Bytes are read MSB first, the first byte holds the highest powers; the parity stands
left-aligned in its bytes, with zero bits after it (the order of Linux lib/bch.c).
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from deadstick.codes import affine, carryless, gf2poly, matrix_tables, tables
from deadstick.codes.bits import bit_reverse
from deadstick.codes.field import Field
from deadstick.codes.kernels import decode as decode_kernels
from deadstick.codes.kernels import folding
from deadstick.codes.kernels import matrices as by_matrices
from deadstick.codes.kernels import remainder as slicing

__all__ = ["BchCode", "Decoded", "bit_reverse"]

Bytes = npt.NDArray[np.uint8]

_BATCH = 1024
"""Words at a time: their bytes are still in the cache when the decoder comes back to correct them."""


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
        Field(self.m, self.primitive_polynomial)  # raises where these two are wrong
        if not 1 <= self.t <= 100:
            raise ValueError(f"t must be 1 to 100, not {self.t}")
        if not 0 <= self.first_root < self.length:
            raise ValueError(f"first_root must be 0 to {self.length - 1}, not {self.first_root}")
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
        return (1 << self.m) - 1

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
        return self._remainders(message, message.shape[1], with_parity=False)

    def remainder(self, words: Bytes, message_bytes: int) -> Bytes:
        """Remainder of each word modulo the generator: uint8[words, parity_bytes], all zero for a codeword.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.
        """
        return self._remainders(self._checked_words(words, message_bytes), message_bytes, with_parity=True)

    def decode(self, words: Bytes, message_bytes: int, *, out: Bytes | None = None) -> Decoded:
        """Correct up to `t` bit errors in each word.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.
            out: where to put the corrected words (C-contiguous, same shape); it may be `words` itself.

        Returns:
            The corrected words, a copy unless `out` is given, and the number of errors per word. A word is changed
            only into a codeword; errors that would lie in front of the shortened word make it undecodable.
        """
        words = self._checked_words(words, message_bytes)
        out = _prepared(words, out)
        errors = np.empty(out.shape[0], dtype=np.int16)
        for first in range(0, out.shape[0], _BATCH):
            batch = slice(first, first + _BATCH)
            self._correct(out[batch], message_bytes, errors[batch])
        return Decoded(out, errors)

    def _correct(self, words: Bytes, message_bytes: int, errors: npt.NDArray[np.int16]) -> None:
        """Decode in place, by the way that this CPU can."""
        length = 8 * message_bytes + self.parity_bits
        registers = self._registers(words, message_bytes, with_parity=True)
        field = _logarithms(self.field)
        proof, syndromes = _proof(self, length), _syndrome_table(self)
        decode: Any  # the two differ in their last tables
        special: tuple[npt.NDArray[Any], ...]
        if affine.VECTOR_BITS:
            decode, special = by_matrices.decode, _matrices(self.field, self.t)
        else:
            decode, special = decode_kernels.decode, _sieve_tables(self.field, self.t)
        binary = self.first_root == 1
        decode(registers, words, length, self.t, binary, *field, syndromes, *proof, *special, errors)

    def _registers(self, words: Bytes, message_bytes: int, *, with_parity: bool) -> npt.NDArray[np.uint64]:
        """Left-aligned remainders, uint64[words, size], by the way that this CPU can."""
        out = np.empty((words.shape[0], tables.register_words(self.parity_bits)), dtype=np.uint64)
        if carryless.PAIRS:
            folding.registers(words, message_bytes, self.parity_bits, with_parity, *_folding(self, message_bytes), out)
        else:
            slicing.registers(words, message_bytes, self.parity_bits, with_parity, _slicing_table(self), out)
        return out

    def _remainders(self, words: Bytes, message_bytes: int, *, with_parity: bool) -> Bytes:
        registers = self._registers(words, message_bytes, with_parity=with_parity)
        return np.ascontiguousarray(registers.astype(">u8").view(np.uint8)[:, : self.parity_bytes])

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


def _prepared(words: Bytes, out: Bytes | None) -> Bytes:
    """The array to correct in place, holding the words as given."""
    if out is None:
        return words.copy()
    if out.shape != words.shape or out.dtype != np.uint8 or not out.flags.c_contiguous:
        raise ValueError(f"out must be a C-contiguous uint8 array of shape {words.shape}")
    if out is not words:
        np.copyto(out, words)
    return out


@lru_cache(maxsize=16)
def _logarithms(field: Field) -> tables.Logarithms:
    return tables.logarithms(field)


@lru_cache(maxsize=32)
def _folding(code: BchCode, message_bytes: int) -> tables.Folding:
    return tables.folding_constants(code.generator, message_bytes)


@lru_cache(maxsize=32)
def _slicing_table(code: BchCode) -> npt.NDArray[np.uint64]:
    return tables.slicing_table(code.generator)


@lru_cache(maxsize=16)
def _sieve_tables(field: Field, t: int) -> tables.Sieve:
    return tables.sieve_tables(field, t)


@lru_cache(maxsize=16)
def _matrices(field: Field, t: int) -> matrix_tables.Matrices:
    return matrix_tables.matrices(field, t)


@lru_cache(maxsize=32)
def _syndrome_table(code: BchCode) -> npt.NDArray[np.uint64]:
    """In the narrow-sense code the syndromes of even exponents are squares of others and are left out."""
    step = 2 if code.first_root == 1 else 1
    exponents = np.arange(code.first_root, code.first_root + 2 * code.t, step)
    return tables.syndrome_table(code.field, code.parity_bits, exponents)


@lru_cache(maxsize=16)
def _proof(code: BchCode, bits: int) -> tables.Proof:
    return tables.proof(code.generator, bits)
