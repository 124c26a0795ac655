"""Roots of an error locator: closed forms up to degree 4, above it a sieve that leaves the last four to them.

Everything here takes addresses instead of arrays (see `carryless.get16`): `exp`, `log`, `squares` and `cubes` of
`tables.Logarithms`, scratch, and results. Field elements and logarithms are int64 once read; zero has the
logarithm `2 order`.
"""

from numba import njit
from numpy import uint64

from deadstick.codes.carryless import get16, get32, get64, or_of_sums, put16, put32, trailing_zeros

SIEVE_ROWS = 9
"""Functionals that the sieve tries on all positions: one false candidate in 2^9 is left for a closer look."""


@njit(cache=True, nogil=True, error_model="numpy")
def multiply(a: int, b: int, exp: int, log: int) -> int:
    """Product in the field."""
    return get16(exp, get32(log, a) + get32(log, b))


@njit(cache=True, nogil=True, error_model="numpy")
def divide(a: int, b: int, exp: int, log: int, order: int) -> int:
    """Quotient in the field; b is not zero."""
    return get16(exp, get32(log, a) + order - get32(log, b))


@njit(cache=True, nogil=True, error_model="numpy")
def square_root(a: int, exp: int, log: int, order: int) -> int:
    """Square root in the field: half the logarithm, or half of it plus the order where it is odd."""
    if a == 0:
        return a
    value = get32(log, a)
    return get16(exp, (value + (order if value & 1 else 0)) >> 1)


@njit(cache=True, nogil=True, error_model="numpy")
def solve_quadratic(a: int, b: int, exp: int, log: int, order: int, squares: int, out: int, at: int) -> bool:
    """Both roots of z^2 + a z + b to out[at] and out[at + 1]; False where it has not two distinct ones, not zero.

    z = a y turns it into y^2 + y = b / a^2, which the table `squares` solves (0: no solution).
    """
    if a == 0 or b == 0:
        return False
    log_a = get32(log, a)
    right = get32(log, b) + 2 * (order - log_a)
    while right >= order:
        right -= order
    y = get16(squares, get16(exp, right))
    if y == 0:
        return False
    root = get16(exp, get32(log, y) + log_a)
    put16(out, at, root)
    put16(out, at + 1, root ^ a)
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def one_root_of_cubic(p: int, q: int, exp: int, log: int, order: int, cubes: int) -> int:
    """A root of y^3 + p y + q (q not 0) where it has three; 0 where it has not.

    y = sqrt(p) z turns it into z^3 + z = q / p^(3/2), which the table `cubes` solves (0: no three solutions).
    """
    if p == 0:
        value = get32(log, q)
        return get16(exp, value // 3) if order % 3 == 0 and value % 3 == 0 else 0
    root = square_root(p, exp, log, order)
    right = divide(divide(q, p, exp, log, order), root, exp, log, order)
    return multiply(root, get16(cubes, right), exp, log)


@njit(cache=True, nogil=True, error_model="numpy")
def solve_cubic(a: int, b: int, c: int, exp: int, log: int, order: int, squares: int, cubes: int, out: int) -> bool:
    """The three roots of z^3 + a z^2 + b z + c to `out`; False where it has not three distinct ones, none zero."""
    # z = y + a removes the square: y^3 + p y + q.
    p = multiply(a, a, exp, log) ^ b
    q = multiply(a, b, exp, log) ^ c
    if q == 0:  # a is a root, and y^2 + p has a double one
        return False
    y = one_root_of_cubic(p, q, exp, log, order, cubes)
    if y == 0 or not solve_quadratic(y, divide(q, y, exp, log, order), exp, log, order, squares, out, 1):
        return False
    put16(out, 0, y ^ a)
    put16(out, 1, get16(out, 1) ^ a)
    put16(out, 2, get16(out, 2) ^ a)
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def solve_affine_quartic(
    b: int, c: int, d: int, exp: int, log: int, order: int, squares: int, cubes: int, out: int
) -> bool:
    """The four roots of z^4 + b z^2 + c z + d (c, d not 0) to `out`; False where it has not four.

    It is (z^2 + u z + v)(z^2 + u z + w) with u^3 + b u + c = 0, v + w = b + u^2, v w = d.
    """
    if c == 0 or d == 0:
        return False
    u = one_root_of_cubic(b, c, exp, log, order, cubes)
    if u == 0 or not solve_quadratic(b ^ multiply(u, u, exp, log), d, exp, log, order, squares, out, 0):
        return False
    v, w = get16(out, 0), get16(out, 1)
    first = solve_quadratic(u, v, exp, log, order, squares, out, 0)
    return first and solve_quadratic(u, w, exp, log, order, squares, out, 2)


@njit(cache=True, nogil=True, error_model="numpy")
def solve_quartic(
    a: int, b: int, c: int, d: int, exp: int, log: int, order: int, squares: int, cubes: int, out: int
) -> bool:
    """The four roots of z^4 + a z^3 + b z^2 + c z + d to `out`; False where it has not four distinct ones."""
    if a == 0:
        return solve_affine_quartic(b, c, d, exp, log, order, squares, cubes, out)
    # z = y + e with e^2 = c / a removes c, and 1 / y then stands in an affine quartic.
    squared = divide(c, a, exp, log, order)
    e = square_root(squared, exp, log, order)
    last = multiply(squared, squared ^ b, exp, log) ^ d
    if last == 0:  # y = 0 is a double root
        return False
    middle = divide(multiply(a, e, exp, log) ^ b, last, exp, log, order)
    linear = divide(a, last, exp, log, order)
    constant = divide(1, last, exp, log, order)
    if not solve_affine_quartic(middle, linear, constant, exp, log, order, squares, cubes, out):
        return False
    for i in range(4):
        put16(out, i, divide(1, get16(out, i), exp, log, order) ^ e)
    return True


@njit(cache=True, nogil=True, error_model="numpy")
def solve(coefficients: int, degree: int, exp: int, log: int, order: int, squares: int, cubes: int, out: int) -> bool:
    """The distinct roots of z^degree + coefficients[1] z^(degree-1) + ... (degree 1 to 4), none zero."""
    a, b = get16(coefficients, 1), get16(coefficients, 2)
    c, d = get16(coefficients, 3), get16(coefficients, 4)
    if degree == 1:
        put16(out, 0, a)
        return a != 0
    if degree == 2:
        return solve_quadratic(a, b, exp, log, order, squares, out, 0)
    if degree == 3:
        return solve_cubic(a, b, c, exp, log, order, squares, cubes, out)
    return solve_quartic(a, b, c, d, exp, log, order, squares, cubes, out)


@njit(cache=True, nogil=True, error_model="numpy")
def functionals(
    logs: int, degree: int, order: int, exp: int, log: int, rotations: int, elements: int, element_logs: int
) -> None:
    """The sieve's functionals of the locator L: logarithms of D_o for o = 1, 3, ..., one column for each c.

    With e = o 2^j, Tr(c l_e x^e) = Tr((c l_e)^(2^-j) x^o), so that Tr(c L(x)) = Tr(c) + sum over odd o of
    Tr(D_o x^o), D_o = sum over j of (c l_(o 2^j))^(2^-j). rotations[j, b] is the logarithm of c^(2^-j) for the
    b-th c; the 2^j-th root of l_e halves its logarithm j times.
    """
    for index in range((degree + 1) // 2):
        here = index * SIEVE_ROWS
        for b in range(SIEVE_ROWS):
            put16(elements, here + b, 0)
        e = 2 * index + 1
        j = 0
        while e <= degree:
            rooted = get32(logs, e)
            if rooted < order:
                for _ in range(j):
                    rooted = (rooted + (order if rooted & 1 else 0)) >> 1
                for b in range(SIEVE_ROWS):
                    term = get16(exp, rooted + get32(rotations, j * SIEVE_ROWS + b))
                    put16(elements, here + b, get16(elements, here + b) ^ term)
            e *= 2
            j += 1
        for b in range(SIEVE_ROWS):
            put32(element_logs, here + b, get32(log, get16(elements, here + b)))


@njit(cache=True, nogil=True, error_model="numpy")
def is_root(logs: int, degree: int, p: int, exp: int, order: int) -> bool:
    """Whether the locator vanishes at alpha^-p; odd and even powers in turn, so that they do not wait."""
    step = 2 * p - (order if 2 * p >= order else 0)
    odd, even = order - p, order - step
    value = 1
    e = 1
    while e < degree:
        value ^= get16(exp, get32(logs, e) + odd)
        value ^= get16(exp, get32(logs, e + 1) + even)
        odd -= step
        even -= step
        odd += order & (odd >> 63)
        even += order & (even >> 63)
        e += 2
    if e == degree:
        value ^= get16(exp, get32(logs, e) + odd)
    return value == 0


@njit(cache=True, nogil=True, error_model="numpy")
def sieve(
    logs: int,
    degree: int,
    wanted: int,
    bits: int,
    exp: int,
    order: int,
    table: int,
    constants: int,
    element_logs: int,
    elements: int,
    moves: int,
    nonzero: int,
    positions: int,
) -> int:
    """The first `wanted` positions p < bits where the locator vanishes at alpha^-p; returns how many there are.

    A functional of the locator's value at 512 positions at once is a sum of rows of the code's parity-check
    matrix; `table` (see `tables.sieve_table`) holds those sums for the first 512 positions. Moving on by 512
    multiplies each D_o by alpha^(-512 o). Where all SIEVE_ROWS functionals vanish, a closer look decides.
    """
    found = 0
    count = (degree + 1) // 2
    for index in range(count):
        put32(moves, index, 0)
    for first in range(0, bits, 512):
        for index in range(count):
            moved = get32(moves, index)
            for b in range(SIEVE_ROWS):
                at = index * SIEVE_ROWS + b
                put16(elements, at, get16(exp, get32(element_logs, at) + moved))
            moved -= 512 * (2 * index + 1) % order
            put32(moves, index, moved + (order & (moved >> 63)))
        or_of_sums(table, elements, count, constants, nonzero, SIEVE_ROWS)
        words = 0  # those with a candidate, one bit each: branches here would mostly be guessed wrong
        for word in range(8):
            words |= int(get64(nonzero, word) != ~uint64(0)) << word
        while words:
            word = trailing_zeros(uint64(words))
            words &= words - 1
            candidates = ~get64(nonzero, word)
            while candidates:
                p = first + word * 64 + trailing_zeros(candidates)
                candidates &= candidates - uint64(1)
                put32(positions, found, p)
                found += int(p < bits) & int(is_root(logs, degree, p, exp, order))
                if found == wanted:
                    return found
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def last_positions(
    coefficients: int,
    degree: int,
    left: int,
    bits: int,
    exp: int,
    log: int,
    order: int,
    squares: int,
    cubes: int,
    elements: int,
    positions: int,
) -> bool:
    """The last `left` error positions (at most 4) by closed forms, when the others are known; False where they fail.

    `coefficients` (uint16[5] at least) are the first ones of z^degree + l_1 z^(degree-1) + ...; they are lost.
    """
    # Divide by each z - X (Horner); the four coefficients of the last quotient need none but the first four.
    for k in range(degree - left):
        x = get32(positions, k)
        value = 1
        for i in range(1, 5):
            value = get16(coefficients, i) ^ get16(exp, get32(log, value) + x)
            put16(coefficients, i, value)
    for i in range(left + 1, 5):
        put16(coefficients, i, 0)
    if not solve(coefficients, left, exp, log, order, squares, cubes, elements):
        return False
    inside = True
    for i in range(left):
        p = get32(log, get16(elements, i))
        put32(positions, degree - left + i, p)
        inside &= p < bits
    return inside


@njit(cache=True, nogil=True, error_model="numpy")
def find_positions(
    logs: int,
    degree: int,
    bits: int,
    order: int,
    exp: int,
    log: int,
    squares: int,
    cubes: int,
    rotations: int,
    constants: int,
    table: int,
    coefficients: int,
    element_logs: int,
    elements: int,
    moves: int,
    nonzero: int,
    positions: int,
) -> bool:
    """Error positions of a locator of degree at least 1, all different; False where they are not `degree` many.

    The error locators X = alpha^p are the roots of z^degree + l_1 z^(degree-1) + ...
    """
    for i in range(degree + 1):
        put16(coefficients, i, get16(exp, get32(logs, i)))
    left = min(degree, 4)
    if degree > 4:
        functionals(logs, degree, order, exp, log, rotations, elements, element_logs)
        wanted = degree - 4
        if wanted > sieve(
            logs,
            degree,
            wanted,
            bits,
            exp,
            order,
            table,
            constants,
            element_logs,
            elements,
            moves,
            nonzero,
            positions,
        ):
            return False
    return last_positions(coefficients, degree, left, bits, exp, log, order, squares, cubes, elements, positions)
