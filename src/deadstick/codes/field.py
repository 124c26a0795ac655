"""The finite fields GF(2^m), m = 3 to 16, by tables of logarithms."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from deadstick.codes import gf2poly

# Linux and U-Boot lib/bch.c, prim_poly_tab: the polynomials that the kernel takes when it is not told others.
PRIMITIVE_DEFAULTS: dict[int, int] = {
    5: 0x25,
    6: 0x43,
    7: 0x83,
    8: 0x11D,
    9: 0x211,
    10: 0x409,
    11: 0x805,
    12: 0x1053,
    13: 0x201B,
    14: 0x402B,
    15: 0x8003,
}

Elements = npt.NDArray[np.uint16]


@dataclass(frozen=True)
class Field:
    """GF(2^m) built on a primitive polynomial; an element is an int whose bit i is the coefficient of alpha^i.

    >>> field = Field(4, 0b10011)
    >>> int(field.multiply(field.exp[7], field.exp[9]))  # alpha^16 = alpha
    2

    Raises:
        ValueError: `m` is not 3 to 16, or the polynomial is not primitive of degree `m`.
    """

    m: int
    primitive_polynomial: int

    def __post_init__(self) -> None:
        if not 3 <= self.m <= 16:
            raise ValueError(f"m must be 3 to 16, not {self.m}")
        if gf2poly.degree(self.primitive_polynomial) != self.m or not _is_primitive(self.primitive_polynomial):
            raise ValueError(f"{self.primitive_polynomial:#x} is no primitive polynomial of degree {self.m}")

    @property
    def order(self) -> int:
        """Order 2^m - 1 of the multiplicative group."""
        return (1 << self.m) - 1

    @property
    def exp(self) -> Elements:
        """uint16[2 * order], read-only: alpha^i, twice round, so that exp[log a + log b] needs no modulo."""
        return _tables(self.m, self.primitive_polynomial)[0]

    @property
    def log(self) -> Elements:
        """uint16[2^m], read-only: log[alpha^i] = i; log[0] is 0 and means nothing."""
        return _tables(self.m, self.primitive_polynomial)[1]

    def multiply(self, a: npt.ArrayLike, b: npt.ArrayLike) -> Elements:
        """Product, element by element, with NumPy's broadcasting."""
        a, b = np.asarray(a), np.asarray(b)
        product = self.exp[self.log[a].astype(np.int64) + self.log[b]]
        return np.where((a == 0) | (b == 0), np.uint16(0), product)

    def inverse(self, a: npt.ArrayLike) -> Elements:
        """Inverse, element by element.

        Raises:
            ZeroDivisionError: an element is zero.
        """
        a = np.asarray(a)
        if not np.all(a):
            raise ZeroDivisionError("zero has no inverse")
        inverse: Elements = self.exp[self.order - self.log[a].astype(np.int64)]
        return inverse

    def divide(self, a: npt.ArrayLike, b: npt.ArrayLike) -> Elements:
        """Quotient, element by element; ZeroDivisionError where `b` is zero."""
        return self.multiply(a, self.inverse(b))

    def power(self, a: npt.ArrayLike, exponent: int) -> Elements:
        """`a` to an integer power, element by element; 0 to the power 0 is 1.

        Raises:
            ZeroDivisionError: a negative power of zero.
        """
        a = np.asarray(a)
        if exponent < 0 and not np.all(a):
            raise ZeroDivisionError("zero has no inverse")
        result = self.exp[self.log[a].astype(np.int64) * (exponent % self.order) % self.order]
        return np.where(a == 0, np.uint16(exponent == 0), result)

    def minimal_polynomial(self, exponent: int) -> int:
        """Minimal polynomial over GF(2) of alpha^exponent: the product of (x - c) over its conjugates c.

        >>> bin(Field(4, 0b10011).minimal_polynomial(3))
        '0b11111'
        """
        exp, log = _lists(self.m, self.primitive_polynomial)
        coefficients = [1]  # ascending powers
        for conjugate in {exponent * 2**i % self.order for i in range(self.m)}:
            scaled = [exp[log[c] + conjugate] if c else 0 for c in coefficients]
            coefficients = [low ^ high for low, high in zip([*scaled, 0], [0, *coefficients], strict=True)]
        return sum(c << i for i, c in enumerate(coefficients))


@lru_cache(maxsize=64)
def _is_primitive(polynomial: int) -> bool:
    return gf2poly.is_primitive(polynomial)


@lru_cache(maxsize=64)
def _tables(m: int, polynomial: int) -> tuple[Elements, Elements]:
    """Tables of `Field.exp` and `Field.log`, by doubling: alpha^(i + 2^k) = alpha^(2^k) alpha^i."""
    powers = np.ones(1, dtype=np.uint32)
    step = 2  # alpha^(2^k)
    while powers.size < 1 << m:
        moved = np.zeros_like(powers)
        multiple = step
        for i in range(m):
            moved ^= (powers >> np.uint32(i) & np.uint32(1)) * np.uint32(multiple)
            multiple = gf2poly.remainder(multiple << 1, polynomial)
        powers = np.concatenate([powers, moved])
        step = gf2poly.remainder(gf2poly.square(step), polynomial)
    order = (1 << m) - 1
    exp = np.tile(powers[:order].astype(np.uint16), 2)
    log = np.zeros(1 << m, dtype=np.uint16)
    log[exp[:order]] = np.arange(order)
    exp.flags.writeable = log.flags.writeable = False
    return exp, log


@lru_cache(maxsize=4)
def _lists(m: int, polynomial: int) -> tuple[list[int], list[int]]:
    """The same as lists, which Python reads faster one by one."""
    exp, log = _tables(m, polynomial)
    return exp.tolist(), log.tolist()
