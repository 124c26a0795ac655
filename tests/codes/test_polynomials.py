"""GF(2) polynomials, integers and fields against their own laws and against galois."""

import math

import galois
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes import gf2poly, long_polynomials
from deadstick.codes.field import Field
from deadstick.codes.integers import is_prime, prime_factors

polynomials = st.integers(min_value=0, max_value=2**300)
factors = st.lists(st.integers(min_value=1, max_value=2**24), min_size=1, max_size=5)


def product(parts: list[int]) -> int:
    result = 1
    for part in parts:
        result = gf2poly.multiply(result, part)
    return result


@given(polynomials, polynomials, polynomials)
@settings(deadline=None)
def test_ring_laws(a: int, b: int, c: int) -> None:
    assert gf2poly.multiply(a, b) == gf2poly.multiply(b, a)
    assert gf2poly.multiply(a, b ^ c) == gf2poly.multiply(a, b) ^ gf2poly.multiply(a, c)
    assert gf2poly.square(a) == gf2poly.multiply(a, a)


@given(polynomials, polynomials.filter(bool))
@settings(deadline=None)
def test_division_with_remainder(a: int, b: int) -> None:
    quotient, rest = gf2poly.divide(a, b)
    assert gf2poly.multiply(quotient, b) ^ rest == a
    assert gf2poly.degree(rest) < gf2poly.degree(b)
    assert gf2poly.remainder(a, b) == rest


@given(polynomials.filter(bool), polynomials.filter(bool), polynomials.filter(bool))
@settings(deadline=None)
def test_a_common_factor_survives_the_gcd(a: int, b: int, common: int) -> None:
    found = gf2poly.gcd(gf2poly.multiply(a, common), gf2poly.multiply(b, common))
    assert gf2poly.remainder(found, common) == 0
    assert gf2poly.remainder(gf2poly.multiply(a, common), found) == 0


@given(polynomials, polynomials, polynomials)
@settings(deadline=None)
def test_the_fast_divisor_is_that_of_its_readable_twin(a: int, b: int, common: int) -> None:
    first, second = gf2poly.multiply(a, common), gf2poly.multiply(b, common)
    assert long_polynomials.gcd(first, second) == gf2poly.gcd(first, second)


@given(st.integers(min_value=1, max_value=2**300), st.integers(min_value=2, max_value=15))
@settings(deadline=None, max_examples=40)
def test_the_fast_remainders_are_those_of_their_readable_twin(a: int, m: int) -> None:
    moduli = list(range(1 << m, min(2 << m, (1 << m) + 50)))
    expected = [modulus for modulus in moduli if gf2poly.remainder(a, modulus) == 0]
    assert long_polynomials.dividing(a, moduli) == expected


def test_moduli_of_several_degrees_are_refused() -> None:
    with pytest.raises(ValueError, match="of one degree"):
        long_polynomials.dividing(0b1011, [0b111, 0b1011])


@given(factors)
@settings(deadline=None, max_examples=60)
def test_factors_multiply_back_and_are_irreducible(parts: list[int]) -> None:
    a = product(parts)
    found = gf2poly.factor(a)
    assert product([prime for prime, count in found.items() for _ in range(count)]) == a
    assert all(gf2poly.is_irreducible(prime) for prime in found)
    assert list(found) == sorted(found)


@pytest.mark.parametrize("degree", range(1, 13))
def test_irreducible_and_primitive_counts(degree: int) -> None:
    # Necklaces: sum over d | n of mu(n/d) 2^d / n irreducible, phi(2^n - 1)/n primitive polynomials.
    def moebius(n: int) -> int:
        powers = prime_factors(n)
        return 0 if any(e > 1 for e in powers.values()) else (-1) ** len(powers)

    every = range(1 << degree, 2 << degree)
    irreducible = [a for a in every if gf2poly.is_irreducible(a)]
    assert len(irreducible) * degree == sum(
        moebius(degree // d) * 2**d for d in range(1, degree + 1) if degree % d == 0
    )
    totient = 2**degree - 1
    for q in prime_factors(totient):
        totient -= totient // q
    primitive = gf2poly.primitive_polynomials(degree)
    assert len(primitive) == totient // degree
    assert list(primitive) == [a for a in irreducible if gf2poly.is_primitive(a)]


@pytest.mark.parametrize("m", [4, 8, 14, 16])
def test_primitive_polynomials_agree_with_galois(m: int) -> None:
    count = 0
    for theirs, ours in zip(galois.primitive_polys(2, m), gf2poly.primitive_polynomials(m), strict=False):
        assert int(theirs) == ours
        count += 1
        if count == 20:
            break
    assert count > 0


@given(st.integers(min_value=3, max_value=2**12).filter(lambda a: a & 1))
@settings(deadline=None, max_examples=100)
def test_order_is_the_least_exponent(a: int) -> None:
    power, least = 2, 1
    power = gf2poly.remainder(power, a)
    while power != 1:
        power, least = gf2poly.remainder(power << 1, a), least + 1
    assert gf2poly.order(a) == least


def test_order_needs_a_unit() -> None:
    for bad in (0, 1, 6):
        with pytest.raises(ValueError, match="has no order"):
            gf2poly.order(bad)


@given(st.integers(min_value=1, max_value=2**200))
@settings(deadline=None, max_examples=50)
def test_reciprocal_twice_loses_only_powers_of_x(a: int) -> None:
    odd = a // (a & -a)
    assert gf2poly.reciprocal(gf2poly.reciprocal(a)) == odd
    assert gf2poly.derivative(gf2poly.square(a)) == 0


@pytest.mark.parametrize("d", range(1, 65))
def test_mersenne_numbers_factor(d: int) -> None:
    found = prime_factors(2**d - 1)
    assert math.prod(p**e for p, e in found.items()) == 2**d - 1
    assert all(is_prime(p) and pow(2, p - 1, p) == 1 for p in found if p > 2)


@pytest.mark.parametrize(("m", "polynomial"), [(3, 0b1011), (8, 0x11D), (13, 0x201B), (16, 0x1100B)])
def test_field_agrees_with_galois(m: int, polynomial: int) -> None:
    field = Field(m, polynomial)
    theirs = galois.GF(2**m, irreducible_poly=galois.Poly.Int(polynomial), compile="python-calculate")
    random = np.random.default_rng(m)
    a = random.integers(1, 2**m, 25)
    b = random.integers(0, 2**m, 25)
    assert field.multiply(a, b).tolist() == [int(x) for x in theirs(a) * theirs(b)]
    assert field.divide(b, a).tolist() == [int(x) for x in theirs(b) / theirs(a)]
    assert field.power(a, -3).tolist() == [int(x) for x in theirs(a) ** -3]


@pytest.mark.parametrize("m", [3, 9, 15, 16])
def test_field_tables(m: int) -> None:
    field = Field(m, gf2poly.primitive_polynomials(m)[-1])
    assert sorted(field.exp[: field.order].tolist()) == list(range(1, 2**m))
    assert np.array_equal(field.exp[field.log[1:]], np.arange(1, 2**m))
    assert np.array_equal(field.exp[: field.order], field.exp[field.order :])
    with pytest.raises(ValueError, match="read-only"):
        field.exp[0] = 0
    for exponent in (0, 1, 3, field.order - 1):
        minimal = field.minimal_polynomial(exponent)
        assert gf2poly.is_irreducible(minimal)
        root = field.exp[exponent]
        powers = np.array([field.power(root, i) for i in range(gf2poly.degree(minimal) + 1) if minimal >> i & 1])
        assert np.bitwise_xor.reduce(powers) == 0


def test_fields_refuse_what_is_none() -> None:
    for m, polynomial, words in ((4, 0b11111, "no primitive"), (5, 0x13, "no primitive"), (17, 3, "3 to 16")):
        with pytest.raises(ValueError, match=words):
            Field(m, polynomial)
    with pytest.raises(ZeroDivisionError):
        Field(4, 0b10011).inverse([1, 0])
