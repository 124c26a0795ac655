"""Reed-Solomon codes over GF(2^m), systematic and shortened, on bytes.

Lin and Costello, Error Control Coding, chapter 7. A symbol is m bits, the most significant one first, and stands for
sum b_i alpha^i; a codeword is message(x) x^(2t) + parity(x), a multiple of the generator with the roots
alpha^first_root .. alpha^(first_root + 2 t - 1), the first symbol holding the highest power. Where m does not divide
the bits of the message, zero bits before or behind it, which are not stored, fill its symbols; likewise the zeros by
which the code is shortened stand before or behind it.

Other conventions are this one with other numbers. A symbol with its least significant bit first is, but for a constant
factor, the same element in powers of 1/alpha: the code with the reciprocal primitive polynomial and negated roots.
A word that begins with its lowest power has the inverse roots; if its parity comes first, the zeros of the shortening
move behind the message. So none of these needs an option of its own.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from deadstick.codes.bch import Decoded
from deadstick.codes.field import Field
from deadstick.codes.kernels import reed_solomon as kernels

Bytes = npt.NDArray[np.uint8]
Symbols = npt.NDArray[np.int64]
Padding = Literal["front", "back", "gap"]


@dataclass(frozen=True)
class ReedSolomonCode:
    """The Reed-Solomon code that corrects t symbols of m bits.

    Attributes:
        m: bits of a symbol, 3 to 16.
        primitive_polynomial: of alpha, bit i = coefficient of x^i.
        t: symbol errors that it corrects; 2 t symbols are parity.
        first_root: exponent of the first root.
        padding: where the zeros stand that are not stored. "front": all before the message. "back": those that fill the
            last symbol behind it. "gap": these, and the symbols by which the code is shortened, all behind it.

    >>> code = ReedSolomonCode(m=10, primitive_polynomial=0x409, t=4)
    >>> message = np.arange(512, dtype=np.uint8)[None]
    >>> word = np.hstack([message, code.encode(message)])
    >>> word[0, 100:105] ^= 0xFF                # 40 bits, no more than five symbols; here four
    >>> decoded = code.decode(word, message_bytes=512)
    >>> int(decoded.errors[0])
    -1
    >>> word[0, 104] ^= 0xFF
    >>> decoded = code.decode(word, message_bytes=512)
    >>> int(decoded.errors[0]), np.array_equal(decoded.words[:, :512], message)
    (4, True)

    Raises:
        ValueError: a parameter is out of range, or the polynomial is not primitive.
    """

    m: int
    primitive_polynomial: int
    t: int
    first_root: int = 1
    padding: Padding = "front"

    def __post_init__(self) -> None:
        Field(self.m, self.primitive_polynomial)  # raises where these two are wrong
        if not 1 <= self.t <= 64 or 2 * self.t >= self.length:
            raise ValueError(f"t must be 1 to 64 and leave a message symbol, not {self.t}")
        if not 0 <= self.first_root < self.length:
            raise ValueError(f"first_root must be 0 to {self.length - 1}, not {self.first_root}")

    @cached_property
    def field(self) -> Field:
        """The field GF(2^m)."""
        return Field(self.m, self.primitive_polynomial)

    @property
    def length(self) -> int:
        """Length 2^m - 1 in symbols before shortening."""
        return (1 << self.m) - 1

    @property
    def parity_bits(self) -> int:
        """2 t symbols."""
        return 2 * self.t * self.m

    @property
    def parity_bytes(self) -> int:
        """Bytes that hold the parity."""
        return -(-self.parity_bits // 8)

    def symbols(self, message_bits: int) -> int:
        """Symbols of a codeword with so many message bits, a partly filled one included."""
        return -(-message_bits // self.m) + 2 * self.t

    def encode(self, message: Bytes) -> Bytes:
        """Parity of each message: uint8[words, message_bytes] -> uint8[words, parity_bytes], left-aligned."""
        message = self._checked(message, message.shape[-1])
        return self._packed(self._parity(message, message.shape[1]))

    def remainder(self, words: Bytes, message_bytes: int) -> Bytes:
        """Remainder of each word modulo the generator: uint8[words, parity_bytes], all zero for a codeword.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.
        """
        words = self._checked_words(words, message_bytes)
        return self._packed(self._parity(words, message_bytes) ^ self._stored_parity(words, message_bytes))

    def decode(self, words: Bytes, message_bytes: int, *, erasures: npt.NDArray[np.bool_] | None = None) -> Decoded:
        """Correct each word as long as twice its symbol errors and its erasures are at most 2 t.

        Args:
            words: uint8[words, message_bytes + parity_bytes]; pad bits after the parity do not count.
            message_bytes: bytes before the parity.
            erasures: bool[words, symbols], symbols that are known to be doubtful; see `symbols`.

        Returns:
            The corrected words, a copy, and the number of symbols that were changed. A word is changed only into a
            codeword; one that would need errors outside the stored bits cannot be decoded.
        """
        words = self._checked_words(words, message_bytes).copy()
        errors = np.empty(len(words), np.int16)
        n = self.symbols(8 * message_bytes)
        if erasures is not None and erasures.shape != (len(words), n):
            raise ValueError(f"erasures must have the shape {(len(words), n)}, not {erasures.shape}")
        marks = np.zeros((0, n), np.bool_) if erasures is None else np.ascontiguousarray(erasures, np.bool_)
        symbols = np.hstack([self._message(words, message_bytes), self._stored_parity(words, message_bytes)])
        kernels.decode(
            words,
            symbols,
            marks,
            8 * message_bytes,
            self._lead(message_bytes),
            self._gap(message_bytes),
            self.m,
            self.first_root,
            _times_root(self),
            *_logarithms(self.field),
            errors,
        )
        return Decoded(words, errors)

    def _lead(self, message_bytes: int) -> int:
        return -8 * message_bytes % self.m if self.padding == "front" else 0

    def _gap(self, message_bytes: int) -> int:
        return self.length - self.symbols(8 * message_bytes) if self.padding == "gap" else 0

    def _message(self, words: Bytes, message_bytes: int) -> Symbols:
        symbols = np.empty((len(words), -(-8 * message_bytes // self.m)), np.int64)
        kernels.unpack(words, 0, 8 * message_bytes, self._lead(message_bytes), self.m, symbols)
        return symbols

    def _stored_parity(self, words: Bytes, message_bytes: int) -> Symbols:
        parity = np.empty((len(words), 2 * self.t), np.int64)
        kernels.unpack(words, message_bytes, self.parity_bits, 0, self.m, parity)
        return parity

    def _parity(self, words: Bytes, message_bytes: int) -> Symbols:
        parity = np.empty((len(words), 2 * self.t), np.int64)
        symbols = self._message(words, message_bytes)
        kernels.remainders(symbols, self._gap(message_bytes), _generator(self), *_logarithms(self.field), parity)
        return parity

    def _packed(self, parity: Symbols) -> Bytes:
        bits = parity[:, :, None] >> np.arange(self.m - 1, -1, -1) & 1
        return np.packbits(bits.astype(np.uint8).reshape(len(parity), self.parity_bits), axis=1)

    def _checked(self, words: Bytes, message_bytes: int) -> Bytes:
        words = np.ascontiguousarray(words, dtype=np.uint8)
        if words.ndim != 2:
            raise ValueError(f"expected two axes (words, bytes), not shape {words.shape}")
        most = (self.length - 2 * self.t) * self.m // 8
        if not 0 < message_bytes <= most:
            raise ValueError(f"this code takes 1 to {most} message bytes, not {message_bytes}")
        return words

    def _checked_words(self, words: Bytes, message_bytes: int) -> Bytes:
        words = self._checked(words, message_bytes)
        if words.shape[1] != message_bytes + self.parity_bytes:
            raise ValueError(
                f"a word has {message_bytes} + {self.parity_bytes} bytes in this code, not {words.shape[1]}"
            )
        return words


@lru_cache(maxsize=64)
def _generator(code: ReedSolomonCode) -> Symbols:
    """The product of (x - root): int64[2 t], the coefficients behind the leading 1, highest power first."""
    field = code.field
    generator = np.ones(1, np.int64)
    for j in range(2 * code.t):
        root = field.exp[(code.first_root + j) % code.length]
        generator = np.append(generator, np.int64(0)) ^ np.append(np.int64(0), field.multiply(generator, root))
    return np.ascontiguousarray(generator[1:])


@lru_cache(maxsize=16)
def _times_root(code: ReedSolomonCode) -> Symbols:
    """int64[2 t, 2^m]: each field element times each root."""
    roots = code.field.exp[(code.first_root + np.arange(2 * code.t)) % code.length]
    return code.field.multiply(np.arange(code.length + 1)[None, :], roots[:, None]).astype(np.int64)


@lru_cache(maxsize=16)
def _logarithms(field: Field) -> tuple[Symbols, Symbols]:
    return field.exp.astype(np.int64), field.log.astype(np.int64)
