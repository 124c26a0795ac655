"""Two ways of finding a fault without odds, played on the same simulated boards as the advice.

**Trail following** (common practice, no source): ohm every rail; where one is shorted, go from part to part along the
net with the meter, lift the part that looks guilty, measure the pads again, split upstream from downstream, go on. Two
parts lifted in vain turn suspicion to a chip if a chip reads lowest. **Capacitors first**: lift every capacitor of the
shorted net, cheapest first, until the short is gone.

Both see what a person with a meter sees, and know what the parts are, but keep no account of uncertainty.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from deadstick.board.circuit import PLUG, SERIES_KINDS, Circuit, Net, NetKind, Part, PartKind
from deadstick.board.models import value_of
from deadstick.board.probing import LIFT_MINUTES, Test, feed_pad, ground_pad, working_supply
from deadstick.board.readings import Kind, Reading, Supply
from deadstick.simulate.boards import RealBoard

SHORTED_BELOW_OHM = 60.0
IN_VAIN = 2  # parts lifted in vain before a chip is suspected
CHIPS = (PartKind.CONTROLLER, PartKind.NAND)


@dataclass
class Bench:
    """A board under the hands of somebody: every step is counted.

    Attributes:
        board: the board.
        tests: readings and lifts.
        minutes: of work.
        lifted: parts, in order.
    """

    board: RealBoard
    tests: int = 0
    minutes: float = 0.0
    lifted: list[str] = field(default_factory=list)
    _connected: Supply | None = None

    @property
    def circuit(self) -> Circuit:
        """The nominal board."""
        return self.board.circuit

    def read(self, test: Test) -> float:
        """Make a test; gives its value."""
        return self.make(test).value

    def make(self, test: Test) -> Reading:
        """Make a test; gives the reading."""
        self.tests += 1
        self.minutes += test.minutes(self.circuit, self._connected)
        self._connected = test.supply
        reading = self.board.read(test, frozenset(self.lifted))
        if test.kind is Kind.LIFTED:
            self.lifted.append(test.place[0])
        return reading

    def lift(self, part: str) -> bool:
        """Lift a part; whether it turns out faulty."""
        return self.read(Test(Kind.LIFTED, (part,))) > 0.5

    def to_ground(self, pad: str, kind: Kind = Kind.RESISTANCE) -> float:
        """Ohms from a pad to ground."""
        return self.read(Test(kind, (pad, ground_pad(self.circuit))))

    @property
    def innocent(self) -> tuple[str, ...]:
        """Parts lifted that were not at fault."""
        return tuple(part for part in self.lifted if part not in self.board.guilty)


Hunt = Callable[[Bench, str, Kind], "tuple[str, ...] | None"]


def trail(bench: Bench, kind: Kind = Kind.RESISTANCE) -> tuple[str, ...]:
    """Trail following; gives the parts that it blames.

    Args:
        bench: the board.
        kind: two-wire with a handheld meter, or four-wire with a milliohm meter.
    """
    return _practice(bench, _follow, kind)


def capacitors_first(bench: Bench) -> tuple[str, ...]:
    """Every capacitor of the shorted net, cheapest first; gives the parts that it blames."""
    return _practice(bench, _lift_capacitors, Kind.RESISTANCE)


def _practice(bench: Bench, hunt: Hunt, kind: Kind) -> tuple[str, ...]:
    shorted = _shorted_net(bench, kind)
    if shorted is not None:
        return hunt(bench, shorted, kind) or _blame_chip(bench.circuit, shorted)
    return _open(bench) or _dark_rail(bench) or _no_clock(bench) or _chip_of(bench.circuit, PartKind.CONTROLLER)


def _shorted_net(bench: Bench, kind: Kind) -> str | None:
    """The net that reads lowest, if any reads as a short."""
    lowest: tuple[float, str] | None = None
    for net in bench.circuit.nets:
        pad = feed_pad(bench.circuit, net)
        if pad is None or net.kind is NetKind.GROUND or not _can_short(bench.circuit, net):
            continue
        ohm = bench.to_ground(pad, kind)
        if ohm < SHORTED_BELOW_OHM and (lowest is None or ohm < lowest[0]):
            lowest = ohm, net.name
    return None if lowest is None else lowest[1]


def _can_short(circuit: Circuit, net: Net) -> bool:
    return net.kind is NetKind.POWER or any(
        part.kind in {PartKind.ESD_ARRAY, PartKind.CAPACITOR} and _grounded(circuit, part)
        for part in circuit.on_net(net.name)
    )


def _grounded(circuit: Circuit, part: Part) -> bool:
    return any(pin.net == circuit.ground.name for pin in part.pins)


def _to_ground(circuit: Circuit, net: str) -> list[Part]:
    """Parts on a net that can short it to ground."""
    passing = {*SERIES_KINDS, PartKind.CONNECTOR, PartKind.CRYSTAL}
    return [part for part in circuit.on_net(net) if part.kind not in passing and _grounded(circuit, part)]


def _still_short(bench: Bench, net: str, kind: Kind) -> bool:
    pad = feed_pad(bench.circuit, bench.circuit.net(net))
    return pad is not None and bench.to_ground(pad, kind) < SHORTED_BELOW_OHM


def _follow(bench: Bench, net: str, kind: Kind) -> tuple[str, ...] | None:
    """Along the net from part to part, lowest reading first."""
    circuit = bench.circuit
    readings = [
        (bench.to_ground(part.pad(pin), kind), part)
        for part in _to_ground(circuit, net)
        for pin in part.pins
        if pin.net == net
    ]
    order = [part for _, part in sorted(readings, key=lambda one: one[0])]
    blamed: list[str] = []
    split = False
    while order:
        in_vain = len(bench.lifted) - len(blamed)
        chip = order[0].kind in CHIPS
        if chip and in_vain >= IN_VAIN:
            return (*blamed, order[0].name)
        part = next((one for one in order if one.kind not in CHIPS), None)
        if part is None:
            return None
        order = [one for one in order if one is not part]
        if bench.lift(part.name):
            blamed.append(part.name)
        if not _still_short(bench, net, kind):
            return tuple(blamed) or (part.name,)
        if not split and len(bench.lifted) - len(blamed) >= IN_VAIN:
            split = True
            away = _split(bench, net, kind)
            if away is not None:
                return _follow(bench, away, kind) or (*blamed, *_blame_chip(circuit, away))
    return None


def _split(bench: Bench, net: str, kind: Kind) -> str | None:
    """Take out what joins the net to its neighbour; the name of the neighbour if the short is there."""
    for part in bench.circuit.on_net(net):
        if part.kind in SERIES_KINDS - {PartKind.RESISTOR} and part.name not in bench.lifted:
            bench.lift(part.name)
            if not _still_short(bench, net, kind):
                return next(pin.net for pin in part.pins if pin.net != net)
            return None
    return None


def _lift_capacitors(bench: Bench, net: str, kind: Kind) -> tuple[str, ...] | None:
    """Capacitors of the net, then what else can be lifted from it, each group cheapest first."""
    blamed: list[str] = []
    parts = [part for part in _to_ground(bench.circuit, net) if part.kind not in CHIPS]
    for part in sorted(parts, key=lambda one: (one.kind is not PartKind.CAPACITOR, LIFT_MINUTES[one.kind])):
        if bench.lift(part.name):
            blamed.append(part.name)
        if not _still_short(bench, net, kind):
            return tuple(blamed) or (part.name,)
    return None


def _blame_chip(circuit: Circuit, net: str) -> tuple[str, ...]:
    """The chip that is left: the controller if it is on the net, else the NAND."""
    for kind in CHIPS:
        chip = next((part.name for part in circuit.on_net(net) if part.kind is kind), None)
        if chip is not None:
            return (chip,)
    return _chip_of(circuit, PartKind.CONTROLLER)


def _chip_of(circuit: Circuit, kind: PartKind) -> tuple[str, ...]:
    return tuple(part.name for part in circuit.parts if part.kind is kind)[:1]


def _open(bench: Bench) -> tuple[str, ...] | None:
    """Everything that should conduct, end to end."""
    for part, pads, limit in _conductors(bench.circuit):
        if bench.read(Test(Kind.RESISTANCE, pads)) > limit:
            return (part,)
    return None


def _conductors(circuit: Circuit) -> Iterator[tuple[str, tuple[str, str], float]]:
    for part in circuit.parts:
        if part.kind is PartKind.CONNECTOR:
            for pin in part.pins:
                yield part.name, (part.pad(pin) + PLUG, part.pad(pin)), 5.0
        elif part.kind in SERIES_KINDS and value_of(part) < 200:
            yield part.name, (part.pad(part.pins[0]), part.pad(part.pins[1])), 3 * value_of(part) + 2


def _dark_rail(bench: Bench) -> tuple[str, ...] | None:
    """Power the board: a regulator with input and no output, or with far too much."""
    circuit, supply = bench.circuit, working_supply(bench.circuit)
    for part in circuit.parts:
        if part.kind is not PartKind.REGULATOR or supply is None:
            continue
        volts = [
            bench.read(Test(Kind.VOLTAGE, (part.pad(part.pin(name)), ground_pad(circuit)), supply))
            for name in ("IN", "OUT")
        ]
        nominal = part.value or 3.3
        if volts[0] > nominal and not 0.8 * nominal < volts[1] < 1.2 * nominal:
            bench.lift(part.name)
            return (part.name,)
    return None


def _no_clock(bench: Bench) -> tuple[str, ...] | None:
    supply = working_supply(bench.circuit)
    for part in bench.circuit.parts:
        if (
            part.kind is PartKind.CRYSTAL
            and supply is not None
            and bench.read(Test(Kind.CLOCK, (part.name,), supply)) < 0.5
        ):
            return (part.name,) if bench.lift(part.name) else None
    return None
