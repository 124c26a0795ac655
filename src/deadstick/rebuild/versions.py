"""Which of several copies is the newest, when the version counter may have wrapped."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHANCE_LIMIT = 1e-3
"""Greatest chance that versions which have wrapped at random lie as close together as those of a dump."""


@dataclass(frozen=True)
class VersionClock:
    """Orders the versions of one dump.

    A counter of w bits is a circle of 2^w places, and a version says how old a copy is only if the counter went
    round less than once between the copies that are compared. That must show in the dump: a counter that went round
    again and again leaves versions that are spread evenly over the circle, and the chance that n of them lie within
    an arc of A places is at most n (A / 2^w)^(n - 1).

    - All versions of the dump lie within such an arc that the chance is below `CHANCE_LIMIT`: the counter starts
      where the arc begins. Versions that cluster at both ends of the range have wrapped once; those that begin at 0
      have not.
    - Or the versions of each logical block do, all blocks with several copies taken together, and each within less
      than half of the circle: they are compared block by block, as serial numbers are (RFC 1982). So it is where
      every logical block counts for itself.
    - Otherwise no order is sure.

    Attributes:
        bits: width of the counter.
        start: the oldest version of the dump; None where the first case does not hold.
        close: whether the second case holds.
    """

    bits: int
    start: int | None
    close: bool = False

    @classmethod
    def of(cls, groups: Sequence[NDArray[np.int64]], bits: int) -> "VersionClock":
        """Find the case from the versions of a dump: for each logical block those of its copies, `int64[copies]`.

        >>> VersionClock.of([np.array([254, 0]), np.array([255, 1]), np.array([1, 0])], 8)
        VersionClock(bits=8, start=254, close=True)
        """
        versions = np.concatenate([*groups, np.zeros(0, np.int64)])
        if not len(versions):
            return cls(bits, 0)
        start, arc = _shortest_arc(versions, bits)
        several = [group for group in groups if len(group) > 1]
        longest = max((_shortest_arc(group, bits)[1] for group in several), default=0)
        chance = np.prod([_chance(len(group), longest, bits) for group in several])
        return cls(
            bits,
            start if _chance(len(versions), arc, bits) < CHANCE_LIMIT else None,
            bool(chance < CHANCE_LIMIT and 2 * longest < 1 << bits),
        )

    def ages(self, versions: NDArray[np.int64]) -> tuple[NDArray[np.int64], bool]:
        """Rank the copies of one logical block.

        Args:
            versions: `int64[copies]`.

        Returns:
            `int64[copies]`, larger for newer, equal for equal; and whether that order is sure.

        >>> VersionClock(8, None, close=True).ages(np.array([255, 0]))
        (array([0, 1]), True)
        """
        start = self.start if self.start is not None else _shortest_arc(versions, self.bits)[0]
        return (versions - start) % (1 << self.bits), self.start is not None or self.close


def _chance(count: int, arc: int, bits: int) -> float:
    return min(1.0, count * (arc / 2.0**bits) ** (count - 1))


def _shortest_arc(versions: NDArray[np.int64], bits: int) -> tuple[int, int]:
    """The first version on the shortest arc that holds all, and the places on that arc."""
    circle = 1 << bits
    values = np.unique(versions)
    # Behind the highest value the circle closes to the lowest one. A tie goes to the place of the wrap: no wrap.
    steps = np.diff(values, prepend=values[-1] - circle)
    widest = int(np.argmax(steps))
    return int(values[widest]), circle - int(steps[widest]) + 1
