"""A board as a circuit: nets of copper, parts with pins, where everything lies. Nothing here computes."""

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Any

from deadstick.errors import InputError

PLUG = "@plug"


class PartKind(StrEnum):
    """Kinds of parts; the values stand in circuit files."""

    CAPACITOR = "capacitor"
    RESISTOR = "resistor"
    FERRITE = "ferrite"
    INDUCTOR = "inductor"
    FUSE = "fuse"
    DIODE = "diode"
    ESD_ARRAY = "esd_array"
    REGULATOR = "regulator"
    CRYSTAL = "crystal"
    CONTROLLER = "controller"
    NAND = "nand"
    CONNECTOR = "connector"


SERIES_KINDS = frozenset({PartKind.RESISTOR, PartKind.FERRITE, PartKind.INDUCTOR, PartKind.FUSE})
CHIP_KINDS = frozenset({PartKind.ESD_ARRAY, PartKind.REGULATOR, PartKind.CONTROLLER, PartKind.NAND})


class NetKind(StrEnum):
    """What a net is for."""

    GROUND = "ground"
    POWER = "power"
    SIGNAL = "signal"


@dataclass(frozen=True, slots=True)
class Net:
    """One net of copper.

    Attributes:
        name: unique on the board.
        kind: ground, power or signal. A board has one ground net.
        volts: nominal voltage of a power net.
        plane: a filled area instead of traces.
        width_mm: width of its traces; not used for a plane.
    """

    name: str
    kind: NetKind = NetKind.SIGNAL
    volts: float | None = None
    plane: bool = False
    width_mm: float = 0.25


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of a part, with the position of its pad.

    Attributes:
        name: unique in the part.
        net: name of its net.
        x_mm, y_mm: position on the board.
        load_a: supply current that a chip draws through it when it runs; None takes the default of the kind.
        rest_ohm: resistance to the part's ground when nothing is powered; None takes the default of the kind.
        supplies_v: volts that the chip makes at this pin by an internal regulator, fed from its first supply pin.
    """

    name: str
    net: str
    x_mm: float
    y_mm: float
    load_a: float | None = None
    rest_ohm: float | None = None
    supplies_v: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One part.

    Attributes:
        name: its designator, unique on the board.
        kind: see `PartKind`.
        pins: in the order of the data sheet; a regulator's are named IN, OUT and GND, a diode's A and K.
        value: ohm for a resistor; DC resistance in ohm for ferrite, inductor and fuse; farad for a capacitor; output
            volts for a regulator; forward volts for a diode; hertz for a crystal. None takes the default of the kind.
        tolerance: relative, one standard deviation; None takes the default of the kind.
    """

    name: str
    kind: PartKind
    pins: tuple[Pin, ...]
    value: float | None = None
    tolerance: float | None = None

    def pin(self, name: str) -> Pin:
        """The pin of that name.

        Raises:
            InputError: there is none.
        """
        for pin in self.pins:
            if pin.name == name:
                return pin
        raise InputError(f"{self.name} has no pin {name}; it has {', '.join(pin.name for pin in self.pins)}")

    def pad(self, pin: Pin) -> str:
        """Name of the pad under a pin."""
        return f"{self.name}.{pin.name}"


@dataclass(frozen=True)
class Circuit:
    """A whole board.

    Attributes:
        name: for people.
        nets, parts: everything on it.
        width_mm, height_mm: size of the board; positions run from 0 to these.
        copper_um: thickness of the copper.

    Raises:
        InputError: names are used twice, a pin lies on an unknown net, or there is not exactly one ground net.
    """

    name: str
    nets: tuple[Net, ...]
    parts: tuple[Part, ...]
    width_mm: float
    height_mm: float
    copper_um: float = 35.0
    notes: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        _refuse_twins("net", [net.name for net in self.nets])
        _refuse_twins("part", [part.name for part in self.parts])
        grounds = [net.name for net in self.nets if net.kind is NetKind.GROUND]
        if len(grounds) != 1:
            raise InputError(f"{self.name}: a circuit needs exactly one net of kind ground, not {grounds or 'none'}")
        known = {net.name for net in self.nets}
        for part in self.parts:
            _refuse_twins(f"pin of {part.name}", [pin.name for pin in part.pins])
            for pin in part.pins:
                if pin.net not in known:
                    raise InputError(f"{self.name}: {part.pad(pin)} lies on net {pin.net}, which is not declared")

    @cached_property
    def ground(self) -> Net:
        """The ground net."""
        return next(net for net in self.nets if net.kind is NetKind.GROUND)

    @cached_property
    def _parts(self) -> dict[str, Part]:
        return {part.name: part for part in self.parts}

    @cached_property
    def _nets(self) -> dict[str, Net]:
        return {net.name: net for net in self.nets}

    @cached_property
    def memo(self) -> dict[tuple[str, ...], Any]:
        """What other modules derived from this board and keep with it; a circuit never changes."""
        return {}

    @cached_property
    def pads(self) -> dict[str, tuple[Part, Pin]]:
        """Every pad by its name, `part.pin`."""
        return {part.pad(pin): (part, pin) for part in self.parts for pin in part.pins}

    @cached_property
    def pads_by_net(self) -> dict[str, tuple[str, ...]]:
        """Names of the pads of every net."""
        found: dict[str, list[str]] = {net.name: [] for net in self.nets}
        for pad, (_, pin) in self.pads.items():
            found[pin.net].append(pad)
        return {net: tuple(pads) for net, pads in found.items()}

    def part(self, name: str) -> Part:
        """The part of that name.

        Raises:
            InputError: there is none.
        """
        if name not in self._parts:
            raise InputError(f"{self.name} has no part {name}")
        return self._parts[name]

    def net(self, name: str) -> Net:
        """The net of that name.

        Raises:
            InputError: there is none.
        """
        if name not in self._nets:
            raise InputError(f"{self.name} has no net {name}")
        return self._nets[name]

    def on_net(self, name: str) -> tuple[Part, ...]:
        """Parts with a pin on a net, in the order of the board."""
        return tuple(part for part in self.parts if any(pin.net == name for pin in part.pins))

    def net_of(self, place: str) -> str:
        """The net on which a pad, or the contact behind it, lies.

        Raises:
            InputError: there is no such pad.
        """
        pad = place.removesuffix(PLUG)
        if pad not in self.pads:
            raise InputError(f"{self.name} has no pad {place}; a pad is written part.pin, as in C7.1")
        return self.pads[pad][1].net


def _refuse_twins(what: str, names: list[str]) -> None:
    twins = sorted({name for name in names if names.count(name) > 1})
    if twins:
        raise InputError(f"two of {what} {', '.join(twins)}: names must be unique")
