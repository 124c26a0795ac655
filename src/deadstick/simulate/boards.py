"""Dead boards for tests: a template with random values, a hidden fault, and instruments that are not perfect.

What the diagnosis is told is the nominal circuit. The real board differs from it wherever boards differ: traces run
another way and are longer, copper is thinner, parts have tolerances, chips at rest and running have resistances that
nobody specifies, contacts vary with each touch. Fault kinds are drawn with other chances than those that the diagnosis
assumes, and resistances of faults from a continuum, not from its steps.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from deadstick.board import faults as known
from deadstick.board.circuit import SERIES_KINDS, Circuit, NetKind, PartKind
from deadstick.board.faults import Fault
from deadstick.board.models import Element, Junction, Regulator
from deadstick.board.operating import SUPPLY_OHM, diode_test, powered
from deadstick.board.physics import Floats, Network, Wiring, select, wiring
from deadstick.board.probing import Test
from deadstick.board.readings import Kind, Reading, Supply
from deadstick.board.templates import TEMPLATES

Pair = tuple[str, str]
Spread = Callable[[float], float]

# How often each kind of fault is drawn; our own round figures, deliberately not those of `faults.WEIGHTS`.
MIX = {
    "capacitor short": 0.30,
    "controller short": 0.20,
    "controller leak": 0.04,
    "nand short": 0.04,
    "nand leak": 0.01,
    "esd short": 0.07,
    "regulator output short": 0.05,
    "regulator input short": 0.03,
    "regulator through": 0.03,
    "regulator dead": 0.05,
    "connector open": 0.06,
    "series open": 0.06,
    "crystal dead": 0.01,
    "logic": 0.05,
}
PAIR_CHANCE = 0.03
REROUTE_MM = 0.15  # slip of a pad position: near pads may be joined in another order
CRACK_S = 1e-8  # what an open joint still conducts

METER_LIMIT_OHM = 4e7


@dataclass(frozen=True, slots=True)
class Flaw:
    """The hidden truth: a fault with its resistances.

    Attributes:
        fault: which.
        ohms: of each of its joins.
        clock: whether the crystal would swing if all supplies were there.
    """

    fault: Fault
    ohms: tuple[float, ...]
    clock: bool


class RealBoard:
    """One dead board with its instruments.

    Args:
        circuit: the nominal board, which is all that a diagnosis may see.
        flaw: what is wrong.
        rng: draws the differences from the nominal board, and the noise of the instruments.
    """

    def __init__(self, circuit: Circuit, flaw: Flaw, rng: np.random.Generator) -> None:
        self.circuit = circuit
        self._flaw = flaw
        self._rng = rng
        self._wires = _broken(_real(circuit, rng), flaw)
        self._verdicts: dict[str, bool] = {}
        self._networks: dict[tuple[frozenset[str], bool], Network] = {}

    @property
    def guilty(self) -> tuple[str, ...]:
        """The parts at fault: for scoring, never for deciding."""
        return self._flaw.fault.parts

    @property
    def truth(self) -> str:
        """The fault in words, for a report."""
        return self._flaw.fault.text

    def read(self, test: Test, removed: frozenset[str] = frozenset()) -> Reading:
        """Make a test on the board with these parts off."""
        value, sigma, unit = self._measure(test, removed)
        return Reading(test.kind, test.place, value, unit, sigma, test.supply, removed, instrument="simulated")

    def _measure(self, test: Test, removed: frozenset[str]) -> tuple[float, float, str]:
        if test.kind is Kind.LIFTED:
            return float(self._by_itself(test.place[0])), 0.01, ""
        wires = self._wires.without(removed)
        network = self._network(wires, removed, running=test.powers)
        if test.kind in {Kind.RESISTANCE, Kind.FOUR_WIRE, Kind.CONTINUITY}:
            return self._ohms(test, network)
        if test.kind is Kind.DIODE:
            return self._noisy(_diode(network, wires.junctions, _pair(test)), 0.003, 0.004, "V")
        supply = test.supply
        if supply is None:
            raise ValueError(f"a test of kind {test.kind} needs a supply")
        if test.powers:
            return self._powered(test, supply, network, wires)
        return self._injected(test, supply, network)

    def _network(self, wires: Wiring, removed: frozenset[str], *, running: bool) -> Network:
        key = removed, running
        if key not in self._networks:
            self._networks[key] = Network(self.circuit, select(wires, running=running))
        return self._networks[key]

    def _noisy(self, value: float, relative: float, absolute: float, unit: str) -> tuple[float, float, str]:
        sigma = float(np.hypot(relative * value, absolute))
        return float(value + self._rng.normal(0, sigma)), sigma, unit

    def _ohms(self, test: Test, network: Network) -> tuple[float, float, str]:
        pair = _pair(test)
        ohm = max(float(network.across(network.solve([pair]), [pair])[0, 0]), 0.0)
        if test.kind is Kind.CONTINUITY:
            return float(ohm + self._rng.uniform(0.05, 0.3) < self._rng.uniform(20, 40)), 0.01, ""
        if ohm > METER_LIMIT_OHM:
            return np.inf, 0.0, "ohm"
        if test.kind is Kind.FOUR_WIRE:
            value, sigma, unit = self._noisy(ohm, 0.005, 3e-4, "ohm")
            return max(value, 0.0), sigma, unit
        value, sigma, unit = self._noisy(ohm + self._rng.uniform(0.03, 0.25), 0.01, 0.03, "ohm")
        return max(round(value, 2), 0.0), sigma, unit

    def _injected(self, test: Test, supply: Supply, network: Network) -> tuple[float, float, str]:
        source = (supply.red, supply.black)
        volts = network.solve([source])
        ohm = float(network.across(volts, [source])[0, 0]) + SUPPLY_OHM * self._rng.uniform(0.5, 2)
        ampere = min(supply.amperes, supply.volts / ohm)
        if test.kind is Kind.CURRENT:
            return self._noisy(ampere, 0.01, 5e-4, "A")
        drop = float(network.across(volts, [_pair(test)])[0, 0]) * ampere
        return self._noisy(drop, 0.01, 2e-6, "V")

    def _powered(self, test: Test, supply: Supply, network: Network, wires: Wiring) -> tuple[float, float, str]:
        ports = _ports(supply, wires.regulators)
        volts = network.solve(ports)
        matrix = network.across(volts, ports)
        silent = np.array([[one.key in self._flaw.fault.silent for one in wires.regulators]], dtype=bool)
        state = powered(matrix[None], wires.regulators, silent, supply.volts, supply.amperes)
        at_nodes = volts @ state.currents[0]
        if test.kind is Kind.CURRENT:
            return self._noisy(float(state.currents[0, 0]), 0.01, 5e-4, "A")
        if test.kind is Kind.VOLTAGE:
            value = float(network.across(at_nodes[:, None], [_pair(test)])[0, 0])
            return self._noisy(abs(value), 0.004, 3e-3, "V")
        return float(self._clock(network, at_nodes, supply)), 0.02, ""

    def _clock(self, network: Network, volts: Floats, supply: Supply) -> bool:
        alive = self._flaw.clock
        for part in self.circuit.parts:
            if part.kind is not PartKind.CONTROLLER:
                continue
            for pin in part.pins:
                nominal = self.circuit.net(pin.net).volts
                if self.circuit.net(pin.net).kind is NetKind.POWER and nominal:
                    pair = (part.pad(pin), supply.black)
                    alive &= bool(network.across(volts[:, None], [pair])[0, 0] > 0.8 * nominal)
        return alive ^ bool(self._rng.uniform() < 0.01)

    def _by_itself(self, part: str) -> bool:
        """What a look at the lifted part says; asked twice, the same."""
        if part not in self._verdicts:
            chance = 0.98 if part in self.guilty else 0.01
            self._verdicts[part] = bool(self._rng.uniform() < chance)
        return self._verdicts[part]


def random_board(seed: int) -> RealBoard:
    """The dead board of a seed.

    >>> random_board(7).guilty == random_board(7).guilty
    True
    """
    rng = np.random.default_rng([0xB0A2D, seed])
    circuit = TEMPLATES[str(rng.choice(list(TEMPLATES)))](rng)
    return RealBoard(circuit, _flaw(circuit, rng), rng)


def _flaw(circuit: Circuit, rng: np.random.Generator) -> Flaw:
    singles = known.faults_by_kind(circuit)
    if rng.uniform() < PAIR_CHANCE:
        every = known.single_faults(circuit)
        pairs = known.likely_pairs(circuit, every)
        fault = pairs[int(rng.integers(len(pairs)))]
    else:
        kinds = [kind for kind in MIX if kind in singles]
        weights = np.array([MIX[kind] for kind in kinds])
        kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
        fault = singles[kind][int(rng.integers(len(singles[kind])))]
    ohms = []
    for spread in fault.spreads:
        low, high, _ = known.SPREADS[spread]
        ohms.append(float(low * (high / low) ** rng.uniform()))
    return Flaw(fault, tuple(ohms), bool(rng.uniform() > fault.no_clock))


def _real(circuit: Circuit, rng: np.random.Generator) -> Wiring:
    """The board as it was made: every conductor, junction and regulator off its nominal value."""

    def spread(sigma: float) -> float:
        return float(np.exp(rng.normal(0, sigma)))

    thickness = spread(0.12)
    kinds = {part.name: part.kind for part in circuit.parts}

    def conductor(element: Element) -> Element:
        return replace(element, siemens=element.siemens * _error(element, kinds, thickness, spread))

    def junction(one: Junction) -> Junction:
        return replace(one, volts=one.volts + float(rng.normal(0, 0.03)))

    def regulator(one: Regulator) -> Regulator:
        return replace(one, volts=one.volts * (1 + float(rng.normal(0, 0.012))), limit_a=one.limit_a * spread(0.2))

    wires = wiring(_rerouted(circuit, rng))
    return Wiring(
        tuple(conductor(element) for element in wires.elements),
        tuple(junction(one) for one in wires.junctions),
        tuple(regulator(one) for one in wires.regulators),
    )


def _error(element: Element, kinds: dict[str, PartKind], thickness: float, spread: Spread) -> float:
    """Real over nominal conductance of one conductor."""
    if element.part is None:
        return thickness * spread(0.2) / 1.15  # detours and vias
    if element.when == "run":
        return spread(0.3)
    if element.when == "rest":
        return spread(0.5)
    kind = kinds[element.part]
    if kind is PartKind.RESISTOR:
        return spread(0.02)
    return spread(0.2 if kind in SERIES_KINDS else 0.4)


def _rerouted(circuit: Circuit, rng: np.random.Generator) -> Circuit:
    """The same board with its pads a little off, so that traces may run in another order."""
    return replace(
        circuit,
        parts=tuple(
            replace(
                part,
                pins=tuple(
                    replace(
                        pin,
                        x_mm=pin.x_mm + float(rng.normal(0, REROUTE_MM)),
                        y_mm=pin.y_mm + float(rng.normal(0, REROUTE_MM)),
                    )
                    for pin in part.pins
                ),
            )
            for part in circuit.parts
        ),
    )


def _broken(wires: Wiring, flaw: Flaw) -> Wiring:
    """The board with its fault built in."""
    fault = flaw.fault
    owner = {pair: _owner(pair) for pair in fault.joins}
    joins = tuple(
        Element(f"fault {a} {b}", a, b, 1 / ohm, owner[a, b])
        for (a, b), ohm in zip(fault.joins, flaw.ohms, strict=True)
    )
    cut = {frozenset((a, b)) for a, b, _ in fault.cuts}
    kept = tuple(
        replace(element, siemens=CRACK_S) if element.part and frozenset((element.a, element.b)) in cut else element
        for element in wires.elements
    )
    return replace(wires, elements=kept + joins)


def _owner(pair: Pair) -> str:
    return pair[0].split(".", 1)[0]


def _ports(supply: Supply, regulators: Sequence[Regulator]) -> list[Pair]:
    ports: list[Pair] = [(supply.red, supply.black)]
    for one in regulators:
        ports += [(one.inlet, one.ground), (one.outlet, one.ground)]
    return ports


def _diode(network: Network, junctions: Sequence[Junction], probe: Pair) -> float:
    """The diode test with every junction of the board considered."""
    pairs: list[Pair] = [(one.anode, one.cathode) for one in junctions]
    from_probe, own = network.solve([probe]), network.solve(pairs)
    return float(
        diode_test(
            network.across(from_probe, [probe])[0],
            network.across(from_probe, pairs).T,
            np.diag(network.across(own, pairs))[None],
            np.array([one.volts for one in junctions]),
        )[0]
    )


def _pair(test: Test) -> Pair:
    first, second = test.place
    return first, second
