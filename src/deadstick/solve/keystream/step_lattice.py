"""Rules for the keystreams from the steps between pages that have the same one.

Pages with equal seeds lie apart by steps of places and blocks that are a lattice in the plane, the kernel of the rule
(`schedule`). So they tell its three numbers apart from any knowledge of the seeds.
"""

from collections.abc import Iterator
from dataclasses import replace
from math import gcd

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.keystream.schedule import MOST_KEYSTREAMS, Schedule

MOST_STEPS = 64
SPANNED = 0.3
"""Share of the steps that must have been seen before a lattice is worth a look."""

Lattice = tuple[int, int, int]
"""All sums of (d, 0) and (s, t), as (d, s, t); a zero where there is no such vector yet."""


def rules_of(pages: NDArray[np.int64], labels: NDArray[np.int64], size: int) -> Iterator[Schedule]:
    """Rules for one block size.

    Two pages with one keystream lie apart by (places, blocks) with page_step * places + block_step * blocks = 0 modulo
    the count. All such steps are a lattice in the plane, and the steps that are seen most often span it. Steps that
    are none of its (seeds that are equal by accident) are rare and come last.

    Args:
        pages: `int64[known]`, page numbers.
        labels: `int64[known]`, a number for the seed of each.
        size: pages in a block.
    """
    order = np.lexsort((pages, labels))
    same = labels[order][1:] == labels[order][:-1]
    block, place = np.divmod(pages[order], size)
    steps = np.stack([np.diff(place)[same], np.diff(block)[same]], axis=1)
    if not len(steps):
        return
    codes, counts = np.unique(steps[:, 1] * (4 * size) + steps[:, 0] + 2 * size, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    blocks, places = np.divmod(codes[order], 4 * size)
    places -= 2 * size
    counts = counts[order]
    lattice: Lattice = (0, 0, 0)
    seen = 0.0
    often = zip(places[:MOST_STEPS].tolist(), blocks[:MOST_STEPS].tolist(), counts.tolist(), strict=False)
    for x, y, count in often:
        before, lattice = lattice, with_step(lattice, x, y)
        if lattice != before and seen >= SPANNED:
            yield from of_lattice(before, size)
        seen += count / len(steps)
        if lattice[0] * lattice[2] == 1:
            return
    if lattice[0] * lattice[2]:
        yield from of_lattice(lattice, size)
        return
    yield from (replace(rule, is_open=True) for rule in of_lattice(_closed(lattice, int(block.max()), size), size))
    for wider in _widened(lattice, places[MOST_STEPS:], blocks[MOST_STEPS:]):
        yield from of_lattice(wider, size)


def _widened(lattice: Lattice, places: NDArray[np.int64], blocks: NDArray[np.int64]) -> Iterator[Lattice]:
    """A lattice with the first further step outside it, then with the next such step, and so on.

    Under a keystream for each block nearly all steps lie within blocks. Where a part of the pages shows, they have more
    different lengths than `MOST_STEPS`, and the few steps to another block come once each, behind them.

    Args:
        lattice: that does not span the plane.
        places: `int64[steps]`, places of each step.
        blocks: `int64[steps]`, blocks of each.
    """
    while lattice[0] * lattice[2] != 1:
        outside = np.flatnonzero(~_has(lattice, places, blocks))
        if not len(outside):
            return
        first = int(outside[0])
        lattice = with_step(lattice, int(places[first]), int(blocks[first]))
        yield lattice
        places, blocks = places[first + 1 :], blocks[first + 1 :]


def _has(lattice: Lattice, places: NDArray[np.int64], blocks: NDArray[np.int64]) -> NDArray[np.bool_]:
    """`bool[steps]`: whether each step is one of the lattice.

    >>> _has((16, 11, 1), np.array([16, 11, 12]), np.array([0, 1, 1]))
    array([ True,  True, False])
    """
    d, s, t = lattice
    # Without a second vector only steps within a block are left, without a first one only multiples of the second.
    turns = blocks // t if t else np.zeros_like(blocks)
    rest = places - turns * s
    within: NDArray[np.bool_] = (blocks == turns * t) & ((rest % d if d else rest) == 0)
    return within


def _closed(lattice: Lattice, last: int, size: int) -> Lattice:
    """A lattice that too few steps span, with the one that keeps all pages apart in the blocks up to the last."""
    d, s, t = lattice
    # Places and blocks count in one number only where the three have no factor in common.
    if t and not d:
        first = size + abs(s) * (last // t)
        return next(d for d in range(first, first + t + 1) if gcd(gcd(d, s), t) == 1), s, t
    return (d, 0, next(t for t in range(last + 1, last + d + 2) if gcd(t, d) == 1)) if d and not t else (0, 0, 0)


def with_step(lattice: Lattice, x: int, y: int) -> Lattice:
    """The lattice that a further vector spans.

    >>> with_step(with_step((0, 0, 0), 16, 0), -5, 1)
    (16, 11, 1)
    """
    d, s, t = lattice
    while y:
        x, y, s, t = s - (t // y) * x, t % y, x, y
        # (s, t) is now the shorter one of the two; go on until the other has no second part.
    d = gcd(d, abs(x))
    if t < 0:
        s, t = -s, -t
    return d, s % d if d else s, t


def of_lattice(lattice: Lattice, size: int) -> Iterator[Schedule]:
    """The rule whose kernel a lattice is, if there is one."""
    d, s, t = lattice
    count = d * t
    if not 0 < count <= MOST_KEYSTREAMS:
        return
    # page_step * d = 0 and page_step * s + block_step * t = 0 modulo d * t.
    for turn in range(t):
        block_step = (-s + d * turn) % count
        if gcd(gcd(t, block_step), count) == 1:
            # Where the numbers go on from one block to the next without a break, blocks do not matter.
            free = t == 1 and (size - block_step) % count == 0
            yield Schedule(count, 1, 0, 0, 0, 0) if free else Schedule(count, t % count, block_step, size, 0, 0)
            return
