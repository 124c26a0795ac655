"""The odds of every fault given all readings: Bayes' rule, row by row.

A reading multiplies the weight of a row by the density of the reading where that row expects it: a Gaussian on the
scale of the kind, with a thin floor under it, so that no single reading, mistaken or unlucky, rules out anything for
good. A test that is made again replaces its earlier reading: what makes the nominal board differ from the real one is
the same both times, so the second reading is no new witness. For the same reason readings of the same nets that lean on
chips at rest (`Prediction.loose`) count together as one: their spread grows with the root of their number.
"""

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import PLUG, Circuit
from deadstick.board.faults import Hypotheses, hypotheses
from deadstick.board.predict import BINARY, LIMITS, SCALES, Prediction, Predictor, joined
from deadstick.board.probing import Test, answered_by
from deadstick.board.readings import Chance, Evidence, Kind, Observation, Odds, Reading, Supply

Floats = NDArray[np.float64]

MISHAP = 2e-3  # chance that a reading is worth nothing: slipped probe, wrong pad, wrong line in the notebook
SCALE_RANGE = 20.0  # over which a worthless reading may lie


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
        'C1 short'
    """

    def __init__(
        self, circuit: Circuit, faults: Hypotheses | None = None, observations: Iterable[Observation] = ()
    ) -> None:
        self.circuit = circuit
        self.hypotheses = hypotheses(circuit) if faults is None else faults
        self._observations: list[Observation] = []
        self._predictors: dict[frozenset[str], Predictor] = {}
        self._columns: dict[tuple[Test, frozenset[str]], Prediction] = {}
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

    def predictor(self, removed: frozenset[str]) -> Predictor:
        """Predictions for the board without some parts; solved once."""
        if removed not in self._predictors:
            self._predictors[removed] = Predictor(self.circuit, self.hypotheses, removed)
        return self._predictors[removed]

    def forecast(self, tests: Sequence[Test]) -> Prediction:
        """What every row predicts for tests on the board as it is now; computed once for each test."""
        removed = self.removed
        missing = [test for test in dict.fromkeys(tests) if (test, removed) not in self._columns]
        if missing:
            whole = self.predictor(removed).predict(missing)
            for number, test in enumerate(missing):
                self._columns[test, removed] = whole.column(number)
        return joined([self._columns[test, removed] for test in tests])

    def log_likelihood(self, observation: Observation) -> Floats:
        """float64[rows]: logarithm of the density of an observation under every row.

        The value for evidence is the one that its maker gave to the fault of the row.
        """
        if isinstance(observation, Evidence):
            by_fault = [
                observation.log_likelihoods.get(fault.key, observation.otherwise) for fault in self.hypotheses.faults
            ]
            return np.array(by_fault)[self.hypotheses.fault_of_row]
        return self._of_reading(observation, 1)

    def row_weights(self) -> Floats:
        """float64[rows]: probabilities of the rows; they add up to 1."""
        logs = self.hypotheses.log_prior.copy()
        latest = {self._key(one): one for one in self.readings}.values()
        together = Counter(self._nets(reading) for reading in latest)
        for reading in latest:
            logs += self._of_reading(reading, together[self._nets(reading)])
        for observation in self._observations:
            if isinstance(observation, Evidence):
                logs += self.log_likelihood(observation)
        weights = np.exp(logs - logs.max())
        return np.asarray(weights / weights.sum())

    def odds(self) -> Odds:
        """Every fault with its probability."""
        sums = np.bincount(self.hypotheses.fault_of_row, self.row_weights(), len(self.hypotheses.faults))
        chances = (
            Chance(fault.key, fault.parts, fault.text, float(chance))
            for fault, chance in zip(self.hypotheses.faults, sums, strict=True)
        )
        return Odds(tuple(sorted(chances, key=lambda chance: -chance.probability)))

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

    def _of_reading(self, reading: Reading, together: int) -> Floats:
        """float64[rows]: log density of a reading that counts as one of several."""
        key = self._key(reading)
        if key not in self._columns:
            self._columns[key] = self.predictor(key[1]).predict([key[0]])
        column = self._columns[key]
        places, spreads = column.places[:, 0], column.spreads[:, 0]
        if reading.kind in BINARY:
            seen = places * (1 - reading.sigma) + (1 - places) * reading.sigma
            return np.asarray(np.log(np.where(reading.value > 0.5, seen, 1 - seen)))
        spreads = np.where(column.loose[:, 0], spreads * np.sqrt(together), spreads)
        scale = SCALES[reading.kind]
        value = min(reading.value, LIMITS.get(reading.kind, reading.value))
        instrument = reading.sigma / float(np.hypot(value, scale.floor))
        spreads = np.hypot(spreads, instrument)
        distance = (scale.of(value) - places) / spreads
        density = np.exp(-0.5 * distance**2) / (spreads * np.sqrt(2 * np.pi))
        return np.asarray(np.log((1 - MISHAP) * density + MISHAP / SCALE_RANGE))
