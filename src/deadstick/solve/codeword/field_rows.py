"""Rows over one field: the prefix sums of their syndromes, and at which places they decode."""

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.solve.codeword.decoding_kernels import decodable_places
from deadstick.solve.codeword.root_kernels import field_tables
from deadstick.solve.codeword.syndrome_kernels import syndrome_prefixes

SLACK = 2
"""Syndromes beyond the number of errors that must fit."""


class FieldTables:
    """Exponentials and logarithms of GF(2^m)."""

    def __init__(self, polynomial: int) -> None:
        """Fill them for the root alpha of a primitive polynomial."""
        self.polynomial, self.m = polynomial, gf2poly.degree(polynomial)
        self.exp = np.empty(2 * ((1 << self.m) - 1), np.uint16)
        self.log = np.zeros(1 << self.m, np.uint16)
        field_tables(polynomial, self.m, self.exp, self.log)


class FieldRows:
    """Syndromes of some rows over one field."""

    def __init__(
        self,
        field: FieldTables,
        prefix: NDArray[np.uint16],
        ones: NDArray[np.uint16],
        where: NDArray[np.int64],
        power: int = 1,
    ) -> None:
        """Take prefix sums.

        Args:
            field: with the root alpha.
            prefix: `uint16[rows, kept, depth]`, see `syndrome_kernels.syndrome_prefixes`.
            ones: `uint16[1, kept, depth]`, the same of a row with all bits set.
            where: `int64[columns + 1]`, where the sums up to a column are kept; -1 where they are not.
            power: the root is alpha^power.
        """
        self.field, self.prefix, self.ones, self.where, self.power = field, prefix, ones, where, power

    @classmethod
    def of(cls, field: FieldTables, rows: NDArray[np.uint8], depth: int) -> "FieldRows":
        """Sum up `uint8[rows, columns]`, most significant bit first, up to every column."""
        scratch = np.empty(256, np.int32)
        prefix = np.empty((len(rows), rows.shape[1] + 1, depth), np.uint16)
        syndrome_prefixes(rows, field.m, field.exp, field.log, scratch, prefix)
        ones = np.empty((1, rows.shape[1] + 1, depth), np.uint16)
        full = np.full((1, rows.shape[1]), 0xFF, np.uint8)
        syndrome_prefixes(full, field.m, field.exp, field.log, scratch, ones)
        return cls(field, prefix, ones, np.arange(rows.shape[1] + 1))

    def counts(
        self, message: int, table: NDArray[np.int64], variants: int
    ) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Rows that decode and their errors, `uint16[variants, places, sizes]` each.

        Raises:
            ValueError: a place lies outside the rows.
        """
        columns = len(self.where) - 1
        if len(table) and not (
            0 <= table[:, 0].min() <= table[:, 0].max() <= columns
            and 0 <= table[:, 1].min() <= (table[:, 1] + table[:, 2]).max() <= columns
        ):
            raise ValueError(f"places outside the {columns} columns of the rows")
        sizes = int((table[:, 4] - table[:, 3]).max(initial=-1)) + 1
        counts = np.zeros((variants, len(table), max(0, sizes)), np.uint16)
        errors = np.zeros_like(counts)
        if counts.size and message < columns:
            tables = (self.prefix, self.ones, self.where, self.power, self.field.m, self.field.exp, self.field.log)
            decodable_places(*tables, 0, message, table, SLACK, counts, errors)
        return counts, errors

    def hits(self, message: int, table: NDArray[np.int64], variants: int, shortest: int) -> list[tuple[int, int, int]]:
        """(variant, place, size) of every hit, the best first; no parity is shorter than `shortest` bytes."""
        table[:, 3] = np.maximum(table[:, 3], shortest)
        kept = np.flatnonzero(table[:, 3] <= table[:, 4])
        counts, errors = self.counts(message, table[kept], variants)
        found = np.argwhere(counts)
        if not len(found):
            return []
        score = counts[tuple(found.T)].astype(np.int64) * 1000 - errors[tuple(found.T)]
        best = found[np.argsort(-score, kind="stable")]
        return [(int(v), int(kept[p]), int(s + table[kept[p], 3])) for v, p, s in best.tolist()]
