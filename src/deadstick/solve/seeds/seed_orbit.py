"""Seeds that lie on one orbit: a controller that lets its register run on from keystream to keystream.

Seed number i is then the state after i times a fixed number of shifts. A shift multiplies the state, written in the
basis of the shifted states of one register content, by x modulo the register's polynomial; so the quotient of two
neighbouring seeds is one and the same element, and a seed that no data show follows from the others. Lidl and
Niederreiter, Introduction to Finite Fields and Their Applications, chapter 6 (linear recurring sequences), from memory.
"""

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from math import gcd

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.linear_system import LinearSystem

FEWEST_SEEDS = 4
SURE_BITS = 64
"""Bits of seeds that must be foretold rightly: an accident has the chance 2 to the minus that, less the hypotheses."""
SHARE = 0.95
"""Share of the seeds seen that must lie on the orbit; some may be accidents of the data."""
MOST_QUOTIENTS = 3
"""Quotients of neighbours that are followed where there is not one of them."""
LOOKED_AT, MOST_PAIRS = 8, 32
"""Pairs of neighbours after which a wrong order is given up, and those that are enough for a right one."""


def on_one_orbit(keystreams: LfsrKeystreams) -> LfsrKeystreams:
    """The keystreams with the seeds that follow from the others, if they lie on one orbit.

    The numbers of the keystreams may be those of the controller times any unit, since the schedule leaves that open.

    Args:
        keystreams: a seed of 0 where it is not known.

    Returns:
        The same where the seeds follow no such rule. Seeds that were known stay as they are.

    >>> register = Lfsr(0x1002D)
    >>> seeds = [register.advance(0x1234, 777 * number) for number in range(12)]
    >>> some = LfsrKeystreams(0x1002D, (*seeds[:6], 0, *seeds[7:]))
    >>> on_one_orbit(some).seeds == tuple(seeds)
    True
    """
    known = [number for number, seed in enumerate(keystreams.seeds) if seed]
    if len(known) < FEWEST_SEEDS or len(known) == keystreams.count:
        return keystreams
    field = _Field(keystreams.polynomial)
    elements = {number: field.element(keystreams.seeds[number]) for number in known}
    foretold: dict[int, set[int]] = {}
    for unit in range(1, keystreams.count):
        if gcd(unit, keystreams.count) == 1:
            for number, element in _foretold(field, elements, unit, keystreams.count).items():
                foretold.setdefault(number, set()).add(element)
    # Where two orders explain the seeds and say different things of one that is missing, neither is believed.
    seeds = list(keystreams.seeds)
    for number, values in foretold.items():
        if not seeds[number] and len(values) == 1:
            seeds[number] = field.state(values.pop())
    return replace(keystreams, seeds=tuple(seeds))


def beside_on_orbits(keystreams: LfsrKeystreams) -> dict[int, tuple[int, ...]]:
    """What missing seeds may be: those beside them, as far on as other neighbours are from each other.

    Where the controller has more keystreams than were seen, its numbers go round between two of ours now and then.
    Neighbours then have one of two quotients, and which of them no order of ours foretells: the code must decide.

    Args:
        keystreams: a seed of 0 where it is not known.

    Returns:
        By number of the keystream, those beside which a seed is known; none where no quotient comes
        too often for accident.

    >>> register = Lfsr(0x1002D)
    >>> seeds = [register.advance(0x1234, 777 * (9 * number % 16)) for number in range(14)]
    >>> seeds[13] in beside_on_orbits(LfsrKeystreams(0x1002D, (*seeds[:13], 0)))[13]
    True
    """
    field = _Field(keystreams.polynomial)
    elements = {number: field.element(seed) for number, seed in enumerate(keystreams.seeds) if seed}
    pairs = [(number, number + 1) for number in elements if number + 1 in elements]
    quotients = Counter(field.quotient(elements[second], elements[first]) for first, second in pairs)
    usual = [
        quotient
        for quotient, times in quotients.most_common(MOST_QUOTIENTS)
        if quotient is not None and (times - 1) * field.width >= SURE_BITS
    ]
    missing = [number for number, seed in enumerate(keystreams.seeds) if not seed]
    steps = [(-1, quotient) for quotient in usual]
    steps += [(1, back) for quotient in usual if (back := field.quotient(1, quotient)) is not None]
    found = {
        number: {
            field.state(field.product(elements[number + side], step))
            for side, step in steps
            if number + side in elements
        }
        for number in missing
    }
    return {number: tuple(sorted(seeds)) for number, seeds in found.items() if seeds}


def _foretold(field: "_Field", elements: dict[int, int], unit: int, count: int) -> dict[int, int]:
    """Every element, if the known ones are in a geometric progression in the order 0, unit, 2 unit ...; else none."""
    order = [unit * place % count for place in range(count)]
    pairs = [(a, b) for a, b in pairwise(order) if a in elements and b in elements]
    step = _usual_quotient(field, elements, pairs)
    if step is None:
        return {}
    back = field.quotient(1, step)
    if back is None:
        return {}
    begins: Counter[int] = Counter()
    undone = 1
    for number in order:
        if number in elements:
            begins[field.product(elements[number], undone)] += 1
        undone = field.product(undone, back)
    begin, agreeing = begins.most_common(1)[0]
    # The first two seeds make the progression, all others are foretold by it.
    if agreeing < SHARE * len(elements) or (agreeing - 2) * field.width < SURE_BITS:
        return {}
    found = {}
    for number in order:
        found[number] = begin
        begin = field.product(begin, step)
    return found


def _usual_quotient(field: "_Field", elements: dict[int, int], pairs: list[tuple[int, int]]) -> int | None:
    """The quotient of most pairs, or None. A few are looked at first: of wrong orders hardly two agree."""
    quotients: Counter[int] = Counter()
    for looked_at, (first, second) in enumerate(pairs[:MOST_PAIRS]):
        quotient = field.quotient(elements[second], elements[first])
        if quotient is not None:
            quotients[quotient] += 1
        if looked_at == LOOKED_AT and quotients and quotients.most_common(1)[0][1] < LOOKED_AT // 2:
            return None
    if not quotients:
        return None
    quotient, times = quotients.most_common(1)[0]
    return quotient if 2 * times > min(len(pairs), MOST_PAIRS) else None


class _Field:
    """States of a register as polynomials modulo its own; not all have quotients where that is reducible."""

    def __init__(self, polynomial: int) -> None:
        self.polynomial = polynomial
        self.width = gf2poly.degree(polynomial)
        register, first = Lfsr(polynomial), 1 << self.width - 1
        self._basis = [register.advance(first, shifts) for shifts in range(self.width)]
        self._system = LinearSystem(self._basis)

    def element(self, state: int) -> int:
        """The polynomial c with sum of c_i (first state after i shifts) = state."""
        solution = self._system.solve(state)
        if solution is None:  # the first i + 1 outputs of the i-th state of the basis differ: it always is one
            raise AssertionError("the shifted states are no basis")
        return solution

    def state(self, element: int) -> int:
        """The inverse of `element`."""
        state = 0
        for bit, shifted in enumerate(self._basis):
            state ^= shifted if element >> bit & 1 else 0
        return state

    def product(self, a: int, b: int) -> int:
        """Modulo the polynomial."""
        return gf2poly.remainder(gf2poly.multiply(a, b), self.polynomial)

    def quotient(self, a: int, b: int) -> int | None:
        """`a` by `b`; None where `b` has a factor in common with the polynomial (Euclid's extended algorithm)."""
        old, new, old_factor, new_factor = self.polynomial, b, 0, 1
        while new:
            whole, rest = gf2poly.divide(old, new)
            old, new = new, rest
            old_factor, new_factor = new_factor, old_factor ^ gf2poly.multiply(whole, new_factor)
        return self.product(a, old_factor) if old == 1 else None
