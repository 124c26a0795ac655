"""The spectrum holds the syndromes of every primitive polynomial."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes import gf2poly
from deadstick.codes.field import Field
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.field_rows import FieldRows, FieldTables
from deadstick.solve.codeword.spectrum import Spectrum, columns_of, cosets


@pytest.mark.parametrize("m", [4, 8, 13, 14, 15])
def test_every_primitive_polynomial_has_a_root(m: int) -> None:
    found = cosets(m)
    order = (1 << m) - 1
    assert set(found.power) == set(gf2poly.primitive_polynomials(m))
    # Each coset is a factor of x^(2^m - 1) + 1: all irreducible polynomials of the degrees that divide m, less x.
    assert len(found.leaders) == sum(irreducible(d) for d in range(1, m + 1) if m % d == 0) - 1
    exponents = found.leaders[found.coset] * (1 << found.turns.astype(np.int64)) % order
    assert (exponents == np.arange(order)).all()


def irreducible(degree: int) -> int:
    """Irreducible binary polynomials of a degree, by Gauss's formula 2^n = sum of d I(d) over the divisors d of n."""
    rest = sum(d * irreducible(d) for d in range(1, degree) if degree % d == 0)
    return ((1 << degree) - rest) // degree


def test_minimal_polynomials_are_those_of_the_field() -> None:
    found = cosets(13)
    field = Field(13, found.field.polynomial)
    for polynomial, exponent in list(found.power.items())[::70]:
        assert field.minimal_polynomial(exponent) == polynomial


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([13, 14, 15]), st.integers(6, 12))
def test_rows_decode_as_under_the_polynomial_itself(seed: int, m: int, depth: int) -> None:
    """The readable twin sums the powers of the polynomial's own root; only the names of the elements differ."""
    rng = np.random.default_rng(seed)
    polynomial = int(rng.choice(gf2poly.primitive_polynomials(m)))
    code = Code(m, polynomial, depth)
    size = -(-code.bch.parity_bits // 8)
    # Data in columns 0 to 511, the parity behind a gap, metadata behind the parity: every part of the word is moved.
    data, parity, metadata = (
        Span.of_bytes(Part.DATA, 0, 512),
        Span.of_bytes(Part.PARITY, 540, size),
        Span.of_bytes(Part.METADATA, 560 + size, 6),
    )
    layout = PageLayout(600 + size, (Codeword((data, metadata), (parity,)),))
    content, own = rng.integers(0, 256, (3, 512), np.uint8), rng.integers(0, 256, (3, 6), np.uint8)
    rows = Recipe(1, layout, code).encode(content, own, np.arange(3))
    for row in rows:
        row[rng.integers(0, 512, rng.integers(0, depth - 1))] ^= np.uint8(1 << rng.integers(0, 8))
    table = np.array([(540, 560 + size, 6, size - 3, size + 3), (512, 0, 0, 4, 40)], np.int64)
    spectrum = Spectrum(m, rows, columns_of(512, table, rows.shape[1])).rows(polynomial, depth)
    twin = FieldRows.of(FieldTables(polynomial), rows, depth)
    for mine, its in zip(spectrum.counts(512, table, 2), twin.counts(512, table, 2), strict=True):
        assert (mine == its).all()
    assert twin.counts(512, table, 2)[0][0, 0, 3] == 3
