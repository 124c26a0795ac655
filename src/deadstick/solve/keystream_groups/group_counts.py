"""Counts of the writes of each block under many groups of keystreams, each of which has an unknown constant over them.

A controller that counts how often it wrote each block leaves hardly a version out between its copies, and gives no two
of them the same one. With many groups nearly every block has copies in several, so that a wrong constant of one group
leaves versions out, or makes them alike, in all blocks that it has copies of. The constants that leave the fewest out
are looked for group by group. Of copies that differ the data tell most orders, and these must be kept; an order that
the data do not tell is taken only if no constants are nearly as likely under which it is the other way round.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.versions.versions import VERSION_CHANCE

BITS = 8
LEFT_OUT = 0.1
"""Share of the steps from copy to copy over which a version may be missing. So each one that is missing makes constants
a tenth as likely, or less; and no more is made of what the data say of two copies, which is hardly ever wrong."""
ALIKE, ANY = 4, 3
"""Powers of ten that two copies with one version cost, which cannot be; and the most that the versions left out of one
block do: an accident gives a copy any of 256 versions."""
STARTS, MOST_SWEEPS = 16, 16
"""Constants of the first group, and turns over all groups, in the search for the cheapest ones. Versions of blocks that
were written a few times differ in hardly more than four bits."""
MOST_SILENT, MOST_CLAMPED = 16, 8
"""Pairs whose order the data do not tell, each of which takes a second or two; and the likeliest constants of a group
that are tried for the other order of such a pair."""
FORBIDDEN = 1000

Pair = tuple[int, int]
"""Rows of two copies of one block, the older one first."""

Array = NDArray[np.int64]


def constants_of_counts(
    logical: Array, values: Array, groups: Array, order: list[Pair], silent: list[Pair]
) -> tuple[int, dict[int, int]] | None:
    """Constants of each group under which versions count the writes of each block, and tell the order of all copies.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        values: `int64[blocks]`, of a byte.
        groups: `int64[blocks]`.
        order: pairs of rows, the older one first, as their data tell.
        silent: pairs of rows with different data that do not tell their order.

    Returns:
        The span of the versions, and by group what is to be added; None where they are no such counts, or the order of
        a silent pair may be the other way round.
    """
    names, place = np.unique(groups, return_inverse=True)
    counts = _Counts(_copies(logical), values, place.reshape(-1), np.array(order, np.int64).reshape(-1, 2))
    steps = int(np.bincount(np.unique(logical, return_inverse=True)[1]).clip(1).sum() - len(np.unique(logical)))
    if len(names) < 2 or not steps or len(silent) > MOST_SILENT:
        return None
    best = min((counts.settled(counts.begun(first)) for first in range(STARTS)), key=counts.cost)
    versions = values ^ best[counts.place]
    is_kept = all(versions[older] < versions[newer] for older, newer in order)
    # The estimate of a share by Laplace's rule, which is not zero where none is missing.
    if counts.any_alike(best) or not is_kept or (counts.missing(best) + 1) / (steps + 2) > LEFT_OUT:
        return None
    if any(counts.cost_turned(best, *pair) - counts.cost(best) < -VERSION_CHANCE for pair in silent):
        return None
    return int(np.ptp(versions)) + 1, dict(zip(names.tolist(), best.tolist(), strict=True))


def _copies(logical: Array) -> Array:
    """`int64[copied blocks, most copies]`: their rows, the first one again where there are fewer.

    >>> _copies(np.array([7, 8, 7, 9, 9, 7])).tolist()
    [[0, 2, 5], [3, 4, 3]]
    """
    sets = [np.flatnonzero(logical == block) for block in np.unique(logical).tolist()]
    sets = [rows for rows in sets if len(rows) > 1]
    most = max(map(len, sets), default=0)
    return np.array([np.r_[rows, np.full(most - len(rows), rows[0])] for rows in sets], np.int64).reshape(-1, most)


@dataclass(frozen=True)
class _Counts:
    """Versions known but for a constant of each group, and what constants cost, in powers of ten.

    Attributes:
        copies: `int64[copied blocks, most copies]`, see `_copies`.
        values: `int64[blocks]`.
        place: `int64[blocks]`, the group of each, counted from 0.
        order: `int64[pairs, 2]`, the older one first.
        forced: the same, of pairs that must be in this order.
    """

    copies: Array
    values: Array
    place: Array
    order: Array
    forced: Pair | None = None

    @property
    def count(self) -> int:
        """Groups."""
        return int(self.place.max()) + 1

    def costs(self, states: Array, group: int | None = None, among: NDArray[np.bool_] | None = None) -> Array:
        """`int64[states]`: what constants `int64[states, groups]` cost.

        Args:
            states: in each row a constant for each group.
            group: its blocks alone are asked, where only its constant differs; None for all.
            among: `bool[groups]`, those whose blocks are looked at; None for all.
        """
        is_asked = np.ones(self.count, np.bool_) if among is None else among
        asked = is_asked[self.place]
        is_mine = np.ones(len(self.place), np.bool_) if group is None else self.place == group
        blocks = self.copies[is_mine[self.copies].any(axis=1)]
        # The row of a copy that is not looked at stands for another one that is.
        blocks = blocks[asked[blocks].any(axis=1)]
        first = np.take_along_axis(blocks, asked[blocks].argmax(axis=1)[:, None], axis=1)
        blocks = np.where(asked[blocks], blocks, first)
        missing, alike = self._between(blocks, states)
        costs: Array = (np.minimum(missing, ANY) + ALIKE * alike).sum(axis=1)
        pairs = self.order[is_mine[self.order].any(axis=1) & asked[self.order].all(axis=1)]
        costs += (self._versions(pairs[:, 0], states) >= self._versions(pairs[:, 1], states)).sum(axis=1)
        if self.forced is not None:
            older, newer = (self._versions(np.array([row]), states)[:, 0] for row in self.forced)
            costs += FORBIDDEN * (older >= newer)
        return costs

    def cost(self, state: Array) -> int:
        """What constants `int64[groups]` cost."""
        return int(self.costs(state[None])[0])

    def missing(self, state: Array) -> int:
        """How many versions are left out between copies."""
        return int(self._between(self.copies, state[None])[0].sum())

    def any_alike(self, state: Array) -> bool:
        """Whether two copies have one version."""
        return bool(self._between(self.copies, state[None])[1].any())

    def _versions(self, rows: Array, states: Array) -> Array:
        turned: Array = self.values[rows] ^ states[:, self.place[rows]]
        return turned

    def _between(self, blocks: Array, states: Array) -> tuple[Array, Array]:
        """`int64[states, copied blocks]` each: versions left out between copies, and copies with that of another."""
        versions = np.sort(self._versions(blocks, states), axis=2)
        different = (np.diff(versions, axis=2) != 0).sum(axis=2)
        rows = np.sort(blocks, axis=1)
        copies = (np.diff(rows, axis=1) != 0).sum(axis=1)
        return versions[..., -1] - versions[..., 0] - different, copies - different

    def begun(self, constant: int) -> Array:
        """`int64[groups]`: constants of one group after the other, of that next whose constant is surest.

        Args:
            constant: of the first one. Only under the right one do versions that follow each other differ by one, so
                all of the low bits are to be tried; the high ones are the same in all versions.
        """
        state, among = np.zeros(self.count, np.int64), np.zeros(self.count, np.bool_)
        first = int(np.bincount(self.place[self.copies].reshape(-1), minlength=self.count).argmax())
        among[first], state[first] = True, constant
        while not among.all():
            surest, lead = -1, -1
            for group in np.flatnonzero(~among).tolist():
                among[group] = True
                costs = self._costs_of_group(state, group, among)
                among[group] = False
                best, second = np.partition(costs, 1)[:2].tolist()
                if second - best > lead:
                    surest, lead, state[group] = group, second - best, costs.argmin()
            among[surest] = True
        return state

    def _costs_of_group(self, state: Array, group: int, among: NDArray[np.bool_] | None = None) -> Array:
        """`int64[256]`: what each constant of a group costs."""
        states = np.repeat(state[None], 1 << BITS, axis=0)
        states[:, group] = np.arange(1 << BITS)
        return self.costs(states, group, among)

    def settled(self, state: Array, kept: Iterable[int] = ()) -> Array:
        """Constants that none of another group, and none over all groups, makes cheaper.

        Args:
            state: `int64[groups]`, to begin with.
            kept: groups whose constants stay as they are.
        """
        state, fixed = state.copy(), set(kept)
        cost = self.cost(state)
        for _ in range(MOST_SWEEPS):
            if not fixed:
                turned = state[None] ^ np.arange(1 << BITS)[:, None]
                state = turned[self.costs(turned).argmin()]
            for group in sorted(set(range(self.count)) - fixed):
                costs = self._costs_of_group(state, group)
                if costs.min() < costs[state[group]]:
                    state[group] = costs.argmin()
            before, cost = cost, self.cost(state)
            if cost >= before:
                break
        return state

    def cost_turned(self, best: Array, one: int, other: int) -> int:
        """What the cheapest constants cost under which two copies are in the opposite order."""
        versions = self.values ^ best[self.place]
        older, newer = (one, other) if versions[one] < versions[other] else (other, one)
        turned = _Counts(self.copies, self.values, self.place, self.order, (newer, older))
        found = [turned.cost(turned.settled(best))]
        for group in {int(self.place[one]), int(self.place[other])}:
            costs = turned._costs_of_group(best, group)
            for constant in np.argsort(costs, kind="stable")[:MOST_CLAMPED].tolist():
                state = best.copy()
                state[group] = constant
                found.append(turned.cost(turned.settled(state, [group])))
        return min(found)
