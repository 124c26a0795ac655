"""One network, many boards: its answers for every row of the hypotheses, by low-rank changes (see `physics`)."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.board.faults import Hypotheses
from deadstick.board.physics import Floats, Network, Pair, changed


class Changes:
    """The faults as changes of conductance, rows grouped by how many changes they make."""

    def __init__(self, hypotheses: Hypotheses, removed: frozenset[str]) -> None:
        self.pairs: list[Pair] = []
        self.rows = len(hypotheses.fault_of_row)
        self._place: dict[Pair, int] = {}
        by_count: dict[int, list[tuple[NDArray[np.intp], list[int], Floats]]] = {}
        order = np.argsort(hypotheses.fault_of_row, kind="stable")
        numbers, starts = np.unique(hypotheses.fault_of_row[order], return_index=True)
        for number, rows in zip(numbers, np.split(order, starts[1:]), strict=True):
            fault = hypotheses.faults[number]
            deltas = [1 / hypotheses.ohms[rows, k] for k in range(len(fault.joins))]
            changes = list(zip(fault.joins, deltas, strict=True))
            changes += [((a, b), np.full(len(rows), -siemens)) for a, b, siemens in fault.cuts]
            if removed:
                changes = [(pair, delta) for pair, delta in changes if not _gone(pair, removed, fault.parts)]
            if changes:
                columns = [self._number(pair) for pair, _ in changes]
                by_count.setdefault(len(columns), []).append((rows, columns, np.stack([d for _, d in changes], axis=1)))
        self.groups = [
            (
                np.concatenate([rows for rows, _, _ in group]),
                np.concatenate([np.tile(columns, (len(rows), 1)) for rows, columns, _ in group]),
                np.concatenate([deltas for _, _, deltas in group]),
            )
            for _, group in sorted(by_count.items())
        ]

    def _number(self, pair: Pair) -> int:
        if pair not in self._place:
            self._place[pair] = len(self.pairs)
            self.pairs.append(pair)
        return self._place[pair]


def _gone(pair: Pair, removed: frozenset[str], parts: tuple[str, ...]) -> bool:
    """Whether a change went away with its part."""
    owners = {node.split(".", 1)[0].split("@", 1)[0] for node in pair}
    return bool(owners & removed & set(parts))


class Solved:
    """One network, and its answers for every row."""

    def __init__(self, network: Network, changes: Changes) -> None:
        self._network = network
        self._changes = changes
        self._by_change = network.solve(changes.pairs)  # [nodes, changes]
        kernel = network.across(self._by_change, changes.pairs)
        self._middles = [
            changed(kernel[columns[:, :, None], columns[:, None, :]], deltas) for _, columns, deltas in changes.groups
        ]
        self._sources: dict[Pair, Floats] = {}

    def nominal(self, read: Sequence[Pair], driven: Sequence[Pair]) -> Floats:
        """Transfer resistances of the healthy board: float64[len(read)], ohm."""
        missing = [pair for pair in dict.fromkeys(driven) if pair not in self._sources]
        for pair, column in zip(missing, self._network.solve(missing).T, strict=True):
            self._sources[pair] = column
        if not read:
            return np.zeros(0)
        index = self._network.index
        padded = {pair: np.append(self._sources[pair], 0.0) for pair in dict.fromkeys(driven)}
        return np.array(
            [padded[q][index.get(r[0], -1)] - padded[q][index.get(r[1], -1)] for r, q in zip(read, driven, strict=True)]
        )

    def transfer(self, read: Sequence[Pair], driven: Sequence[Pair]) -> Floats:
        """Transfer resistances, `volts between read / amperes into driven`, for every row.

        Args:
            read: pairs between which is measured.
            driven: for each of them the pair into which the current goes.

        Returns:
            float64[rows, len(read)], ohm.
        """
        base = self.nominal(read, driven)
        answer = np.broadcast_to(base, (self._changes.rows, len(base))).copy()
        if not len(read):
            return answer
        left = self._network.across(self._by_change, read).T  # [changes, tests]
        right = self._network.across(self._by_change, driven).T
        for (rows, columns, _), middle in zip(self._changes.groups, self._middles, strict=True):
            if columns.shape[1] == 1:
                only = columns[:, 0]
                answer[rows] -= left[only] * middle[:, 0] * right[only]
            else:
                answer[rows] -= np.sum(left[columns] * (middle @ right[columns]), axis=1)
        return answer
