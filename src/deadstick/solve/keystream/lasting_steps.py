"""Rules for keystreams that are more than the seeds: steps after which the seed is always the same.

A short register that runs on from keystream to keystream may be back at its first seed after a handful. Then most
pages with equal seeds have different keystreams, and the steps between them are no lattice (see `step_lattice`). But
two pages with one keystream have the same seed wherever they lie, and two with different keystreams that happen to have
one do not after the same step elsewhere. So a step is taken by the share of all pairs of pages that far apart whose
seeds are equal, not by how often it is seen.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly_of
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.step_lattice import Lattice, of_lattice, with_step

MOST_BLOCKS = 3
"""Blocks that a step leads over, at most."""
ASKED, FEWEST = (48, 512), 12
"""Pages whose steps are looked at first, and then, and pairs that must be among them."""
SLACK = 4.0
"""Standard deviations by which so few pairs may be alike less often than all of them must be."""
ACCIDENT = -6.0
"""Logarithm of the chance that so many pairs are alike by accident, over all steps."""
MOST_STEPS = 64


@dataclass(frozen=True)
class Labelled:
    """Pages with a number for the seed of each.

    Attributes:
        pages: `int64[known]`, page numbers, ascending, each once.
        labels: `int64[known]`, from zero on.
        agreement: share of the pairs after one step that must be alike.
    """

    pages: NDArray[np.int64]
    labels: NDArray[np.int64]
    agreement: float

    @cached_property
    def at(self) -> NDArray[np.int64]:
        """`int64[page numbers]`: the label of each; -1 for none."""
        every = np.full(int(self.pages[-1]) + 1, -1, np.int64)
        every[self.pages] = self.labels
        return every

    @cached_property
    def alike(self) -> float:
        """The chance that two pages have one seed by accident."""
        return float(((np.bincount(self.labels) / len(self.labels)) ** 2).sum())

    def pairs(self, pages: NDArray[np.int64], x: NDArray[np.int64], y: int, size: int) -> NDArray[np.int64]:
        """How many of some pages have a partner `x` places and `y` blocks on, and of these how many are alike.

        Args:
            pages: `int64[pages]`.
            x: `int64[steps]`, places.
            y: blocks.
            size: pages in a block.

        Returns:
            `int64[2, steps]`.
        """
        place = pages[:, None] % size + x
        other = pages[:, None] + x + y * size
        inside = (place >= 0) & (place < size) & (other < len(self.at))
        seeds = self.at[np.where(inside, other, 0)]
        inside &= seeds >= 0
        return np.stack([inside.sum(axis=0), (inside & (seeds == self.at[pages][:, None])).sum(axis=0)])


def rules_of_lasting(labelled: Labelled, size: int) -> Iterator[Schedule]:
    """Rules for one block size, from the steps after which seeds are the same wherever they are taken.

    The steps under which the most pairs are alike come first: all of the rule's own are among them. Steps to a
    keystream that mostly has the same seed come behind, and what the lattice was before each of them is a rule as well.

    Args:
        labelled: pages with their seeds.
        size: pages in a block.
    """
    lattice: Lattice = (0, 0, 0)
    for x, y in lasting_steps(labelled, size)[:MOST_STEPS]:
        before, lattice = lattice, with_step(lattice, x, y)
        if lattice != before:
            yield from of_lattice(before, size)
    yield from of_lattice(lattice, size)


def lasting_steps(labelled: Labelled, size: int) -> list[tuple[int, int]]:
    """Steps of places and blocks after which the seed is the same, the surest first."""
    found = []
    for y in range(MOST_BLOCKS + 1):
        for x in _likely(labelled, y, size).tolist():
            pairs, same = labelled.pairs(labelled.pages, np.array([x]), y, size)[:, 0].tolist()
            chance = log10_tail(pairs, same, labelled.alike) + np.log10(2 * size * (MOST_BLOCKS + 1))
            if same >= labelled.agreement * pairs and chance < ACCIDENT:
                found.append((same / pairs, pairs, x, y))
    return [(x, y) for _, _, x, y in sorted(found, key=lambda step: (-step[0], -step[1]))]


def _likely(labelled: Labelled, y: int, size: int) -> NDArray[np.int64]:
    """`int64[]`: places of the steps over `y` blocks that a few pages do not refute."""
    x = np.arange(1 - size if y else 1, size)
    share = labelled.agreement
    for asked in ASKED:
        pairs, same = labelled.pairs(evenly_of(labelled.pages, asked), x, y, size)
        least = share * pairs - SLACK * np.sqrt(share * (1 - share) * pairs)
        x = x[(pairs >= FEWEST) & (same >= least)]
    return x
