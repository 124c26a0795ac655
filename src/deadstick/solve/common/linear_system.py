"""Linear equations over GF(2)."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


class LinearSystem:
    """The x with sum of x_i * columns[i] = target over GF(2), by Gauss on bit vectors held in integers.

    >>> LinearSystem([0b011, 0b110]).solve(0b101)
    3

    Args:
        columns: bit vectors.

    Attributes:
        is_regular: whether no sum of columns is zero.
        kernel: independent x under which the sum of the columns is zero; every other one is a sum of them.
    """

    def __init__(self, columns: Sequence[int]) -> None:
        self._reduced: dict[int, tuple[int, int]] = {}  # length of the vector -> (vector, which columns make it)
        kernel: list[int] = []
        for index, column in enumerate(columns):
            vector, made = self._reduce(column, 1 << index)
            if vector:
                self._reduced[vector.bit_length()] = (vector, made)
            else:
                kernel.append(made)
        self.kernel = tuple(kernel)
        self.is_regular = not kernel

    def solve(self, target: int) -> int | None:
        """The one solution; None where there is none, or more than one."""
        rest, made = self._reduce(target, 0)
        return None if rest or not self.is_regular else made

    def some_solution(self, target: int) -> int | None:
        """One solution; None where there is none. The sum of it and any sum of the kernel is another.

        >>> LinearSystem([0b011, 0b110, 0b101]).some_solution(0b101)
        3
        """
        rest, made = self._reduce(target, 0)
        return None if rest else made

    def solve_each(self, targets: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
        """One solution for each of many targets: `uint64[targets]`, and `bool[targets]` whether there is any.

        The sum of it and any sum of the kernel solves the same target.

        >>> made, has_one = LinearSystem([0b011, 0b110, 0b101]).solve_each(np.array([0b101, 0b001], np.uint64))
        >>> made.tolist()[0], has_one.tolist()
        (3, [True, False])
        """
        rest, made = targets.copy(), np.zeros(len(targets), np.uint64)
        for length in sorted(self._reduced, reverse=True):
            vector, how = self._reduced[length]
            has_bit = rest >> np.uint64(length - 1) & np.uint64(1) == 1
            rest[has_bit] ^= np.uint64(vector)
            made[has_bit] ^= np.uint64(how)
        return made, rest == 0

    def _reduce(self, vector: int, made: int) -> tuple[int, int]:
        while vector and vector.bit_length() in self._reduced:
            other, how = self._reduced[vector.bit_length()]
            vector ^= other
            made ^= how
        return vector, made
