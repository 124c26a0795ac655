"""Syndromes under every primitive polynomial at once: the values of rows at all powers of one and the same element.

GF(2^m) is one field, whichever primitive polynomial describes it. A root of another polynomial is a power alpha^j of
the first one's, and its odd powers are alpha^j, alpha^3j, alpha^5j ... So the values of a row at all powers of alpha
hold its syndromes for every polynomial, and since a(x)^2 = a(x^2) over GF(2), one value of each cyclotomic coset is
enough: 631 for m = 13 (MacWilliams and Sloane, The Theory of Error-Correcting Codes, 1977, chapter 7, from memory).
They are summed once for some rows, and every polynomial picks its own.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.solve.codeword.field_rows import FieldRows, FieldTables
from deadstick.solve.codeword.spectrum_kernels import coset_leaders, minimal_polynomials, picked, spectrum_at

WORTH = 24
"""Polynomials from which on a spectrum costs less than the prefix sums of each."""


class Cosets:
    """The cyclotomic cosets modulo 2^m - 1, and which power of alpha is a root of which primitive polynomial.

    Attributes:
        field: tables of the field, of the smallest primitive polynomial.
        leaders: `int64[cosets]`, the smallest exponent of each coset.
        coset: `int32[2^m - 1]`, number of the coset of each exponent.
        turns: `uint8[2^m - 1]`, how often the leader is doubled to get there.
        power: primitive polynomial -> exponent of its root.
    """

    def __init__(self, m: int) -> None:
        """Sort the exponents."""
        polynomials = gf2poly.primitive_polynomials(m)
        self.field = FieldTables(polynomials[0])
        order = (1 << m) - 1
        self.coset, self.turns = np.empty(order, np.int32), np.empty(order, np.uint8)
        leaders = np.empty(order, np.int64)
        self.leaders = leaders[: coset_leaders(m, leaders, self.coset, self.turns)].copy()
        minimal = np.empty(len(self.leaders), np.int64)
        minimal_polynomials(self.leaders, m, self.field.exp, self.field.log, minimal)
        wanted = set(polynomials)
        pairs = zip(minimal.tolist(), self.leaders.tolist(), strict=True)
        self.power = {polynomial: leader for polynomial, leader in pairs if polynomial in wanted}


@cache
def cosets(m: int) -> Cosets:
    """Those of a field, made once."""
    return Cosets(m)


def columns_of(message: int, table: NDArray[np.int64], columns: int) -> NDArray[np.int64]:
    """Which prefix sums some places need.

    Args:
        message: bytes.
        table: `int64[places, 5]`, see `places.Places`.
        columns: of the rows.

    Returns:
        `int64[needed]`, ascending.

    >>> columns_of(512, np.array([(512, 0, 0, 20, 22)]), 600).tolist()
    [0, 512, 532, 533, 534]
    """
    needed = np.zeros(columns + 1, np.bool_)
    needed[[0, message]] = True
    for first, between, length, shortest, longest in table.tolist():
        needed[[first, between, between + length]] = True
        needed[first + shortest : first + longest + 1] = True
    return np.flatnonzero(needed)


class Spectrum:
    """Values of some rows at all powers of alpha, up to the columns that some places need."""

    def __init__(self, m: int, rows: NDArray[np.uint8], needed: NDArray[np.int64]) -> None:
        """Sum them.

        Args:
            m: degree of the field.
            rows: `uint8[rows, columns]`, most significant bit first.
            needed: `int64[needed]`, ascending: columns up to which sums are kept.
        """
        self.cosets = cosets(m)
        self.where = np.full(rows.shape[1] + 1, -1, np.int64)
        self.where[needed] = np.arange(len(needed))
        with_ones = np.concatenate([rows, np.full((1, rows.shape[1]), 0xFF, np.uint8)])
        self.values = np.empty((len(with_ones), len(needed), len(self.cosets.leaders)), np.uint16)
        field = self.cosets.field
        spectrum_at(with_ones, m, field.exp, field.log, self.cosets.leaders, needed, self.values)

    def rows(self, polynomial: int, depth: int) -> FieldRows:
        """The rows' syndromes under a primitive polynomial, in another description of its field.

        Args:
            polynomial: primitive, of the degree of the field.
            depth: odd syndromes.
        """
        one = self.cosets
        sums = np.empty((*self.values.shape[:2], depth), np.uint16)
        tables = (one.coset, one.turns, one.field.m, one.field.exp, one.field.log)
        power = one.power[polynomial]
        picked(self.values, power, *tables, sums)
        return FieldRows(one.field, sums[:-1], sums[-1:], self.where, power)
