"""What the parts of a board are to direct current: conductors, junctions and regulators, at rest or running.

Every part becomes two-terminal conductors between *nodes*. A node is a pad (`C7.1`), the contact of a connector where a
plug would touch (`J1.VBUS@plug`), or the silicon behind a pin of a chip (`U1.VCC1@die`); a solder joint lies between
pad and silicon, so that an open joint is a conductor taken away.

The default values are our own round figures (common practice, no source); a circuit file may replace them pin by pin.
"""

from dataclasses import dataclass
from typing import Literal

from deadstick.board.circuit import CHIP_KINDS, PLUG, SERIES_KINDS, Circuit, NetKind, Part, PartKind, Pin

DIE = "@die"
JOINT_OHM = 0.01
CONTACT_OHM = 0.015
CORE_BELOW_V = 1.5

When = Literal["always", "rest", "run"]

DEFAULT_OHM = {PartKind.RESISTOR: 1e3, PartKind.FERRITE: 0.2, PartKind.INDUCTOR: 0.1, PartKind.FUSE: 0.2}
REST_OHM = {PartKind.CONTROLLER: 2e4, PartKind.NAND: 6e4}
CORE_REST_OHM = 2e3
LINE_REST_OHM = 1e6
LOAD_A = {PartKind.CONTROLLER: 0.05, PartKind.NAND: 0.02}
CORE_LOAD_A = 0.03
# Forward volts at the milliampere of a diode test.
JUNCTION_V = {"core": 0.40, "supply": 0.52, "line": 0.66, "esd": 0.74, "regulator": 0.58}
REGULATOR_REST_OHM = (3e5, 1e5)


@dataclass(frozen=True, slots=True)
class Element:
    """A conductor between two nodes.

    Attributes:
        key: unique on the board.
        a, b: nodes.
        siemens: its conductance.
        part: the part it belongs to; None for copper.
        when: a running chip conducts otherwise than one at rest.
    """

    key: str
    a: str
    b: str
    siemens: float
    part: str | None = None
    when: When = "always"


@dataclass(frozen=True, slots=True)
class Junction:
    """A silicon junction: conducts from anode to cathode above its forward voltage; nothing to an ohmmeter."""

    part: str
    anode: str
    cathode: str
    volts: float


@dataclass(frozen=True, slots=True)
class Regulator:
    """A source that holds its outlet at a voltage while its inlet is high enough.

    Attributes:
        key: name of the part, or of the pin behind which it hides in a chip.
        part: the part it belongs to.
        inlet, outlet, ground: nodes.
        volts: what it holds.
        limit_a: where its current limit sets in.
        ratio: inlet current over outlet current; 1 for a linear regulator.
    """

    key: str
    part: str
    inlet: str
    outlet: str
    ground: str
    volts: float
    limit_a: float = 0.4
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class PartModel:
    """All that one part is."""

    elements: tuple[Element, ...] = ()
    junctions: tuple[Junction, ...] = ()
    regulators: tuple[Regulator, ...] = ()


def die(part: Part, pin: Pin) -> str:
    """The silicon behind a pin: the pad itself for parts without solder joints of interest."""
    pad = part.pad(pin)
    return pad + DIE if part.kind in {PartKind.CONTROLLER, PartKind.NAND} else pad


def ground_of(circuit: Circuit, part: Part) -> str | None:
    """The node that is ground to the silicon of a part; None where it has no ground pin."""
    if part.kind in {PartKind.CONTROLLER, PartKind.NAND}:
        return part.name + DIE
    return next((part.pad(pin) for pin in part.pins if pin.net == circuit.ground.name), None)


def is_supply(circuit: Circuit, pin: Pin) -> bool:
    """Whether a pin lies on a power net."""
    return circuit.net(pin.net).kind is NetKind.POWER


def value_of(part: Part) -> float:
    """Ohms of a part in series; its default where the circuit does not say."""
    return part.value if part.value is not None else DEFAULT_OHM[part.kind]


def model(circuit: Circuit, part: Part) -> PartModel:
    """The healthy part.

    Args:
        circuit: the board; decides which pins are supplies.
        part: one of its parts.
    """
    if part.kind in SERIES_KINDS:
        a, b = part.pins[:2]
        return PartModel((Element(f"part {part.name}", part.pad(a), part.pad(b), 1 / value_of(part), part.name),))
    if part.kind is PartKind.CONNECTOR:
        return PartModel(tuple(_contact(part, pin) for pin in part.pins))
    if part.kind is PartKind.DIODE:
        a, k = part.pin("A"), part.pin("K")
        return PartModel(junctions=(Junction(part.name, part.pad(a), part.pad(k), part.value or 0.6),))
    ground = ground_of(circuit, part)
    if part.kind not in CHIP_KINDS or ground is None:
        return PartModel()  # a capacitor, a crystal: nothing to direct current
    return _CHIPS[part.kind](circuit, part, ground)


def _contact(part: Part, pin: Pin) -> Element:
    pad = part.pad(pin)
    return Element(f"contact {pad}", pad + PLUG, pad, 1 / CONTACT_OHM, part.name)


def _esd_array(circuit: Circuit, part: Part, ground: str) -> PartModel:
    lines = (part.pad(pin) for pin in part.pins if pin.net != circuit.ground.name)
    return PartModel(junctions=tuple(Junction(part.name, ground, line, JUNCTION_V["esd"]) for line in lines))


def _regulator(_circuit: Circuit, part: Part, ground: str) -> PartModel:
    inlet, outlet = (part.pad(part.pin(name)) for name in ("IN", "OUT"))
    at_rest = tuple(
        Element(f"rest {node}", node, ground, 1 / ohm, part.name, "rest")
        for node, ohm in zip((inlet, outlet), REGULATOR_REST_OHM, strict=True)
    )
    volts = JUNCTION_V["regulator"]
    junctions = (
        Junction(part.name, ground, inlet, volts + 0.1),
        Junction(part.name, ground, outlet, volts),
        Junction(part.name, outlet, inlet, volts),
    )
    return PartModel(
        at_rest, junctions, (Regulator(part.name, part.name, inlet, outlet, ground, part.value or 3.3, limit_a=0.6),)
    )


def _chip(circuit: Circuit, part: Part, ground: str) -> PartModel:
    """Controller or NAND: a joint at every pin, all ground pins on one node of silicon."""
    elements: list[Element] = []
    junctions: list[Junction] = []
    regulators: list[Regulator] = []
    feed = next((die(part, pin) for pin in part.pins if is_supply(circuit, pin)), None)
    for pin in part.pins:
        pad = part.pad(pin)
        grounded = pin.net == circuit.ground.name
        inside = ground if grounded else die(part, pin)
        elements.append(Element(f"joint {pad}", pad, inside, 1 / JOINT_OHM, part.name))
        if grounded:
            continue
        supply = is_supply(circuit, pin)
        elements.append(Element(f"rest {pad}", inside, ground, 1 / _rest_ohm(circuit, part, pin), part.name, "rest"))
        if supply:
            amperes, volts = _load(circuit, part, pin)
            elements.append(Element(f"load {pad}", inside, ground, amperes / volts, part.name, "run"))
        kind = ("core" if _is_core(circuit, pin) else "supply") if supply else "line"
        junctions.append(Junction(part.name, ground, inside, JUNCTION_V[kind]))
        if pin.supplies_v is not None and feed is not None:
            regulators.append(Regulator(pad, part.name, feed, inside, ground, pin.supplies_v, limit_a=0.2))
    return PartModel(tuple(elements), tuple(junctions), tuple(regulators))


def load_ampere(circuit: Circuit, part: Part, pin: Pin) -> float:
    """What a pin of a running chip should draw; 0 for pins that are no supplies."""
    chip = part.kind in {PartKind.CONTROLLER, PartKind.NAND}
    return _load(circuit, part, pin)[0] if chip and is_supply(circuit, pin) else 0.0


def _is_core(circuit: Circuit, pin: Pin) -> bool:
    return (circuit.net(pin.net).volts or 3.3) < CORE_BELOW_V


def _rest_ohm(circuit: Circuit, part: Part, pin: Pin) -> float:
    if pin.rest_ohm is not None:
        return pin.rest_ohm
    if not is_supply(circuit, pin):
        return LINE_REST_OHM
    return CORE_REST_OHM if _is_core(circuit, pin) else REST_OHM[part.kind]


def _load(circuit: Circuit, part: Part, pin: Pin) -> tuple[float, float]:
    """Amperes and volts of a running supply pin."""
    volts = circuit.net(pin.net).volts or 3.3
    if pin.load_a is not None:
        return max(pin.load_a, 1e-6), volts
    return (CORE_LOAD_A if _is_core(circuit, pin) else LOAD_A[part.kind]), volts


_CHIPS = {
    PartKind.ESD_ARRAY: _esd_array,
    PartKind.REGULATOR: _regulator,
    PartKind.CONTROLLER: _chip,
    PartKind.NAND: _chip,
}
