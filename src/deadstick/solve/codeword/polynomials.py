"""Which primitive polynomials are tried for the field of a code, and in which order: those of drivers, then all."""

from collections.abc import Iterator

from deadstick.codes import gf2poly
from deadstick.codes.field import PRIMITIVE_DEFAULTS

DEGREES = (13, 14, 15)
# Beside the kernel's defaults, the polynomials that NAND drivers in U-Boot name: nand/raw/atmel/pmecc and sunxi.
KNOWN_POLYNOMIALS = (0x4443, 0x5803)


def known_polynomials() -> tuple[int, ...]:
    """Primitive polynomials that public drivers use, of the degrees that are searched."""
    kernel = tuple(PRIMITIVE_DEFAULTS[m] for m in DEGREES)
    return kernel + KNOWN_POLYNOMIALS


def polynomial_rounds(size: int = 96) -> Iterator[tuple[int, ...]]:
    """Every primitive polynomial of the degrees that are searched, in rounds that mix the degrees.

    Each primitive root of the generator shows a code, not alpha alone, and a code of strength t has up to t of them;
    so a few rounds are enough for a strong code, whichever polynomial it was built on.

    Args:
        size: polynomials in a round.
    """
    mixed = []
    for m in DEGREES:
        polynomials = gf2poly.primitive_polynomials(m)
        mixed += [(place / len(polynomials), m, polynomial) for place, polynomial in enumerate(polynomials)]
    ordered = [polynomial for _, _, polynomial in sorted(mixed)]
    for first in range(0, len(ordered), size):
        yield tuple(ordered[first : first + size])
