"""The roots that are tested: fields, powers of alpha, and ways in which bytes become symbols."""

from collections.abc import Iterator
from dataclasses import dataclass

from deadstick.codes import gf2poly
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.codes.reed_solomon import Padding
from deadstick.recipe.code import BitOrder

MESSAGES = {8: (128,), 9: (256, 512), 10: (256, 512, 1024)}
"""Data bytes of a codeword for each length of a symbol; 8-bit symbols have words of 255 bytes at the most."""
PADDINGS: tuple[Padding, ...] = ("front", "back", "gap")
ORDERS: tuple[BitOrder, ...] = ("msb", "lsb")


@dataclass(frozen=True, slots=True)
class Root:
    """What is tested: a field, a power of alpha, and how bytes become symbols."""

    m: int
    polynomial: int
    exponent: int
    order: BitOrder
    padding: Padding
    message: int


def common_roots(polynomials: str) -> Iterator[Root]:
    """Roots that are in most codes, under "known" polynomials or "all" others.

    Known are the defaults of Linux lib/bch.c and their reciprocals (which are symbols read from the other end).
    """
    for m, messages in MESSAGES.items():
        usual = (PRIMITIVE_DEFAULTS[m], gf2poly.reciprocal(PRIMITIVE_DEFAULTS[m]))
        others = (p for p in gf2poly.primitive_polynomials(m) if p not in usual)
        for polynomial in usual if polynomials == "known" else others:
            for exponent in (1, (1 << m) - 2, 1 << (m - 1)):
                yield from _forms(m, polynomial, exponent, messages)


def other_roots() -> Iterator[Root]:
    """Every 8th power of alpha under the usual polynomials: some root of every code with t of at least 4."""
    for m, messages in MESSAGES.items():
        for polynomial in (PRIMITIVE_DEFAULTS[m], gf2poly.reciprocal(PRIMITIVE_DEFAULTS[m])):
            for exponent in range(4, (1 << m) - 1, 8):
                yield from _forms(m, polynomial, exponent, messages)


def _forms(m: int, polynomial: int, exponent: int, messages: tuple[int, ...]) -> Iterator[Root]:
    for message in messages:
        for order in ORDERS:
            for padding in PADDINGS:
                if padding != "back" or 8 * message % m:
                    yield Root(m, polynomial, exponent, order, padding, message)
