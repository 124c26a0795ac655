"""The odds of every fault given all readings: Bayes' rule, row by row.

A reading multiplies the weight of a row by the density of the reading where that row expects it: a Gaussian on the
scale of the kind, with a thin floor under it, so that no single reading, mistaken or unlucky, rules out anything for
good. A test that is made again replaces its earlier reading: what makes the nominal board differ from the real one is
the same both times, so the second reading is no new witness. For the same reason readings of the same nets that lean on
chips at rest (`Prediction.loose`) count together as one: their spread grows with the root of their number.

Drops along a net are weighed on several trees of traces (`layouts`), and summed over them.
"""

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from deadstick.board.circuit import PLUG, Circuit
from deadstick.board.faults import Hypotheses, hypotheses
from deadstick.board.likelihood import log_density
from deadstick.board.predict import Forecasts, Prediction, Predictor
from deadstick.board.probing import Test, answered_by
from deadstick.board.readings import Chance, Evidence, Kind, Observation, Odds, Reading, Supply
from deadstick.board.tree_odds import TreeOdds

Floats = NDArray[np.float64]

COUNTS = 1e-6  # a row with less than this, relative to the best, is not followed on every tree


class Diagnosis:
    """A board on the bench: what may be wrong, what was read, and the odds that follow.

    Args:
        circuit: the nominal board.
        faults: what may be wrong; by default every single fault and the likely pairs.
        observations: what is known already.

    Example:
        >>> from deadstick.board.templates import usb2_stick
        >>> diagnosis = Diagnosis(usb2_stick())
        >>> diagnosis.add(Reading(Kind.RESISTANCE, ("C1.1", "J1.GND"), 0.5, "ohm", 0.05))  # a short on VBUS
        >>> diagnosis.odds().best.key
        'U3 input short'
    """

    def __init__(
        self, circuit: Circuit, faults: Hypotheses | None = None, observations: Iterable[Observation] = ()
    ) -> None:
        self.circuit = circuit
        self.hypotheses = hypotheses(circuit) if faults is None else faults
        self._observations: list[Observation] = []
        self._predictors: dict[frozenset[str], Predictor] = {}
        self._forecasts: dict[frozenset[str], Forecasts] = {}
        self._trees: dict[str, TreeOdds] = {}
        self._joint: dict[str, tuple[TreeOdds, Floats]] = {}
        self._weights: Floats | None = None
        self._odds: Odds | None = None
        for observation in observations:
            self.add(observation)

    @property
    def observations(self) -> tuple[Observation, ...]:
        """Everything that was read or seen, in order."""
        return tuple(self._observations)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """The readings among the observations."""
        return tuple(one for one in self._observations if isinstance(one, Reading))

    @property
    def removed(self) -> frozenset[str]:
        """Parts that are off the board."""
        lifted = {reading.place[0] for reading in self.readings if reading.kind is Kind.LIFTED}
        return frozenset(lifted.union(*(reading.removed for reading in self.readings)))

    @property
    def connected(self) -> Supply | None:
        """The supply that the last reading used."""
        return self.readings[-1].supply if self.readings else None

    def add(self, observation: Observation) -> None:
        """Take a reading or other evidence into account.

        Raises:
            InputError: it names a pad, a part or a fault that the board does not have.
        """
        if isinstance(observation, Evidence):
            for key in observation.log_likelihoods:
                self.hypotheses.index(key)
        else:
            single = observation.kind in {Kind.LIFTED, Kind.CLOCK}
            for place in observation.place:
                self.circuit.part(place) if single else self.circuit.net_of(place)
            for part in observation.removed:
                self.circuit.part(part)
        self._observations.append(observation)
        self._weights = self._odds = None

    def predictor(self, removed: frozenset[str]) -> Predictor:
        """Predictions for the board without some parts; solved once."""
        if removed not in self._predictors:
            self._predictors[removed] = Predictor(self.circuit, self.hypotheses, removed)
            self._forecasts[removed] = Forecasts(self._predictors[removed])
        return self._predictors[removed]

    def forecast(self, tests: Sequence[Test], removed: frozenset[str] | None = None) -> Prediction:
        """What every row predicts for tests, on the board as it is now or without other parts; computed once each."""
        gone = self.removed if removed is None else removed
        self.predictor(gone)
        return self._forecasts[gone].of(tests)

    def log_likelihood(self, observation: Observation) -> Floats:
        """float64[rows]: logarithm of the density of an observation under every row.

        The value for evidence is the one that its maker gave to the fault of the row.
        """
        if isinstance(observation, Evidence):
            by_fault = [
                observation.log_likelihoods.get(fault.key, observation.otherwise) for fault in self.hypotheses.faults
            ]
            return np.array(by_fault)[self.hypotheses.fault_of_row]
        return log_density(observation, self._column(observation))

    def row_weights(self) -> Floats:
        """float64[rows]: probabilities of the rows; they add up to 1."""
        if self._weights is None:
            self._weights = self._all_weights()
        return self._weights

    def tree_weights(self, net: str) -> tuple[TreeOdds, Floats] | None:
        """Several trees for a net along which drops were read, with float64[trees, rows] probabilities; None otherwise.

        Summed over the trees they are the probabilities of `TreeOdds.rows`.
        """
        self.row_weights()
        return self._joint.get(net)

    def _all_weights(self) -> Floats:
        logs = self.hypotheses.log_prior.copy()
        for observation in self._observations:
            if isinstance(observation, Evidence):
                logs += self.log_likelihood(observation)
        latest = list({self._key(one): one for one in self.readings}.values())
        together = Counter(self._nets(reading) for reading in latest)
        drops: dict[str, list[Reading]] = {}
        for reading in latest:
            if reading.kind is Kind.DROP and reading.supply is not None:
                drops.setdefault(self.circuit.net_of(reading.supply.red), []).append(reading)
            else:
                logs += log_density(reading, self._column(reading), together[self._nets(reading)])
        known = {net: self._drops_on(net, readings, logs) for net, readings in drops.items()}
        for whole, odds, share in known.values():
            logs += whole
            logs[odds.rows] += logsumexp(share, axis=0)
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        self._joint = {
            net: (odds, np.exp(share - logsumexp(share, axis=0)) * weights[odds.rows])
            for net, (_, odds, share) in known.items()
        }
        return np.asarray(weights)

    def _drops_on(self, net: str, readings: Sequence[Reading], logs: Floats) -> tuple[Floats, TreeOdds, Floats]:
        """Log densities of drops: of all rows on the shortest tree, and of the rows that count on every tree."""
        if net not in self._trees:
            rows = np.flatnonzero(logs > logs.max() + np.log(COUNTS))
            self._trees[net] = TreeOdds(self.circuit, self.hypotheses, net, rows)
        odds = self._trees[net]
        whole = np.zeros_like(logs)
        for reading in readings:
            whole += log_density(reading, self._column(reading))
        whole[odds.rows] = 0.0
        return whole, odds, odds.log_weights((*self._key(reading), reading) for reading in readings)

    def odds(self) -> Odds:
        """Every fault with its probability."""
        if self._odds is None:
            sums = np.bincount(self.hypotheses.fault_of_row, self.row_weights(), len(self.hypotheses.faults))
            chances = (
                Chance(fault.key, fault.parts, fault.text, float(chance))
                for fault, chance in zip(self.hypotheses.faults, sums, strict=True)
            )
            self._odds = Odds(tuple(sorted(chances, key=lambda chance: -chance.probability)))
        return self._odds

    def _key(self, reading: Reading) -> tuple[Test, frozenset[str]]:
        removed = reading.removed - {reading.place[0]} if reading.kind is Kind.LIFTED else reading.removed
        return answered_by(reading), removed

    def _nets(self, reading: Reading) -> frozenset[str]:
        """The nets that a reading leans on: those of its probes and its supply."""
        places = set(reading.place)
        if reading.supply is not None:
            places |= {reading.supply.red, reading.supply.black}
        pads = {place for place in places if place.removesuffix(PLUG) in self.circuit.pads}
        return frozenset(self.circuit.net_of(pad) for pad in pads)

    def _column(self, reading: Reading) -> Prediction:
        """What the rows predict for the test that a reading answers."""
        test, removed = self._key(reading)
        return self.forecast([test], removed)
