"""Slow, readable twins of the kernels, straight from the textbooks. Tests compare; nothing else calls them."""

from dataclasses import dataclass

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.crc import Crc


@dataclass(frozen=True)
class BchReference:
    r"""`BchCode` one word at a time, with polynomials as Python ints (Lin and Costello, chapter 6).

    >>> BchReference(BchCode(4, 0b10011, 1)).encode(b"\x5a").hex()  # x^10 + x^8 + x^7 + x^5 mod g
    'f0'
    """

    code: BchCode

    def encode(self, message: bytes) -> bytes:
        """Parity: message(x) x^r mod g, left-aligned."""
        r = self.code.parity_bits
        parity = gf2poly.remainder(int.from_bytes(message, "big") << r, self.code.generator)
        return (parity << (8 * self.code.parity_bytes - r)).to_bytes(self.code.parity_bytes, "big")

    def decode(self, word: bytes) -> tuple[bytes, int]:
        """The corrected word and its number of errors; the word as given and -1 where that fails."""
        pad = 8 * self.code.parity_bytes - self.code.parity_bits
        received = int.from_bytes(word, "big") >> pad
        bits = 8 * len(word) - pad
        syndromes = [self._value(received, self.code.first_root + j) for j in range(2 * self.code.t)]
        locator = self._locator(syndromes)
        degree = len(locator) - 1
        order = self.code.length
        positions = [p for p in range(bits) if self._evaluate(locator, (order - p) % order) == 0]
        if degree > self.code.t or len(positions) != degree:
            return word, -1
        for p in positions:
            received ^= 1 << p
        if gf2poly.remainder(received, self.code.generator):
            return word, -1
        pad_bits = int.from_bytes(word, "big") & ((1 << pad) - 1)
        return (received << pad | pad_bits).to_bytes(len(word), "big"), degree

    def _value(self, polynomial: int, exponent: int) -> int:
        """A polynomial over GF(2) at alpha^exponent."""
        value = 0
        while polynomial:
            low = polynomial & -polynomial
            power = (low.bit_length() - 1) * exponent % self.code.length
            value ^= int(self.code.field.exp[power])
            polynomial ^= low
        return value

    def _evaluate(self, coefficients: list[int], exponent: int) -> int:
        """A polynomial over the field at alpha^exponent."""
        value = 0
        for i, c in enumerate(coefficients):
            value ^= self._multiply(c, int(self.code.field.exp[i * exponent % self.code.length]))
        return value

    def _multiply(self, a: int, b: int) -> int:
        """Product as polynomials modulo the primitive polynomial, without any table."""
        return gf2poly.remainder(gf2poly.multiply(a, b), self.code.primitive_polynomial)

    def _locator(self, syndromes: list[int]) -> list[int]:
        """Massey's algorithm; the coefficients from 1 upwards."""
        order = self.code.length
        locator, previous, length, shift, base = [1], [1], 0, 1, 1
        for n, s in enumerate(syndromes):
            discrepancy = s
            for i in range(1, min(length, len(locator) - 1) + 1):
                discrepancy ^= self._multiply(locator[i], syndromes[n - i])
            if discrepancy == 0:
                shift += 1
                continue
            inverse = int(self.code.field.exp[(order - int(self.code.field.log[base])) % order])
            factor = self._multiply(discrepancy, inverse)
            corrected = locator + [0] * (len(previous) + shift - len(locator))
            for i, c in enumerate(previous):
                corrected[i + shift] ^= self._multiply(factor, c)
            if 2 * length <= n:
                previous, length, shift, base = locator, n + 1 - length, 1, discrepancy
            else:
                shift += 1
            locator = corrected
        while locator[-1] == 0:
            locator.pop()
        # A locator shorter than the register has no roots for the missing degrees: one that cannot be met.
        return locator if len(locator) == length + 1 else [1] * (self.code.t + 2)


def shift_register_bits(polynomial: int, state: int, count: int) -> list[int]:
    """The first `count` bits of the register of `polynomial`, one shift at a time (see `lfsr.Lfsr`)."""
    width = gf2poly.degree(polynomial)
    taps = polynomial ^ (1 << width)
    bits = []
    for _ in range(count):
        bits.append(state & 1)
        state = state >> 1 | ((state & taps).bit_count() & 1) << (width - 1)
    return bits


def crc_bit_by_bit(crc: Crc, data: bytes) -> int:
    """A CRC one bit at a time, as the parameter model defines it (see `crc.Crc`)."""
    register = crc.initial
    for byte in data:
        for i in range(8):
            bit = byte >> (i if crc.reflect_in else 7 - i) & 1
            out = register >> (crc.width - 1) & 1
            register = register << 1 & ((1 << crc.width) - 1)
            register ^= crc.polynomial if out ^ bit else 0
    if crc.reflect_out:
        register = int(f"{register:0{crc.width}b}"[::-1], 2)
    return register ^ crc.final_xor
