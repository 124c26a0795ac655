"""Polynomials over GF(2), held as Python ints: bit i is the coefficient of x^i.

A Python int is the simplest packed vector there is, and its XOR and shifts run in C; a greatest common divisor of
two 9,000-bit polynomials takes a few milliseconds. The factoring is that of the textbooks: square-free parts by the
derivative, distinct degrees by x^(2^d) - x, equal degrees by the trace map (Cantor and Zassenhaus, "A new algorithm
for factoring polynomials over finite fields", Math. Comp. 36 (1981); von zur Gathen and Gerhard, Modern Computer
Algebra, chapter 14).
"""

from functools import lru_cache
from random import Random

import numpy as np

from deadstick.codes.integers import prime_factors


def degree(a: int) -> int:
    """Degree of `a`; -1 for the zero polynomial.

    >>> degree(0b1011), degree(1), degree(0)
    (3, 0, -1)
    """
    return a.bit_length() - 1


def multiply(a: int, b: int) -> int:
    """Product of two polynomials.

    >>> bin(multiply(0b11, 0b111))  # (x + 1)(x^2 + x + 1) = x^3 + 1
    '0b1001'
    """
    if a.bit_count() > b.bit_count():
        a, b = b, a
    product = 0
    while a:
        low = a & -a
        product ^= b * low
        a ^= low
    return product


def square(a: int) -> int:
    """Square of `a`: its bits moved apart, since the mixed terms cancel in pairs."""
    return int(f"{a:b}", 4)


def divide(a: int, b: int) -> tuple[int, int]:
    """Quotient and remainder of `a` by `b`.

    Raises:
        ZeroDivisionError: `b` is the zero polynomial.
    """
    if b == 0:
        raise ZeroDivisionError("division by the zero polynomial")
    size = b.bit_length()
    quotient = 0
    while (shift := a.bit_length() - size) >= 0:
        quotient |= 1 << shift
        a ^= b << shift
    return quotient, a


def remainder(a: int, b: int) -> int:
    """Remainder of `a` by `b` (see `divide`)."""
    if b == 0:
        raise ZeroDivisionError("division by the zero polynomial")
    size = b.bit_length()
    while (shift := a.bit_length() - size) >= 0:
        a ^= b << shift
    return a


def gcd(a: int, b: int) -> int:
    """Greatest common divisor by Euclid's algorithm.

    >>> gcd(multiply(0b111, 0b1011), multiply(0b111, 0b1101)) == 0b111
    True
    """
    while b:
        a, b = b, remainder(a, b)
    return a


def power_mod(base: int, exponent: int, modulus: int) -> int:
    """`base` to the power `exponent` (at least 0), modulo `modulus`."""
    if exponent < 0:
        raise ValueError("the exponent must not be negative; invert the base first")
    result = remainder(1, modulus)
    base = remainder(base, modulus)
    for bit in f"{exponent:b}":
        result = remainder(square(result), modulus)
        if bit == "1":
            result = remainder(multiply(result, base), modulus)
    return result


def reciprocal(a: int) -> int:
    """The polynomial read backwards, x^deg(a) a(1/x): its sequence is the one of `a` reversed in time."""
    return int(f"{a:b}"[::-1], 2)


def derivative(a: int) -> int:
    """Formal derivative: only the odd powers survive, each one lower."""
    size = a.bit_length() + (a.bit_length() & 1)
    odd_bits = int("10" * (size // 2) or "0", 2)
    return (a & odd_bits) >> 1


def is_irreducible(a: int) -> bool:
    """Rabin's test: x^(2^d) = x mod a, and x^(2^(d/q)) - x is coprime to a for each prime q that divides d.

    >>> is_irreducible(0b10011), is_irreducible(0b10101)
    (True, False)
    """
    d = degree(a)
    if d <= 1:
        return d == 1
    stops = {d // q for q in prime_factors(d)}
    power = 2
    for i in range(1, d + 1):
        power = remainder(square(power), a)
        if i in stops and gcd(a, power ^ 2) != 1:
            return False
    return power == remainder(2, a)


def is_primitive(a: int) -> bool:
    """Whether x generates all of GF(2)[x]/a, so that the shift register of `a` runs through 2^d - 1 states.

    >>> is_primitive(0b10011), is_primitive(0b11111)  # the second has order 5
    (True, False)
    """
    d = degree(a)
    if d < 1 or not a & 1:
        return False
    group = 2**d - 1
    # A reducible a cannot reach the order 2^d - 1, so no separate test for irreducibility is needed.
    return power_mod(2, group, a) == remainder(1, a) and all(
        power_mod(2, group // q, a) != 1 for q in prime_factors(group)
    )


def factor(a: int) -> dict[int, int]:
    """Irreducible factors of `a` with their multiplicities, in ascending order.

    >>> factor(0b1111111)  # the cyclotomic polynomial of 7
    {11: 1, 13: 1}

    Raises:
        ValueError: `a` is zero.
    """
    if a == 0:
        raise ValueError("the zero polynomial has no factors")
    found: dict[int, int] = {}
    for part, multiplicity in _square_free(a):
        for product, d in _distinct_degrees(part):
            for prime in _equal_degree(product, d):
                found[prime] = found.get(prime, 0) + multiplicity
    return dict(sorted(found.items()))


def _square_root(a: int) -> int:
    """Root of a square: every second bit."""
    return int(f"{a:b}"[::-1][::2][::-1], 2)


def _square_free(a: int) -> list[tuple[int, int]]:
    """Coprime square-free parts of `a` with their multiplicities (Yun's algorithm in characteristic 2)."""
    parts: list[tuple[int, int]] = []
    scale = 1
    while degree(a) > 0:
        common = gcd(a, derivative(a))
        odd_part = divide(a, common)[0]
        multiplicity = 1
        while degree(odd_part) > 0:
            rest = gcd(odd_part, common)
            if (part := divide(odd_part, rest)[0]) != 1:
                parts.append((part, multiplicity * scale))
            odd_part, common = rest, divide(common, rest)[0]
            multiplicity += 1
        a, scale = _square_root(common), 2 * scale
    return parts


def _distinct_degrees(a: int) -> list[tuple[int, int]]:
    """Split a square-free `a` into products of irreducible polynomials of one degree each."""
    products: list[tuple[int, int]] = []
    power = 2
    d = 0
    while degree(a) >= 2 * (d + 1):
        d += 1
        power = remainder(square(power), a)
        if (product := gcd(a, power ^ 2)) != 1:
            products.append((product, d))
            a = divide(a, product)[0]
            power = remainder(power, a)
    if degree(a) > 0:
        products.append((a, degree(a)))
    return products


def _equal_degree(a: int, d: int) -> list[int]:
    """Split a product of irreducible polynomials of degree `d` by traces of random elements.

    The trace r + r^2 + ... + r^(2^(d-1)) is 0 or 1 modulo each factor, each about half of the time.
    """
    random = Random(a)  # noqa: S311  # no secret: a seeded choice makes the run repeatable
    todo, primes = [a], []
    while todo:
        product = todo.pop()
        if degree(product) == d:
            primes.append(product)
            continue
        r = random.getrandbits(degree(product))
        trace = r
        for _ in range(d - 1):
            r = remainder(square(r), product)
            trace ^= r
        part = gcd(product, trace)
        todo += [part, divide(product, part)[0]] if 0 < degree(part) < degree(product) else [product]
    return primes


def order(a: int) -> int:
    """Least e > 0 with x^e = 1 modulo `a`: the longest period of the shift register of `a`.

    >>> order(0b10011), order(0b11111)
    (15, 5)

    Raises:
        ValueError: `a` is divisible by x (x is then no unit), or constant.
    """
    if not a & 1 or degree(a) < 1:
        raise ValueError(f"polynomial {a:#x} has no order: it is constant or divisible by x")
    result = 1
    for prime, multiplicity in factor(a).items():
        result = _lcm(result, _order_irreducible(prime) << (multiplicity - 1).bit_length())
    return result


def _lcm(a: int, b: int) -> int:
    """Least common multiple of two integers (not polynomials)."""
    x, y = a, b
    while y:
        x, y = y, x % y
    return a // x * b


def _order_irreducible(a: int) -> int:
    """Order of x modulo an irreducible polynomial: strip from 2^d - 1 each prime that is not needed."""
    e = (1 << degree(a)) - 1
    for q, multiplicity in prime_factors(e).items():
        for _ in range(multiplicity):
            if power_mod(2, e // q, a) != remainder(1, a):
                break
            e //= q
    return e


@lru_cache(maxsize=32)
def primitive_polynomials(m: int) -> tuple[int, ...]:
    """All primitive polynomials of degree `m` (1 to 16), in ascending order.

    All candidates are tried at once: x^(2^m - 1) = 1 and x^((2^m - 1)/q) != 1 for each prime q.

    >>> [hex(p) for p in primitive_polynomials(4)]
    ['0x13', '0x19']
    """
    if not 1 <= m <= 16:
        raise ValueError(f"m must be 1 to 16, not {m}")
    group = 2**m - 1
    candidates = np.arange((1 << m) + 1, 2 << m, 2, dtype=np.uint64)
    one = np.uint64(1)
    keep = _powers_of_x(group, candidates, m) == one
    for q in prime_factors(group):
        keep[keep] = _powers_of_x(group // q, candidates[keep], m) != one
    return tuple(int(p) for p in candidates[keep])


def _powers_of_x(exponent: int, moduli: np.ndarray, m: int) -> np.ndarray:
    """x^exponent modulo each of `moduli` (uint64[n], all of degree m)."""
    power = np.ones_like(moduli)
    for bit in f"{exponent:b}":
        squared = np.zeros_like(moduli)
        for i in range(m):
            squared |= ((power >> np.uint64(i)) & np.uint64(1)) << np.uint64(2 * i)
        power = squared << np.uint64(bit == "1")
        for i in range(2 * m - 1, m - 1, -1):
            power ^= ((power >> np.uint64(i)) & np.uint64(1)) * (moduli << np.uint64(i - m))
    return power
