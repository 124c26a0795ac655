"""Rules for the keystreams from the steps between pages that have the same one.

Pages with equal seeds lie apart by steps of places and blocks that are a lattice in the plane, the kernel of the rule
(`schedule`). So they tell its three numbers apart from any knowledge of the seeds.
"""

from collections.abc import Iterator
from dataclasses import replace
from math import gcd

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.schedule import MOST_KEYSTREAMS, Schedule

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
    often = codes[np.argsort(-counts, kind="stable")[:MOST_STEPS]]
    lattice: Lattice = (0, 0, 0)
    seen = 0.0
    for code, count in zip(often.tolist(), sorted(counts.tolist(), reverse=True), strict=False):
        blocks, places = divmod(code, 4 * size)
        before, lattice = lattice, _with_step(lattice, places - 2 * size, blocks)
        if lattice != before and seen >= SPANNED:
            yield from _of_lattice(before, size)
        seen += count / len(steps)
        if lattice[0] * lattice[2] == 1:
            return
    if lattice[0] * lattice[2]:
        yield from _of_lattice(lattice, size)
    else:
        yield from (replace(rule, is_open=True) for rule in _of_lattice(_closed(lattice, int(block.max()), size), size))


def _closed(lattice: Lattice, last: int, size: int) -> Lattice:
    """A lattice that too few steps span, with the one that keeps all pages apart in the blocks up to the last."""
    d, s, t = lattice
    # Places and blocks count in one number only where the three have no factor in common.
    if t and not d:
        first = size + abs(s) * (last // t)
        return next(d for d in range(first, first + t + 1) if gcd(gcd(d, s), t) == 1), s, t
    return (d, 0, next(t for t in range(last + 1, last + d + 2) if gcd(t, d) == 1)) if d and not t else (0, 0, 0)


def _with_step(lattice: Lattice, x: int, y: int) -> Lattice:
    """The lattice that a further vector spans.

    >>> _with_step(_with_step((0, 0, 0), 16, 0), -5, 1)
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


def _of_lattice(lattice: Lattice, size: int) -> Iterator[Schedule]:
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
