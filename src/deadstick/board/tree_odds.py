"""The odds of how the traces of one net run, kept together with the odds of the faults that matter on it."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import Circuit
from deadstick.board.faults import Hypotheses
from deadstick.board.layouts import trees
from deadstick.board.likelihood import log_density
from deadstick.board.predict import Forecasts, Prediction, Predictor
from deadstick.board.probing import Test
from deadstick.board.readings import Reading

Floats = NDArray[np.float64]


class TreeOdds:
    """Several trees for one net, each with its own predictions for some of the rows.

    Args:
        circuit: the nominal board.
        hypotheses: its faults.
        net: name of the net.
        rows: int64[n], the rows of `hypotheses` that still count.
    """

    def __init__(self, circuit: Circuit, hypotheses: Hypotheses, net: str, rows: NDArray[np.intp]) -> None:
        self.rows = rows
        self.trees = trees(circuit, circuit.net(net))
        self._circuit = circuit
        self._hypotheses = hypotheses.only(rows)
        self._forecasts: dict[frozenset[str], list[Forecasts]] = {}

    def forecast(self, tests: Sequence[Test], removed: frozenset[str]) -> list[Prediction]:
        """One prediction for each tree; its rows are `rows`."""
        if removed not in self._forecasts:
            self._forecasts[removed] = [
                Forecasts(Predictor(self._circuit, self._hypotheses, removed, tree)) for tree in self.trees
            ]
        return [forecasts.of(tests) for forecasts in self._forecasts[removed]]

    def log_weights(self, readings: Iterable[tuple[Test, frozenset[str], Reading]]) -> Floats:
        """Logarithm of the share of each tree times the density of all these readings: float64[trees, rows]."""
        logs = np.repeat(np.log([tree.share for tree in self.trees])[:, None], len(self.rows), axis=1)
        for test, removed, reading in readings:
            for number, column in enumerate(self.forecast([test], removed)):
                logs[number] += log_density(reading, column)
        return logs
