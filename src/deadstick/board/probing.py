"""The tests one can make on a board: where the leads go, what it takes, what it risks.

Minutes are our own figures for practised hands (common practice, no source).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot

from deadstick.board.circuit import PLUG, SERIES_KINDS, Circuit, Net, NetKind, Part, PartKind
from deadstick.board.models import load_ampere
from deadstick.board.physics import copper
from deadstick.board.readings import Kind, Reading, Supply

METER_KINDS = frozenset({Kind.RESISTANCE, Kind.FOUR_WIRE, Kind.CONTINUITY, Kind.DIODE})
SUPPLY_KINDS = frozenset({Kind.VOLTAGE, Kind.CURRENT, Kind.DROP, Kind.CLOCK})

MINUTES = {
    Kind.RESISTANCE: 0.5,
    Kind.FOUR_WIRE: 1.5,
    Kind.CONTINUITY: 0.3,
    Kind.DIODE: 0.5,
    Kind.VOLTAGE: 0.5,
    Kind.CURRENT: 0.2,
    Kind.DROP: 0.7,
    Kind.CLOCK: 2.0,
}
SUPPLY_MINUTES = 4.0  # clip on a supply, set its limits, or move it
LIFT_MINUTES = {
    **dict.fromkeys(SERIES_KINDS, 6.0),
    PartKind.CAPACITOR: 6.0,
    PartKind.DIODE: 6.0,
    PartKind.CRYSTAL: 8.0,
    PartKind.ESD_ARRAY: 10.0,
    PartKind.REGULATOR: 12.0,
    PartKind.CONTROLLER: 40.0,
    PartKind.NAND: 40.0,
    PartKind.CONNECTOR: 20.0,
}

INJECT_A = 1.0
INJECT_V = 1.0  # below the forward voltage of two junctions in series and below any rail
BENCH_A = (0.2, 0.9)  # least and most; 0.9 A is what a USB 3 host gives
NEIGHBOURS = 2


@dataclass(frozen=True, slots=True)
class Test:
    """Something to measure.

    Attributes:
        kind, place, supply: as in `Reading`.
    """

    __test__ = False  # no test case, whatever pytest thinks of the name

    kind: Kind
    place: tuple[str, ...]
    supply: Supply | None = None

    def minutes(self, circuit: Circuit, connected: Supply | None) -> float:
        """What it takes, given the supply that is connected already."""
        if self.kind is Kind.LIFTED:
            return LIFT_MINUTES[circuit.part(self.place[0]).kind] + 1.0
        setup = SUPPLY_MINUTES if self.supply is not None and self.supply != connected else 0.0
        return MINUTES[self.kind] + setup

    @property
    def powers(self) -> bool:
        """Whether the whole board gets its working voltage."""
        return self.supply is not None and self.supply.volts > INJECT_V


def feed_pad(circuit: Circuit, net: Net) -> str | None:
    """The pad at which a net is fed: where a supply or a probe goes first. None on an empty net."""
    pads = circuit.pads_by_net[net.name]
    return min(pads, key=lambda pad: (_rank(circuit, pad), pads.index(pad)), default=None)


def ground_pad(circuit: Circuit) -> str:
    """The pad of ground at which leads are clipped: the connector's."""
    pad = feed_pad(circuit, circuit.ground)
    assert pad is not None, "a circuit has ground pads"  # noqa: S101  # narrows the type; Circuit guarantees it
    return pad


def _rank(circuit: Circuit, pad: str) -> int:
    part, pin = circuit.pads[pad]
    if part.kind is PartKind.CONNECTOR:
        return 0
    if part.kind is PartKind.REGULATOR and pin.name == "OUT":
        return 1
    if part.kind in SERIES_KINDS - {PartKind.RESISTOR}:
        return 2
    return 3 if part.kind is PartKind.CAPACITOR else 4


def working_supply(circuit: Circuit) -> Supply | None:
    """The bench supply in place of the host, at the plug's contacts. None without such a connector."""
    for part in circuit.parts:
        if part.kind is not PartKind.CONNECTOR:
            continue
        red = next((pin for pin in part.pins if circuit.net(pin.net).kind is NetKind.POWER), None)
        black = next((pin for pin in part.pins if pin.net == circuit.ground.name), None)
        if red is not None and black is not None:
            volts = circuit.net(red.net).volts or 5.0
            return Supply(part.pad(red) + PLUG, part.pad(black) + PLUG, volts, _bench_limit(circuit))
    return None


def _bench_limit(circuit: Circuit) -> float:
    """Twice what the healthy board should draw, within `BENCH_A`."""
    loads = (load_ampere(circuit, part, pin) for part in circuit.parts for pin in part.pins)
    return round(min(max(2 * sum(loads), BENCH_A[0]), BENCH_A[1]), 1)


def injection(circuit: Circuit, net: Net) -> Supply | None:
    """A supply that injects current into one rail, far below its working voltage."""
    pad = feed_pad(circuit, net)
    return None if pad is None else Supply(pad, ground_pad(circuit), INJECT_V, INJECT_A)


def candidate_tests(circuit: Circuit, removed: frozenset[str] = frozenset()) -> tuple[Test, ...]:
    """Every test worth thinking of, without those that need a part that is gone."""
    key = ("tests",)
    if key not in circuit.memo:
        makers = (_ohms, _diodes, _drops, _powered, _lifts)
        every = dict.fromkeys(test for maker in makers for test in maker(circuit))
        circuit.memo[key] = {test: _needs(circuit, test) for test in every}
    known: dict[Test, frozenset[str]] = circuit.memo[key]
    return tuple(test for test, needed in known.items() if not needed & removed)


def _needs(circuit: Circuit, test: Test) -> frozenset[str]:
    """Parts that must be on the board: those between whose own pads is measured."""
    parts = [place.removesuffix(PLUG).rsplit(".", 1)[0] for place in test.place]
    if test.kind in {Kind.LIFTED, Kind.CLOCK}:
        return frozenset(parts)
    across = len(parts) == 2 and parts[0] == parts[1] and circuit.part(parts[0]).kind is not PartKind.CONNECTOR
    return frozenset(parts) if across else frozenset()


def _ohms(circuit: Circuit) -> Iterator[Test]:
    ground = ground_pad(circuit)
    for net in circuit.nets:
        pad = feed_pad(circuit, net)
        if net.kind is NetKind.GROUND or pad is None or not _worth_a_look(circuit, net):
            continue
        yield Test(Kind.RESISTANCE, (pad, ground))
        if net.kind is NetKind.POWER:
            yield Test(Kind.FOUR_WIRE, (pad, ground))
    for part in circuit.parts:
        if part.kind in SERIES_KINDS:
            yield Test(Kind.RESISTANCE, (part.pad(part.pins[0]), part.pad(part.pins[1])))
        elif part.kind is PartKind.REGULATOR:
            yield Test(Kind.RESISTANCE, (part.pad(part.pin("IN")), part.pad(part.pin("OUT"))))
        elif part.kind is PartKind.CONNECTOR:
            for pin in part.pins:
                yield Test(Kind.RESISTANCE, (part.pad(pin) + PLUG, part.pad(pin)))
        elif part.kind in {PartKind.CAPACITOR, PartKind.DIODE} and not _grounded(circuit, part):
            yield Test(Kind.RESISTANCE, (part.pad(part.pins[0]), part.pad(part.pins[1])))


def _grounded(circuit: Circuit, part: Part) -> bool:
    return any(pin.net == circuit.ground.name for pin in part.pins)


def _worth_a_look(circuit: Circuit, net: Net) -> bool:
    """Power, and lines with something on them that can short."""
    shorting = {PartKind.CAPACITOR, PartKind.ESD_ARRAY, PartKind.CONNECTOR, PartKind.DIODE}
    return net.kind is NetKind.POWER or any(part.kind in shorting for part in circuit.on_net(net.name))


def _diodes(circuit: Circuit) -> Iterator[Test]:
    ground = ground_pad(circuit)
    for net in circuit.nets:
        pad = feed_pad(circuit, net)
        if pad is not None and net.kind is not NetKind.GROUND and _worth_a_look(circuit, net):
            yield Test(Kind.DIODE, (ground, pad))


def _drops(circuit: Circuit) -> Iterator[Test]:
    """Current into a net that can short; drops along its copper, and over the parts that lead away from it."""
    for net in circuit.nets:
        supply = injection(circuit, net)
        if supply is None or net.kind is NetKind.GROUND or not _worth_a_look(circuit, net):
            continue
        if net.kind is NetKind.POWER:
            yield Test(Kind.CURRENT, (supply.red,), supply)
        if sum(part.kind is not PartKind.CONNECTOR for part in circuit.on_net(net.name)) < 2:
            continue
        for pair in (*((element.a, element.b) for element in copper(circuit, net)), *_neighbours(circuit, net)):
            yield Test(Kind.DROP, pair, supply)
        for part in circuit.on_net(net.name):
            if part.kind in SERIES_KINDS - {PartKind.RESISTOR}:
                yield Test(Kind.DROP, (part.pad(part.pins[0]), part.pad(part.pins[1])), supply)


def _neighbours(circuit: Circuit, net: Net) -> Iterator[tuple[str, str]]:
    """Pads that lie next to each other, whether or not a trace is thought to join them directly."""
    pads = circuit.pads_by_net[net.name]
    joined = {frozenset((element.a, element.b)) for element in copper(circuit, net)}
    for pad in pads:
        for other in nearest(circuit, pad):
            pair = frozenset((pad, other))
            if pair not in joined:
                joined.add(pair)
                yield pad, other


def nearest(circuit: Circuit, pad: str) -> tuple[str, ...]:
    """The pads of other parts on the same net that lie nearest to a pad."""
    part, pin = circuit.pads[pad]
    others = [
        (hypot(there.x_mm - pin.x_mm, there.y_mm - pin.y_mm), other)
        for other in circuit.pads_by_net[pin.net]
        for owner, there in (circuit.pads[other],)
        if owner.name != part.name
    ]
    return tuple(other for _, other in sorted(others)[:NEIGHBOURS])


def pads_tests(circuit: Circuit, part: str) -> Iterator[Test]:
    """The readings that belong to a lift: every net of the part once more, against ground; upstream and downstream."""
    for net in dict.fromkeys(pin.net for pin in circuit.part(part).pins if pin.net != circuit.ground.name):
        pad = feed_pad(circuit, circuit.net(net))
        if pad is not None:
            yield Test(Kind.RESISTANCE, (pad, ground_pad(circuit)))


def pads_test(circuit: Circuit, part: str) -> Test | None:
    """The first of `pads_tests`; None for a part that lies on no net but ground."""
    return next(pads_tests(circuit, part), None)


def hidden_opens(circuit: Circuit) -> Iterator[Test]:
    """Breaks that a short hides: at the supply contact of the connector, and in a fuse that blew."""
    for part in circuit.parts:
        if part.kind is PartKind.FUSE:
            yield Test(Kind.RESISTANCE, (part.pad(part.pins[0]), part.pad(part.pins[1])))
        elif part.kind is PartKind.CONNECTOR:
            for pin in part.pins:
                if circuit.net(pin.net).kind is NetKind.POWER:
                    yield Test(Kind.RESISTANCE, (part.pad(pin) + PLUG, part.pad(pin)))


def confirming(circuit: Circuit, pad: str) -> Iterator[Test]:
    """Tests that show whether a pad is the lowest of its net while current is injected.

    However the traces run, current flows downhill, and the pad at the short is the lowest of all: no other pad may lie
    below it. That holds without knowing a single trace.
    """
    net = circuit.net(circuit.net_of(pad))
    supply = injection(circuit, net)
    if supply is None:
        return
    drops = (test for test in candidate_tests(circuit) if test.kind is Kind.DROP and test.supply == supply)
    known = {frozenset(test.place): test for test in drops}
    for other in nearest(circuit, pad):
        test = known.get(frozenset((pad, other)))
        if test is not None:
            yield test


def _powered(circuit: Circuit) -> Iterator[Test]:
    supply = working_supply(circuit)
    if supply is None:
        return
    yield Test(Kind.CURRENT, (supply.red,), supply)
    for net in circuit.nets:
        pad = feed_pad(circuit, net)
        if net.kind is NetKind.POWER and pad is not None:
            yield Test(Kind.VOLTAGE, (pad, ground_pad(circuit)), supply)
    for part in circuit.parts:
        if part.kind is PartKind.CRYSTAL:
            yield Test(Kind.CLOCK, (part.name,), supply)


def _lifts(circuit: Circuit) -> Iterator[Test]:
    """Parts that may come off for a look. Controller, NAND and connector belong to a route, not to a test."""
    kept = {PartKind.CONTROLLER, PartKind.NAND, PartKind.CONNECTOR}
    for part in circuit.parts:
        if part.kind not in kept:
            yield Test(Kind.LIFTED, (part.name,))


def answered_by(reading: Reading) -> Test:
    """The test that a reading answers."""
    return Test(reading.kind, reading.place, reading.supply if reading.kind in SUPPLY_KINDS else None)
