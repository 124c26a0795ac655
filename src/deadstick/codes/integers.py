"""Prime factors of integers, for the orders of polynomials (2^d - 1 up to d = 64 and beyond)."""

from functools import lru_cache
from math import gcd
from random import Random

_SMALL_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)


def is_prime(n: int) -> bool:
    """Miller-Rabin with the twelve bases that leave no doubt below 3.3e24.

    Source: Sorenson and Webster, "Strong pseudoprimes to twelve prime bases", Math. Comp. 86 (2017).

    >>> is_prime(2**61 - 1), is_prime(2**59 - 1)
    (True, False)
    """
    if n < 2:
        return False
    for p in _SMALL_PRIMES:
        if n % p == 0:
            return n == p
    odd = n - 1
    twos = (odd & -odd).bit_length() - 1
    odd >>= twos
    for base in _SMALL_PRIMES:
        x = pow(base, odd, n)
        if x in {1, n - 1}:
            continue
        for _ in range(twos - 1):
            x = x * x % n
            if x == n - 1:
                break
        else:
            return False
    return True


@lru_cache(maxsize=256)
def _factorisation(n: int) -> tuple[tuple[int, int], ...]:
    found: dict[int, int] = {}
    todo = [n]
    while todo:
        part = todo.pop()
        if part == 1:
            continue
        if is_prime(part):
            found[part] = found.get(part, 0) + 1
            continue
        divisor = _divisor(part)
        todo += [divisor, part // divisor]
    return tuple(sorted(found.items()))


def prime_factors(n: int) -> dict[int, int]:
    """Prime factors of a positive integer with their multiplicities, ascending.

    >>> prime_factors(2**11 - 1)
    {23: 1, 89: 1}
    """
    if n < 1:
        raise ValueError(f"only positive integers have prime factors, not {n}")
    return dict(_factorisation(n))


def _divisor(n: int) -> int:
    """A proper divisor of a composite `n`: trial division, then Pollard's rho (BIT 15 (1975))."""
    for p in range(2, 1000):
        if n % p == 0:
            return p
    random = Random(n)  # noqa: S311  # no secret: a seeded choice makes the run repeatable
    while True:
        slow = fast = random.randrange(n)
        offset = random.randrange(1, n)
        divisor = 1
        while divisor == 1:
            product = 1
            for _ in range(128):
                slow = (slow * slow + offset) % n
                fast = (fast * fast + offset) % n
                fast = (fast * fast + offset) % n
                product = product * (slow - fast) % n
            divisor = gcd(product, n)
        if divisor != n:
            return divisor
