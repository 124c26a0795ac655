"""Generator polynomials of textbook BCH codes, and the primitive polynomials of drivers."""

import pytest

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.field import PRIMITIVE_DEFAULTS

# Lin and Costello, Error Control Coding, appendix C: generators in octal, k and t per length. The table was
# recomputed from the conjugate roots by other software; the book itself is cited from memory.
TEXTBOOK_FIELDS = {4: 0x13, 5: 0x25, 6: 0x43, 7: 0x89, 8: 0x11D}
TEXTBOOK = """
4 11 1 23 | 4 7 2 721 | 4 5 3 2467
5 26 1 45 | 5 21 2 3551 | 5 16 3 107657 | 5 11 5 5423325 | 5 6 7 313365047
6 57 1 103 | 6 51 2 12471 | 6 45 3 1701317 | 6 39 4 166623567 | 6 36 5 1033500423 | 6 30 6 157464165547
6 24 7 17323260404441 | 6 18 10 1363026512351725 | 6 16 11 6331141367235453 | 6 10 13 472622305527250155
6 7 15 5231045543503271737
7 120 1 211 | 7 113 2 41567 | 7 106 3 11554743 | 7 99 4 3447023271 | 7 92 5 624730022327
7 85 6 130704476322273 | 7 78 7 26230002166130115 | 7 71 9 6255010713253127753
7 64 10 1206534025570773100045
8 247 1 435 | 8 239 2 267543 | 8 231 3 156720665 | 8 223 4 75626641375 | 8 215 5 23157564726421
8 207 6 16176560567636227 | 8 199 7 7633031270420722341 | 8 191 8 2663470176115333714567
8 187 9 52755313540001322236351 | 8 179 10 22624710717340432416300455
"""
ROWS = [entry.split() for line in TEXTBOOK.strip().splitlines() for entry in line.split("|")]


@pytest.mark.parametrize(("m", "k", "t", "octal"), ROWS, ids=lambda value: value[:12])
def test_textbook_generators(m: str, k: str, t: str, octal: str) -> None:
    code = BchCode(int(m), TEXTBOOK_FIELDS[int(m)], int(t))
    assert code.generator == int(octal, 8)
    assert code.length - code.parity_bits == int(k)


def test_another_primitive_polynomial_gives_another_code() -> None:
    # The trap: the textbook's field of 128 elements is built on x^7 + x^3 + 1, Linux lib/bch.c takes x^7 + x + 1.
    linux = BchCode(7, PRIMITIVE_DEFAULTS[7], 10)
    assert linux.generator == int("1722042521427126025037", 8)
    assert linux.parity_bits == 63


def test_designed_distances_can_share_a_generator() -> None:
    eight, nine = BchCode(7, 0x89, 8), BchCode(7, 0x89, 9)
    assert eight.generator == nine.generator
    assert nine.length - nine.parity_bits == 71
    assert nine.parity_bits < 7 * 9


def test_primitive_polynomials_of_linux() -> None:
    # Linux and U-Boot lib/bch.c, prim_poly_tab, m = 5..15.
    table = [0x25, 0x43, 0x83, 0x11D, 0x211, 0x409, 0x805, 0x1053, 0x201B, 0x402B, 0x8003]
    assert [PRIMITIVE_DEFAULTS[m] for m in range(5, 16)] == table
    for m, polynomial in PRIMITIVE_DEFAULTS.items():
        assert polynomial in gf2poly.primitive_polynomials(m)


@pytest.mark.parametrize(
    ("m", "polynomial"),
    [
        (14, 0x5803),  # public image builder of the sunxi SoCs
        (13, 0x201B),  # U-Boot drivers/mtd/nand/raw/atmel/pmecc.c; Exynos boot ROM in python-bchlib's tests
        (14, 0x4443),  # U-Boot pmecc.c
    ],
)
def test_primitive_polynomials_of_other_controllers(m: int, polynomial: int) -> None:
    assert gf2poly.is_primitive(polynomial)
    assert polynomial in gf2poly.primitive_polynomials(m)
