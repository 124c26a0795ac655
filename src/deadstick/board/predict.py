"""What every hypothesis predicts for every test: one table, from one factorised network.

Predictions are kept on a *scale* on which the spread of a reading is nearly even: `asinh(value / floor)`, linear below
the floor and logarithmic above. The spread holds what the nominal circuit does not know about a real board: tolerances,
lengths, contacts, the loads of chips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import Circuit, PartKind
from deadstick.board.faults import Hypotheses, Pair
from deadstick.board.layouts import Tree
from deadstick.board.many_boards import Changes, Solved
from deadstick.board.operating import DIODE_TEST_LIMIT_V, SUPPLY_OHM, diode_test, powered
from deadstick.board.physics import Network, Wiring, select, wiring
from deadstick.board.probing import Test
from deadstick.board.readings import Kind, Supply

Floats = NDArray[np.float64]

METER_LIMIT_OHM = 4e7
LEAD_OHM = 0.1  # both leads and contacts of a two-wire reading, after zeroing
JOINED_BELOW_OHM = 30.0


@dataclass(frozen=True, slots=True)
class Scale:
    """How readings of a kind spread.

    Attributes:
        floor: below it the scale is linear; unit of the reading.
        spread: standard deviation on the scale.
        loose: the same where chips at rest decide, which nobody specifies: above `LOOSE_OHM`.
    """

    floor: float
    spread: float
    loose: float

    def of(self, value: float | Floats) -> Floats:
        """Place of a value on the scale."""
        return np.asarray(np.arcsinh(np.asarray(value, dtype=np.float64) / self.floor))


LOOSE_OHM = 300.0
SCALES = {
    Kind.RESISTANCE: Scale(1.0, 0.15, 0.7),
    Kind.FOUR_WIRE: Scale(0.01, 0.12, 0.7),
    Kind.DROP: Scale(1e-5, 0.4, 0.8),
    Kind.VOLTAGE: Scale(2.0, 0.05, 0.3),
    Kind.CURRENT: Scale(4e-3, 0.35, 0.7),
    Kind.DIODE: Scale(2.0, 0.04, 0.04),
    Kind.CONTINUITY: Scale(1.0, 0.02, 0.02),
    Kind.CLOCK: Scale(1.0, 0.02, 0.02),
    Kind.LIFTED: Scale(1.0, 0.02, 0.02),
}
BINARY = frozenset({Kind.CONTINUITY, Kind.CLOCK, Kind.LIFTED})
LIMITS = {Kind.RESISTANCE: METER_LIMIT_OHM, Kind.FOUR_WIRE: METER_LIMIT_OHM, Kind.DIODE: DIODE_TEST_LIMIT_V}
INSTRUMENT_SIGMA = {
    Kind.DROP: 2e-6,
    Kind.FOUR_WIRE: 5e-4,
    Kind.RESISTANCE: 0.05,
    Kind.DIODE: 5e-3,
    Kind.VOLTAGE: 5e-3,
    Kind.CURRENT: 5e-4,
}


@dataclass(frozen=True, slots=True)
class Prediction:
    """What rows predict for tests.

    Attributes:
        values: float64[rows, tests], in the unit of each test; for yes and no the chance of yes.
        places: float64[rows, tests], the same on the scale of the kind; for yes and no the chance itself.
        spreads: float64[rows, tests], standard deviation on the scale.
        loose: bool[rows, tests], where resistances of chips at rest decide.
    """

    values: Floats
    places: Floats
    spreads: Floats
    loose: NDArray[np.bool_]

    def of(self, tests: Sequence[int]) -> "Prediction":
        """The predictions of some of the tests, in this order."""
        return Prediction(self.values[:, tests], self.places[:, tests], self.spreads[:, tests], self.loose[:, tests])

    def beside(self, other: "Prediction") -> "Prediction":
        """Both side by side, the tests of the other one after those of this one."""
        return Prediction(
            np.hstack([self.values, other.values]),
            np.hstack([self.places, other.places]),
            np.hstack([self.spreads, other.spreads]),
            np.hstack([self.loose, other.loose]),
        )


class Forecasts:
    """Predictions of one predictor, each computed once.

    Args:
        predictor: what computes them.
    """

    def __init__(self, predictor: "Predictor") -> None:
        self._predictor = predictor
        self._numbers: dict[Test, int] = {}
        self._known: Prediction | None = None

    def of(self, tests: Sequence[Test]) -> Prediction:
        """What every row predicts for these tests."""
        missing = [test for test in dict.fromkeys(tests) if test not in self._numbers]
        if missing or self._known is None:
            more = self._predictor.predict(missing)
            first = len(self._numbers)
            self._numbers.update({test: first + k for k, test in enumerate(missing)})
            self._known = more if self._known is None else self._known.beside(more)
        return self._known.of([self._numbers[test] for test in tests])


def stacked(predictions: Sequence[Prediction]) -> Prediction:
    """Predictions one below the other: the rows of the first, then those of the second, and so on."""
    return Prediction(
        np.vstack([one.values for one in predictions]),
        np.vstack([one.places for one in predictions]),
        np.vstack([one.spreads for one in predictions]),
        np.vstack([one.loose for one in predictions]),
    )


class Predictor:
    """Predictions for one board with certain parts taken off.

    Args:
        circuit: the nominal board.
        hypotheses: what may be wrong with it.
        removed: names of parts that are off.
        tree: how the traces of one net run; the shortest tree where none is given.
    """

    def __init__(
        self,
        circuit: Circuit,
        hypotheses: Hypotheses,
        removed: frozenset[str] = frozenset(),
        tree: Tree | None = None,
    ) -> None:
        self.circuit = circuit
        self.hypotheses = hypotheses
        self.removed = removed
        wires = wiring(circuit) if tree is None else tree.applied(wiring(circuit))
        self._wires: Wiring = wires.without(removed)
        self._changes = Changes(hypotheses, removed)
        self._rest = Solved(Network(circuit, select(self._wires, running=False)), self._changes)
        self._run: Solved | None = None

    @property
    def running(self) -> "Solved":
        """The network of the powered board; solved when first needed."""
        if self._run is None:
            self._run = Solved(Network(self.circuit, select(self._wires, running=True)), self._changes)
        return self._run

    def predict(self, tests: Sequence[Test]) -> Prediction:
        """What every row predicts for these tests."""
        values = np.empty((len(self.hypotheses.fault_of_row), len(tests)))
        for kinds, predictor in (
            ({Kind.RESISTANCE, Kind.FOUR_WIRE, Kind.CONTINUITY}, self._ohms),
            ({Kind.DIODE}, self._diodes),
            ({Kind.LIFTED}, self._lifted),
            ({Kind.VOLTAGE, Kind.CURRENT, Kind.DROP, Kind.CLOCK}, self._supplied),
        ):
            columns = [number for number, test in enumerate(tests) if test.kind in kinds]
            if columns:
                values[:, columns] = predictor([tests[number] for number in columns])
        return self._on_scale(tests, values)

    def _loose(self, tests: Sequence[Test], values: Floats) -> NDArray[np.bool_]:
        """Where the resistance of chips at rest decides: they carry all of a small current."""
        loose = np.zeros(values.shape, dtype=bool)
        for number, test in enumerate(tests):
            if test.kind in {Kind.RESISTANCE, Kind.FOUR_WIRE}:
                loose[:, number] = values[:, number] > LOOSE_OHM
            elif test.kind is Kind.VOLTAGE:  # a rail that breaks down stands where loads and limits happen to meet
                nominal = self.circuit.net(self.circuit.net_of(test.place[0])).volts or 0.0
                loose[:, number] = (values[:, number] > 0.02 * nominal) & (values[:, number] < 0.85 * nominal)
            elif test.supply is not None and not test.powers:
                source: Pair = (test.supply.red, test.supply.black)
                loose[:, number] = self._rest.transfer([source], [source])[:, 0] > LOOSE_OHM
        return loose

    def _on_scale(self, tests: Sequence[Test], values: Floats) -> Prediction:
        places, spreads = np.empty_like(values), np.empty_like(values)
        loose = self._loose(tests, values)
        row_spread = self.hypotheses.spread[:, None]
        for kind in {test.kind for test in tests}:
            columns = [number for number, test in enumerate(tests) if test.kind is kind]
            part, scale = values[:, columns], SCALES[kind]
            if kind in BINARY:
                places[:, columns], spreads[:, columns] = part, scale.spread
                continue
            part = np.minimum(part, LIMITS.get(kind, np.inf))
            values[:, columns], places[:, columns] = part, scale.of(part)
            base = np.where(loose[:, columns], scale.loose, scale.spread)
            instrument = INSTRUMENT_SIGMA[kind] / np.hypot(part, scale.floor)
            spreads[:, columns] = np.sqrt(base**2 + instrument**2 + (row_spread if kind not in _STEADY else 0.0) ** 2)
        return Prediction(values, places, spreads, loose)

    def _ohms(self, tests: Sequence[Test]) -> Floats:
        pairs = [_pair(test.place) for test in tests]
        ohms = np.maximum(self._rest.transfer(pairs, pairs), 0.0)
        leads = np.array([0.0 if test.kind is Kind.FOUR_WIRE else LEAD_OHM for test in tests])
        ohms += leads
        joined = np.array([test.kind is Kind.CONTINUITY for test in tests])
        # The beeper's threshold differs from meter to meter.
        ohms[:, joined] = 1 / (1 + (ohms[:, joined] / JOINED_BELOW_OHM) ** 3)
        return ohms

    def _diodes(self, tests: Sequence[Test]) -> Floats:
        junctions = self._wires.junctions
        own_pairs: list[Pair] = [(junction.anode, junction.cathode) for junction in junctions]
        forward = np.array([junction.volts for junction in junctions])
        values = np.empty((len(self.hypotheses.fault_of_row), len(tests)))
        for number, test in enumerate(tests):
            probe = [_pair(test.place)]
            near = self._rest.nominal(own_pairs, probe * len(own_pairs)) if own_pairs else np.zeros(0)
            here = self._rest.nominal(probe, probe)[0]
            chosen = np.flatnonzero(near > 0.2 * min(here, 1e5))[:8]
            pairs = [own_pairs[j] for j in chosen]
            probe_ohm = self._rest.transfer(probe, probe)[:, 0]
            across = self._rest.transfer(pairs, probe * len(pairs))
            own = self._rest.transfer(pairs, pairs)
            values[:, number] = diode_test(probe_ohm, across, own, forward[chosen])
        return values

    def _lifted(self, tests: Sequence[Test]) -> Floats:
        """Off the board a part shows whether it is faulty."""
        guilty = np.array([[test.place[0] in fault.parts for test in tests] for fault in self.hypotheses.faults])
        return np.where(guilty, 0.98, 0.01)[self.hypotheses.fault_of_row]

    def _supplied(self, tests: Sequence[Test]) -> Floats:
        values = np.empty((len(self.hypotheses.fault_of_row), len(tests)))
        for supply in {test.supply for test in tests}:
            if supply is None:
                raise ValueError("a voltage, a current or a drop needs the supply under which it was read")
            columns = [number for number, test in enumerate(tests) if test.supply == supply]
            chosen = [tests[number] for number in columns]
            powers = any(test.powers for test in chosen)
            values[:, columns] = self._powered(supply, chosen) if powers else self._injected(supply, chosen)
        return values

    def _injected(self, supply: Supply, tests: Sequence[Test]) -> Floats:
        """A low voltage at one rail: everything is linear."""
        source: Pair = (supply.red, supply.black)
        ohms = np.maximum(self._rest.transfer([source], [source])[:, 0], 0.0) + SUPPLY_OHM
        amperes = np.minimum(supply.amperes, supply.volts / ohms)
        pairs = [_pair(test.place) if len(test.place) == 2 else source for test in tests]
        volts = self._rest.transfer(pairs, [source] * len(pairs)) * amperes[:, None]
        current = np.array([test.kind is Kind.CURRENT for test in tests])
        return np.where(current, amperes[:, None], np.where(_directed(tests), volts, np.abs(volts)))

    def _powered(self, supply: Supply, tests: Sequence[Test]) -> Floats:
        regulators = self._wires.regulators
        ports: list[Pair] = [(supply.red, supply.black)]
        for regulator in regulators:
            ports += [(regulator.inlet, regulator.ground), (regulator.outlet, regulator.ground)]
        n = len(ports)
        every = self.running.transfer([p for p in ports for _ in ports], [q for _ in ports for q in ports])
        silent = np.array(
            [[regulator.key in fault.silent for regulator in regulators] for fault in self.hypotheses.faults]
        ).reshape(len(self.hypotheses.faults), len(regulators))[self.hypotheses.fault_of_row]
        state = powered(every.reshape(-1, n, n), regulators, silent, supply.volts, supply.amperes)
        values = np.empty((len(every), len(tests)))
        for number, test in enumerate(tests):
            if test.kind is Kind.CURRENT:
                values[:, number] = state.currents[:, 0]
            elif test.kind is Kind.CLOCK:
                values[:, number] = self._clock(supply, state.currents, ports)
            else:
                across = self.running.transfer([_pair(test.place)] * n, ports)
                values[:, number] = np.abs(np.einsum("bp,bp->b", across, state.currents))
        return values

    def _clock(self, supply: Supply, currents: Floats, ports: list[Pair]) -> Floats:
        """Chance that the crystal swings: every supply of the controller must be there."""
        hypotheses = self.hypotheses
        chance = 1 - np.array([fault.no_clock for fault in hypotheses.faults])[hypotheses.fault_of_row]
        for part in self.circuit.parts:
            if part.kind is not PartKind.CONTROLLER or part.name in self.removed:
                continue
            for pin in part.pins:
                volts = self.circuit.net(pin.net).volts
                if volts is None:
                    continue
                pad: Pair = (part.pad(pin), supply.black)
                seen = np.einsum("bp,bp->b", self.running.transfer([pad] * len(ports), ports), currents)
                chance = np.where(seen < 0.75 * volts, np.minimum(chance, 0.03), chance)
        return chance


_STEADY = frozenset({Kind.VOLTAGE, Kind.DIODE})


def _directed(tests: Sequence[Test]) -> NDArray[np.bool_]:
    return np.array([test.kind is Kind.DROP for test in tests])


def _pair(place: tuple[str, ...]) -> Pair:
    if len(place) != 2:
        raise ValueError(f"this test touches two places, not {', '.join(place)}")
    return place[0], place[1]
