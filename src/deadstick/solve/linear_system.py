"""Linear equations over GF(2)."""

from collections.abc import Sequence


class LinearSystem:
    """The x with sum of x_i * columns[i] = target over GF(2), by Gauss on bit vectors held in integers.

    >>> LinearSystem([0b011, 0b110]).solve(0b101)
    3

    Args:
        columns: bit vectors.
    """

    def __init__(self, columns: Sequence[int]) -> None:
        self._reduced: dict[int, tuple[int, int]] = {}  # length of the vector -> (vector, which columns make it)
        for index, column in enumerate(columns):
            vector, made = self._reduce(column, 1 << index)
            if vector:
                self._reduced[vector.bit_length()] = (vector, made)
        self.is_regular = len(self._reduced) == len(columns)

    def solve(self, target: int) -> int | None:
        """The one solution; None where there is none, or more than one."""
        rest, made = self._reduce(target, 0)
        return None if rest or not self.is_regular else made

    def _reduce(self, vector: int, made: int) -> tuple[int, int]:
        while vector and vector.bit_length() in self._reduced:
            other, how = self._reduced[vector.bit_length()]
            vector ^= other
            made ^= how
        return vector, made
