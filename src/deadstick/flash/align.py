"""How several reads lie on each other: the same place, a shift, another order, or another chip altogether.

Two reads of one chip are compared unit by unit, a unit being 4 KiB or more. Units that hold next to nothing are left
out, as they are alike everywhere. Written ones that belong together differ in their few bit errors, others in half of
their bits. The figure is the *median over the eight data lines* of the share of differing bits, so that up to three
bad contacts do not hide that the rest is alike.

Where two reads do not lie on each other as they stand, short strings of bytes (grams) from one are looked for at every
byte of the other, and their distances are counted: those of a real shift pile up. Under a contact fault whole bytes
never match, so low and high halves of the bytes are tried too.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.flash import kernels

Bytes = NDArray[np.uint8]

LEAST_UNIT = 4096
MOST_UNITS = 1 << 17
"""Of a chip, so that what is kept for each unit stays small."""
ALIKE = 0.15
"""Most differing bits of a unit, median over the lines, in two reads of the same place: above any error rate that can
be corrected, below what two different places have in common."""
_WRITTEN = 0.05
_PLAINLY = 0.05
_FEWEST_SHARE = 0.03
_BLOCK_BYTES = 1 << 22
_SAMPLED_UNITS = 256
_GRAMS = 2048
_MOST_FOUND = 1 << 16
_SEARCHED_BYTES = 1 << 28
_MOST_SHIFTS = 8


@dataclass(frozen=True)
class Placement:
    """Where the units of a chip stand in one read.

    Attributes:
        sources: `int64[units]`, first byte in the read, -1 where it does not hold the unit.
        shifts: distances that were used, the most frequent first, with the units that each explains.
        alike: share of the written units that both hold and that agree.
    """

    sources: NDArray[np.int64]
    shifts: tuple[tuple[int, int], ...] = ()
    alike: float = 1.0

    @property
    def is_natural(self) -> bool:
        """Whether every unit stands where it should."""
        held = np.flatnonzero(self.sources >= 0)
        steps = np.diff(self.sources[held]) if len(held) else np.zeros(0, np.int64)
        return len(held) > 0 and bool(self.sources[held[0]] == 0 == held[0]) and len(np.unique(steps)) <= 1


@dataclass(frozen=True)
class Alignment:
    """How the reads of a chip lie on each other.

    Attributes:
        leader: number of the read that gives the order.
        unit_bytes: of a unit.
        placements: one for each read; None for a read of something else.
    """

    leader: int
    unit_bytes: int
    placements: tuple[Placement | None, ...] = field(default=())


def unit_size(size: int) -> int:
    """Bytes of a unit for a chip of so many bytes: a power of two."""
    unit = LEAST_UNIT
    while size > unit * MOST_UNITS:
        unit *= 2
    return unit


def align(reads: list[Bytes], suspects: frozenset[int] = frozenset()) -> Alignment:
    """Lay reads on each other.

    Args:
        reads: `uint8[bytes]` each; lengths may differ.
        suspects: numbers of reads with an address fault; they should not lead, if any other can.

    Returns:
        With the longest read as the leader, unless the others agree better with another.
    """
    ranked = sorted(range(len(reads)), key=lambda number: (number in suspects, -len(reads[number]), number))
    found: list[tuple[tuple[int, int], Alignment]] = []
    for leader in ranked:
        unit = unit_size(len(reads[leader]))
        placed = tuple(
            place(reads[leader], read, unit, natural_only=number in suspects) for number, read in enumerate(reads)
        )
        natural = sum(item is not None and item.is_natural for item in placed)
        found.append(((natural, sum(item is not None for item in placed)), Alignment(leader, unit, placed)))
        if 2 * natural > len(reads):
            break
    # `max` takes the first of equals, which is the best ranked.
    return max(found, key=lambda item: item[0])[1]


def place(leader: Bytes, read: Bytes, unit: int, *, natural_only: bool = False) -> Placement | None:
    """Find the units of one read in another.

    Args:
        leader: `uint8[bytes]`, whose units they are.
        read: `uint8[bytes]`, where to look for them.
        unit: bytes of a unit.
        natural_only: take units where they should be, or not at all: what stands elsewhere may be there by a fault.

    Returns:
        None where hardly anything of it is found.
    """
    units = -(-len(leader) // unit)
    natural = np.arange(units, dtype=np.int64) * unit
    if read is leader:
        return Placement(natural, ((0, units),))
    natural = np.where(np.minimum(natural + unit, len(leader)) <= len(read), natural, -1)
    sample = np.unique(np.linspace(0, units - 1, min(units, _SAMPLED_UNITS)).astype(np.int64))
    found = alikeness(leader, read, unit, sample, natural[sample])
    both = np.isfinite(found)
    if not both.any():
        # Nothing is written where both are: nothing speaks against the natural place.
        return Placement(natural, ((0, int((natural >= 0).sum())),))
    share = float((found[both] < ALIKE).mean())
    if share >= 0.9:
        return Placement(natural, ((0, int((natural >= 0).sum())),), share)
    shifts = [0] if natural_only else [0, *(shift for shift in find_shifts(leader, read) if shift)]
    placed = _placed(leader, read, unit, shifts)
    if placed and natural_only:
        # A unit beside a wrong one may be wrong in part.
        held = placed.sources >= 0
        beside = held & np.append(held[1:], True) & np.insert(held[:-1], 0, True)
        placed = replace(placed, sources=np.where(beside, placed.sources, -1))
    fewest = max(1, units // 50)
    return placed if placed and sum(count for _, count in placed.shifts) >= fewest else None


def alikeness(
    leader: Bytes, read: Bytes, unit: int, units: NDArray[np.int64], sources: NDArray[np.int64]
) -> NDArray[np.float64]:
    """`float64[units]`: median over the lines of the share of differing bits; NaN where either holds too little.

    Args:
        leader: `uint8[bytes]`.
        read: `uint8[bytes]`.
        unit: bytes of a unit.
        units: `int64[units]`, numbers in the leader.
        sources: `int64[units]`, first bytes in the read; a negative one is skipped.
    """
    shares = np.full(len(units), np.nan)
    for row, (number, source) in enumerate(zip(units.tolist(), sources.tolist(), strict=True)):
        one = leader[number * unit : (number + 1) * unit]
        if source < 0 or source + len(one) > len(read) or len(one) < 64:
            continue
        other = read[source : source + len(one)]
        if is_written(one) and is_written(other):
            shares[row] = np.median(line_shares(one ^ other))
    return shares


def line_shares(values: Bytes) -> NDArray[np.float64]:
    """`float64[8]`: the share of ones on each data line."""
    histogram = np.bincount(values, minlength=256)
    lines = (np.arange(256)[:, None] >> np.arange(8)) & 1
    shares: NDArray[np.float64] = histogram @ lines / max(1, len(values))
    return shares


def is_written(unit: Bytes) -> bool:
    """Whether most lines of a unit carry both zeros and ones."""
    shares = line_shares(unit)
    return bool(np.median(np.minimum(shares, 1 - shares)) >= _WRITTEN)


def find_shifts(leader: Bytes, read: Bytes) -> list[int]:
    """Distances at which strings of the read stand in the leader, the most frequent first.

    Args:
        leader: `uint8[bytes]`; its first 256 MiB are searched.
        read: `uint8[bytes]`, which gives the strings.
    """
    for mask in (0xFF, 0x0F, 0xF0):
        keys, places = sampled_grams(read, mask)
        found = occurrences(leader, keys, mask)
        distances, counts = np.unique(found[:, 1] - places[found[:, 0]], return_counts=True)
        order = np.argsort(-counts, kind="stable")[:_MOST_SHIFTS]
        chosen = [int(distances[k]) for k in order if counts[k] >= max(4, len(keys) // 200)]
        if chosen:
            return chosen
    return []


def sampled_grams(read: Bytes, mask: int) -> tuple[NDArray[np.uint64], NDArray[np.int64]]:
    """Strings of the written parts of a read, about evenly spaced: ascending keys without doubles, and their places."""
    step = max(1, (len(read) - kernels.GRAM_BYTES) // (4 * _GRAMS))
    places = np.arange(0, max(0, len(read) - kernels.GRAM_BYTES - step), step, dtype=np.int64)
    # Off the grid, so that two copies of a page do not give the same string twice.
    places += np.random.default_rng(len(read)).integers(0, step, len(places))
    windows = read[places[:, None] + np.arange(kernels.GRAM_BYTES)] & np.uint8(mask)
    windows.sort(axis=1)
    places = places[(np.diff(windows, axis=1) != 0).sum(axis=1) >= 7]
    keys = np.empty(len(places), np.uint64)
    kernels.grams_at(read, places, np.uint8(mask), keys)
    keys, first, counts = np.unique(keys, return_index=True, return_counts=True)
    once = np.flatnonzero(counts == 1)
    return keys[once], places[first[once]]


def occurrences(data: Bytes, keys: NDArray[np.uint64], mask: int) -> NDArray[np.int64]:
    """`int64[found, 2]`: key and place of every occurrence, but for keys that stand in many places.

    Args:
        data: `uint8[bytes]`; its first 256 MiB are searched.
        keys: from `sampled_grams`.
        mask: as there.
    """
    sieve = np.zeros(1 << 20, np.uint8)
    sieve[(keys & np.uint64(0xFFFFF)).astype(np.int64)] = 1
    found = np.empty((_MOST_FOUND, 2), np.int64)
    count = kernels.find_grams(data[:_SEARCHED_BYTES], keys, np.uint8(mask), sieve, found)
    found = found[:count]
    often = np.bincount(found[:, 0], minlength=len(keys))[found[:, 0]] > _MOST_SHIFTS
    return found[~often]


def _placed(leader: Bytes, read: Bytes, unit: int, shifts: list[int]) -> Placement | None:
    """Give every unit the shift under which it agrees; units beside a change of shift are left out.

    A later shift must be plainly better than an earlier one: two copies of a page differ in their noise.
    """
    units = -(-len(leader) // unit)
    numbers = np.arange(units, dtype=np.int64)
    best, chosen = np.full(units, ALIKE + _PLAINLY), np.full(units, -1, np.int64)
    written = np.zeros(units, np.bool_)
    for index, shift in enumerate(shifts):
        found = shares_at(leader, read, unit, shift)
        written |= np.isfinite(found)
        better = np.nan_to_num(found, nan=np.inf) < best - _PLAINLY
        best[better], chosen[better] = found[better], index
    # A few units under a shift of their own are older copies of blocks, not another order.
    few = np.bincount(chosen[chosen >= 0], minlength=len(shifts)) < _FEWEST_SHARE * max(1, (chosen >= 0).sum())
    chosen[few[chosen] & (chosen >= 0)] = -1
    if not (chosen >= 0).any():
        return None
    alike = float((chosen >= 0).sum() / max(1, written.sum()))
    counts = [(shift, int((chosen == index).sum())) for index, shift in enumerate(shifts)]
    # Units that hold too little to tell go with those around them.
    known = np.flatnonzero(chosen >= 0)
    unknown = np.flatnonzero((chosen < 0) & ~written)
    at = np.searchsorted(known, unknown)
    before, after = known[np.maximum(at - 1, 0)], known[np.minimum(at, len(known) - 1)]
    chosen[unknown] = np.where(chosen[before] == chosen[after], chosen[before], -1)
    change = np.flatnonzero((np.diff(chosen) != 0) & (chosen[:-1] >= 0) & (chosen[1:] >= 0))
    chosen[change] = -1
    chosen[change + 1] = -1
    sources = np.where(chosen >= 0, numbers * unit - np.array(shifts, np.int64)[chosen], -1)
    ends = sources + np.minimum(unit, len(leader) - numbers * unit)
    sources[(sources < 0) | (ends > len(read))] = -1
    used = tuple(sorted((item for item in counts if item[1]), key=lambda item: -item[1]))
    return Placement(sources, used, alike)


def shares_at(leader: Bytes, read: Bytes, unit: int, shift: int) -> NDArray[np.float64]:
    """`alikeness` of every unit under one shift; units that the read does not hold whole are NaN."""
    first = max(0, -(-shift // unit))
    last = min(len(leader), len(read) + shift) // unit
    shares = np.full(-(-len(leader) // unit), np.nan)
    step = max(1, _BLOCK_BYTES // unit)
    for start in range(first, last, step):
        stop = min(start + step, last)
        run = slice(start * unit - shift, stop * unit - shift)
        stack = np.stack([leader[start * unit : stop * unit], read[run]])
        shares[start:stop] = _median_differences(stack, unit)
    return shares


def _median_differences(stack: Bytes, unit: int) -> NDArray[np.float64]:
    """The figure of `alikeness` for whole units of two reads, `uint8[2, bytes]`."""
    words, count = stack.view(np.uint64), stack.shape[1] // unit
    written = np.ones(count, np.bool_)
    for row in words:
        ones, unequal = np.empty((count, 8), np.uint32), np.empty((count, 4), np.uint8)
        kernels.line_figures(row, unit // 8, ones, unequal)
        written &= written_units(ones, unit)
    different = np.zeros((2, count, 8), np.uint32)
    kernels.compare_reads(words, np.ones((2, count), np.uint8), unit // 8, different)
    shares: NDArray[np.float64] = np.median(different[1] / unit, axis=1)
    shares[~written] = np.nan
    return shares


def written_units(ones: NDArray[np.uint32], unit: int) -> NDArray[np.bool_]:
    """`bool[units]`: units on which most data lines carry both zeros and ones.

    Args:
        ones: `uint32[units, 8]`, the ones of each line.
        unit: bytes of a unit.
    """
    shares = ones / unit
    written: NDArray[np.bool_] = np.median(np.minimum(shares, 1 - shares), axis=1) >= _WRITTEN
    return written
