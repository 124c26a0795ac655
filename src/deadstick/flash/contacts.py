"""Contact faults of one read, found from its statistics alone.

A NAND chip gives a byte over eight data lines. A line without contact reads as a constant; two lines that touch read
alike; an address line without contact shows one page at two addresses. Bit errors arise in the array, before the bus,
so a constant line is constant to the last bit. The read is looked at in *units* of 4 KiB or more, of which only written
ones count: on an erased unit every line is constant.

- **Stuck**: a line that does not change in written units, while most others do.
- **Tied**: two lines that never differ in written units, though both change.
- **Address**: written units that have one twin at a distance D, before them or behind them but not both. A keystream
  that repeats over constant data gives twins on both sides, and one copied block has few.

From where to where: every unit speaks for a fault (+1), against it (-3), or not at all, and the run with the greatest
sum is taken (J. Bentley, "Programming pearls: algorithm design techniques", Communications of the ACM 27 (1984)).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import log10
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.flash import kernels
from deadstick.flash.align import ALIKE, Bytes, occurrences, sampled_grams, shares_at, unit_size, written_units

Kind = Literal["stuck", "tied", "address"]

_AGAINST = -3
_FEWEST_UNITS = 16
_FEWEST_TWINS = 0.25
_BALANCED = 0.1
_LEAST_DISTANCE = 256
_WHOLE_BYTES = 1 << 30
_LOOK_BYTES = 8192


@dataclass(frozen=True, slots=True)
class Fault:
    """One contact fault in one read.

    Attributes:
        kind: what is wrong.
        lines: the data lines concerned, bit b for line b; none for an address fault.
        value: what a stuck line reads.
        distance: bytes between the twins of an address fault.
        start: first byte of the read that it concerns.
        end: byte after the last one.
        to_end: whether nothing behind speaks against it.
        units: written units that speak for it.
        log10_chance: as in `Notice`.
    """

    kind: Kind
    lines: tuple[int, ...]
    start: int
    end: int
    to_end: bool
    units: int
    value: int = 0
    distance: int = 0
    log10_chance: float | None = None

    @property
    def mask(self) -> int:
        """The lines as a mask."""
        return sum(1 << line for line in self.lines)


@dataclass(frozen=True)
class Figures:
    """Figures of a read, unit by unit.

    Attributes:
        unit: bytes of a unit.
        looked: bytes at the head of each unit that were looked at: all, but in a very large read.
        ones: `uint32[units, 8]`: ones on each line.
        unequal: `bool[units, 8, 8]`: whether two lines ever differ.
        written: `bool[units]`.
    """

    unit: int
    looked: int
    ones: NDArray[np.uint32]
    unequal: NDArray[np.bool_]
    written: NDArray[np.bool_]

    @classmethod
    def of(cls, read: Bytes, unit: int | None = None) -> "Figures":
        """Count, over the whole units of a read.

        Args:
            read: `uint8[bytes]`.
            unit: bytes of a unit; by the size of the read if None.
        """
        unit = unit or unit_size(len(read))
        count, looked = len(read) // unit, unit if len(read) <= _WHOLE_BYTES else min(unit, _LOOK_BYTES)
        heads = read[: count * unit].reshape(count, unit)[:, :looked]
        words = np.ascontiguousarray(heads).reshape(-1).view(np.uint64)
        ones, unequal = np.zeros((count, 8), np.uint32), np.zeros((count, 4), np.uint8)
        kernels.line_figures(words, looked // 8, ones, unequal)
        pairs = np.zeros((count, 8, 8), np.bool_)
        for k in range(1, 5):
            for line in range(8):
                differ = (unequal[:, k - 1] >> line) & 1 != 0
                pairs[:, line, (line + k) % 8] |= differ
                pairs[:, (line + k) % 8, line] |= differ
        return cls(unit, looked, ones, pairs, written_units(ones, looked))


def find_faults(read: Bytes) -> tuple[Fault, ...]:
    """All contact faults that one read shows by itself.

    Args:
        read: `uint8[bytes]`.

    >>> rng = np.random.default_rng(5)
    >>> read = rng.integers(0, 256, 1 << 18, dtype=np.uint8)
    >>> read[100_000:] |= 0x08
    >>> fault, = find_faults(read)
    >>> fault.kind, fault.lines, fault.value, abs(fault.start - 100_000) < 16, fault.to_end
    ('stuck', (3,), 1, True, True)
    """
    figures = Figures.of(read)
    stuck = [fault for line in range(8) for value in (0, 1) if (fault := _stuck(read, figures, line, value))]
    tied = [fault for low in range(8) for high in range(low) if (fault := _tied(read, figures, high, low))]
    twin = _address(read, figures)
    return (*stuck, *tied, *([twin] if twin else []))


def _stuck(read: Bytes, figures: Figures, line: int, value: int) -> Fault | None:
    ones = figures.ones[:, line]
    constant = ones == value * figures.looked
    scores = np.where(figures.written & constant, 1, np.where(constant, 0, _AGAINST))
    run = _run(scores, int(figures.written.sum()))
    if run is None:
        return None
    others = np.delete(figures.ones[run[0] : run[1]][figures.written[run[0] : run[1]]], line, axis=1) / figures.looked
    balanced = bool((np.abs(others.mean(axis=0) - 0.5) < _BALANCED).sum() >= 6)
    # Random bits; what is not scrambled may well lack a bit, as text does, and no chance can be stated.
    chance = _chance(run[2] * figures.looked) if balanced else None
    wanted = 0xFF * value

    def speaks_against(values: Bytes) -> NDArray[np.bool_]:
        against: NDArray[np.bool_] = ((values ^ np.uint8(wanted)) >> np.uint8(line)) & np.uint8(1) != 0
        return against

    start, end, to_end = _edges(read, figures, run, speaks_against)
    return Fault("stuck", (line,), start, end, to_end, run[2], value=value, log10_chance=chance)


def _tied(read: Bytes, figures: Figures, one: int, other: int) -> Fault | None:
    shares = figures.ones[:, [one, other]] / figures.looked
    lively = figures.written & (np.minimum(shares, 1 - shares).min(axis=1) >= 0.02)
    equal = ~figures.unequal[:, one, other]
    scores = np.where(lively & equal, 1, np.where(equal, 0, _AGAINST))
    run = _run(scores, int(figures.written.sum()))
    if run is None:
        return None
    chance = _chance(run[2] * figures.looked)

    def speaks_against(values: Bytes) -> NDArray[np.bool_]:
        against: NDArray[np.bool_] = ((values >> np.uint8(one)) ^ (values >> np.uint8(other))) & np.uint8(1) != 0
        return against

    start, end, to_end = _edges(read, figures, run, speaks_against)
    return Fault("tied", (one, other), start, end, to_end, run[2], log10_chance=chance)


def _chance(bits: int) -> float:
    """Of so many random bits in one way; below 10^-300 nobody cares."""
    return max(-300.0, -bits * log10(2))


def _run(scores: NDArray[np.int64], written: int, fewest: int = _FEWEST_UNITS) -> tuple[int, int, int] | None:
    """The run with the greatest sum: first unit, unit after the last, units that speak for it; None if too few do."""
    sums = np.concatenate([[0], np.cumsum(scores)])
    gains = sums - np.minimum.accumulate(sums)
    stop = int(gains.argmax())
    if gains[stop] <= 0:
        return None
    # The earliest of equals: what says nothing goes with the run, up to the last byte that speaks against it.
    first = int(sums[: stop + 1].argmin())
    count = int((scores[first:stop] > 0).sum())
    enough = count >= fewest or (count >= 4 and 2 * count >= written)
    return (first, stop, count) if enough else None


def _edges(
    read: Bytes, figures: Figures, run: tuple[int, int, int], against: Callable[[Bytes], NDArray[np.bool_]]
) -> tuple[int, int, bool]:
    """Bytes from and to which the fault holds, and whether it holds to the end."""
    first, stop, _ = run
    start, end = first * figures.unit, stop * figures.unit
    before = np.flatnonzero(against(read[max(0, start - figures.unit) : start]))
    start = max(0, start - figures.unit) + int(before[-1]) + 1 if len(before) else max(0, start - figures.unit)
    behind = np.flatnonzero(
        against(read[end:]) if len(read) - end <= figures.unit else against(read[end:][: figures.unit])
    )
    if len(behind):
        return start, end + int(behind[0]), False
    to_end = not figures.written[stop:].any()
    return start, len(read) if to_end else end, to_end


def _address(read: Bytes, figures: Figures) -> Fault | None:
    """One page at two addresses."""
    keys, places = sampled_grams(read, 0xFF)
    if len(keys) < 4 * _FEWEST_UNITS:
        return None
    found = occurrences(read, keys, 0xFF)
    distances = np.abs(found[:, 1] - places[found[:, 0]])
    values, counts = np.unique(distances[distances >= _LEAST_DISTANCE], return_counts=True)
    if not len(values) or counts.max() < _FEWEST_TWINS / 2 * len(keys):
        return None
    distance = int(values[counts.argmax()])
    # Much smaller than the distance, so that most units lie on one side of an address bit.
    unit = max(64, min(figures.unit, 1 << (distance.bit_length() - 5)))
    written = Figures.of(read, unit).written
    before, behind = shares_at(read, read, unit, distance) < ALIKE, shares_at(read, read, unit, -distance) < ALIKE
    before, behind = before[: len(written)], behind[: len(written)]
    # Twins on both sides are constant data under a keystream that repeats: they say nothing.
    scores = np.where(written & ~(before & behind), np.where(before ^ behind, 1, _AGAINST), 0)
    run = _run(scores, int(written.sum()))
    if run is None or run[2] < _FEWEST_TWINS * written.sum():
        return None
    start, end = run[0] * unit, run[1] * unit
    to_end = not written[run[1] :].any()
    return Fault("address", (), start, len(read) if to_end else end, to_end, run[2], distance=distance)
