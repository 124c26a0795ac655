"""Which of several copies is the newest, when the version counter may have wrapped."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_WIDE_GAP = 4
"""The versions of a dump leave a quarter of the counter's circle empty: the place where it starts is plain."""


@dataclass(frozen=True)
class VersionClock:
    """Orders the versions of one dump.

    A counter of w bits is a circle of 2^w places. Where all versions of the dump leave an arc of at least a quarter
    of it empty, the counter starts behind the widest such arc: versions that cluster at both ends of the range have
    wrapped, and those that begin at 0 have not. Where no such arc is left, only the copies of one logical block are
    compared, as serial numbers are (RFC 1982): they must fit in less than half of the circle, and the one before
    the rest of the circle is the newest; if they do not fit, no order is sure.

    Attributes:
        bits: width of the counter.
        start: the oldest version of the dump; None where no wide arc is empty.
    """

    bits: int
    start: int | None

    @classmethod
    def of(cls, versions: NDArray[np.int64], bits: int) -> "VersionClock":
        """Find the start from all versions of a dump: `int64[copies]`.

        >>> VersionClock.of(np.array([254, 255, 0, 1]), 8)
        VersionClock(bits=8, start=254)
        """
        if not len(versions):
            return cls(bits, 0)
        start, gap = _after_widest_gap(versions, bits)
        return cls(bits, start if gap * _WIDE_GAP >= 1 << bits else None)

    def ages(self, versions: NDArray[np.int64]) -> tuple[NDArray[np.int64], bool]:
        """Rank the copies of one logical block.

        Args:
            versions: `int64[copies]`.

        Returns:
            `int64[copies]`, larger for newer, equal for equal; and whether that order is sure.

        >>> VersionClock(8, None).ages(np.array([255, 0]))
        (array([0, 1]), True)
        """
        start, sure = self.start, True
        if start is None:
            start, gap = _after_widest_gap(versions, self.bits)
            sure = 2 * gap > 1 << self.bits
        return (versions - start) % (1 << self.bits), sure


def _after_widest_gap(versions: NDArray[np.int64], bits: int) -> tuple[int, int]:
    """The version behind the widest empty arc, and the length of the step that leads to it."""
    circle = 1 << bits
    values = np.unique(versions)
    # Behind the highest value the circle closes to the lowest one. A tie goes to the place of the wrap: no wrap.
    steps = np.diff(values, prepend=values[-1] - circle)
    widest = int(np.argmax(steps))
    return int(values[widest]), int(steps[widest])
