"""Import of a KiCad netlist: the `.net` file of s-expressions that its schematic editor exports.

The file has `(components (comp (ref "C1") (value "100n") ...))` and `(nets (net (name "GND") (node (ref "C1") (pin
"1"))))` (KiCad documentation, "File formats", intermediate netlist; the fields are plain in any export). It holds no
positions and does not say what a `U` is; both are asked for where they matter.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.board.expressions import Expression, parse_expression
from deadstick.errors import InputError

MOST_BYTES = 32 << 20

_PREFIXES = (
    ("FB", PartKind.FERRITE),
    ("LED", PartKind.DIODE),
    ("CN", PartKind.CONNECTOR),
    ("C", PartKind.CAPACITOR),
    ("R", PartKind.RESISTOR),
    ("L", PartKind.INDUCTOR),
    ("F", PartKind.FUSE),
    ("D", PartKind.DIODE),
    ("X", PartKind.CRYSTAL),
    ("Y", PartKind.CRYSTAL),
    ("J", PartKind.CONNECTOR),
    ("P", PartKind.CONNECTOR),
)
"""Letters of reference designators, after IEEE 315 and common use; `U` can be anything."""
_VALUE = re.compile(r"(?P<whole>\d+)(?:[.,](?P<part>\d+))?\s*(?P<unit>[pnuµμmkKMGR]?)(?P<after>\d*)")
_EXPONENTS = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0, "R": 0, "k": 3, "K": 3, "M": 6, "G": 9}
_GROUND = re.compile(r"(?i)/?(0v|(a|d|p)?(gnd|vss)(a|d)?\w?)")
_RAIL = re.compile(r"(?i)\+?(?P<whole>\d+)v(?P<part>\d*)|(?:vbus|vusb|vdd|vcc\w*|vccq|vdd\w*)")


@dataclass(frozen=True, slots=True)
class Component:
    """A part as the netlist has it."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Netlist:
    """A netlist.

    Attributes:
        title: name of the board.
        components: its parts.
        nets: for every net its pins, as (part, number of the pin).
        functions: what the symbol calls a pin, by (part, number), where the file says so.
    """

    title: str
    components: tuple[Component, ...]
    nets: Mapping[str, tuple[tuple[str, str], ...]]
    functions: Mapping[tuple[str, str], str]


@dataclass(frozen=True, slots=True)
class Choices:
    """What a netlist does not say.

    Attributes:
        kinds: kinds of parts that their designator does not tell, above all of every `U`.
        volts: nominal volts of power nets; what the name tells, such as `+3V3`, need not be given.
        pins: names of pins that the file does not tell, by (part, number): IN, OUT and GND of a regulator, A and K of a
            diode.
        ground: the ground net; the one that is called so by default.
        size_mm: size of the board.
        left_out: parts that are no matter here, such as mounting holes.
    """

    kinds: Mapping[str, PartKind]
    volts: Mapping[str, float]
    pins: Mapping[tuple[str, str], str] = field(default_factory=dict)
    ground: str | None = None
    size_mm: tuple[float, float] = (40.0, 15.0)
    left_out: frozenset[str] = frozenset()


def read_netlist(path: Path) -> Netlist:
    """Read a netlist file.

    Raises:
        InputError: it cannot be read or is no KiCad netlist.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path}: larger than {MOST_BYTES >> 20} MiB; this is no netlist of a small board")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: this is no text") from error
    except OSError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    try:
        return parse_netlist(text, path.stem)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def parse_netlist(text: str, title: str = "board") -> Netlist:
    """Parse a netlist.

    Args:
        text: of the file.
        title: name of the board.

    >>> netlist = parse_netlist('(export (components (comp (ref "C1") (value "1u"))) (nets (net (name "GND") '
    ...                         '(node (ref "C1") (pin "2")))))')
    >>> netlist.nets["GND"]
    (('C1', '2'),)

    Raises:
        InputError: it is no s-expression, or not the export of a netlist.
    """
    root = parse_expression(text)
    if root[:1] != ["export"]:
        raise InputError(f"no KiCad netlist: it begins with {root[0] if root else 'nothing'!r} instead of 'export'")
    components = tuple(
        Component(_word(comp, "ref"), _word(comp, "value", "")) for comp in _all(_one(root, "components"), "comp")
    )
    nets = {
        _word(net, "name"): tuple((_word(node, "ref"), _word(node, "pin")) for node in _all(net, "node"))
        for net in _all(_one(root, "nets"), "net")
    }
    functions = {
        (_word(node, "ref"), _word(node, "pin")): function
        for net in _all(_one(root, "nets"), "net")
        for node in _all(net, "node")
        if (function := _word(node, "pinfunction", ""))
    }
    return Netlist(title, components, nets, functions)


def to_circuit(netlist: Netlist, choices: Choices) -> Circuit:
    """A circuit of a netlist; parts lie in rows, as the netlist has no positions.

    Raises:
        InputError: the kind of a part or the ground is not known; the line names all of them.
    """
    wanted = [part for part in netlist.components if part.name not in choices.left_out]
    kinds = {part.name: choices.kinds.get(part.name, kind_of(part.name)) for part in wanted}
    unknown = sorted(name for name, kind in kinds.items() if kind is None)
    if unknown:
        raise InputError(
            f"kind not known: {', '.join(unknown)}; give one for each, such as --kind {unknown[0]}=controller, "
            f"or leave it out with --leave-out {unknown[0]}"
        )
    strangers = sorted({*choices.kinds, *choices.left_out} - {part.name for part in netlist.components})
    if strangers:
        raise InputError(f"the netlist has no part {', '.join(strangers)}")
    ground = _ground(netlist, choices.ground)
    pins = _pins(netlist, {part.name for part in wanted})
    places = _rows(len(wanted), choices.size_mm)
    parts = [
        _part(component, kind, _named(component.name, kind, pins[component.name], netlist, choices), place)
        for component, place in zip(wanted, places, strict=True)
        if (kind := kinds[component.name]) is not None and pins.get(component.name)
    ]
    used = {pin.net for part in parts for pin in part.pins}
    nets = [_net(name, choices, ground) for name in netlist.nets if name in used or name == ground]
    width, height = choices.size_mm
    notes = "Imported from a KiCad netlist; positions are not real: correct `at` of the parts."
    return Circuit(netlist.title, tuple(nets), tuple(parts), width, height, notes=notes)


def kind_of(designator: str) -> PartKind | None:
    """Kind of a part by the letters of its designator; None where they do not tell.

    >>> kind_of("C12"), kind_of("U1")
    (<PartKind.CAPACITOR: 'capacitor'>, None)
    """
    letters = re.match(r"[A-Za-z]*", designator)
    found = letters[0].upper() if letters else ""
    return next((kind for prefix, kind in _PREFIXES if found == prefix), None)


def value_of(text: str) -> float | None:
    """A value in its base unit; None where the text is none.

    >>> value_of("4k7"), value_of("22 pF"), value_of("10uF 16V"), value_of("0R1"), value_of("SLATE-9")
    (4700.0, 2.2e-11, 1e-05, 0.1, None)
    """
    found = _VALUE.match(text.strip())
    if found is None:
        return None
    if found["after"] and found["part"]:
        return None
    digits = found["part"] or found["after"] or "0"
    value = float(f"{found['whole']}.{digits}e{_EXPONENTS[found['unit']]}")
    return value if value > 0 else None


def _all(expression: Expression, name: str) -> Iterator[Expression]:
    return (one for one in expression if isinstance(one, list) and one[:1] == [name])


def _one(expression: Expression, name: str) -> Expression:
    found = next(_all(expression, name), None)
    if found is None:
        raise InputError(f"no KiCad netlist: it has no ({name} ...)")
    return found


def _word(expression: Expression, name: str, default: str | None = None) -> str:
    found = next(_all(expression, name), None)
    if found is not None and len(found) > 1 and isinstance(found[1], str):
        return found[1]
    if default is None:
        raise InputError(f"no KiCad netlist: a ({expression[0]} ...) has no {name}")
    return default


# The circuit -------------------------------------------------------------------------------------------------


def _ground(netlist: Netlist, chosen: str | None) -> str:
    if chosen is not None:
        if chosen not in netlist.nets:
            raise InputError(f"the netlist has no net {chosen}")
        return chosen
    named = [name for name in netlist.nets if _GROUND.fullmatch(name)]
    if len(named) != 1:
        which = f"the nets {', '.join(named)} all look like it" if named else "no net is called so"
        raise InputError(f"which net is ground? {which}; say so with --ground NET")
    return named[0]


def _pins(netlist: Netlist, wanted: set[str]) -> dict[str, list[tuple[str, str]]]:
    """For every part its pins, each with its net."""
    found: dict[str, list[tuple[str, str]]] = {}
    for net, nodes in netlist.nets.items():
        for part, pin in nodes:
            if part in wanted:
                found.setdefault(part, []).append((pin, net))
    return found


def _rows(count: int, size_mm: tuple[float, float]) -> list[tuple[float, float]]:
    width, height = size_mm
    across = max(1, round((count * width / height) ** 0.5))
    up = -(-count // across)
    return [(width * (n % across + 0.5) / across, height * (n // across + 0.5) / up) for n in range(count)]


_VALUED = frozenset({PartKind.CAPACITOR, PartKind.RESISTOR})


def _part(component: Component, kind: PartKind, pins: list[tuple[str, str]], at: tuple[float, float]) -> Part:
    x, y = at
    middle = (len(pins) - 1) / 2
    made = tuple(Pin(name, net, x + 0.5 * (place - middle), y) for place, (name, net) in enumerate(pins))
    return Part(component.name, kind, made, value_of(component.value) if kind in _VALUED else None)


_NEEDED = {PartKind.REGULATOR: ("IN", "OUT", "GND"), PartKind.DIODE: ("A", "K")}
_FUNCTIONS = {"IN": re.compile(r"(?i)v?i(n(put)?)?"), "OUT": re.compile(r"(?i)v?o(ut(put)?)?"),
              "GND": re.compile(r"(?i)gnd|vss|adj/gnd"), "A": re.compile(r"(?i)a(node)?"),
              "K": re.compile(r"(?i)k|c(athode)?")}  # fmt: skip


def _named(
    part: str, kind: PartKind, pins: list[tuple[str, str]], netlist: Netlist, choices: Choices
) -> list[tuple[str, str]]:
    """Names and nets of a part's pins, in the order of their numbers; by function where the kind needs it."""
    needed = _NEEDED.get(kind, ())
    named = []
    for number, net in sorted(pins, key=lambda pin: (len(pin[0]), pin[0])):
        function = netlist.functions.get((part, number), "")
        meant = next((name for name in needed if _FUNCTIONS[name].fullmatch(function)), number)
        named.append((choices.pins.get((part, number), meant), net))
    missing = [name for name in needed if name not in {name for name, _ in named}]
    if missing:
        numbers = ", ".join(number for number, _ in pins)
        raise InputError(f"which pin of {part} is {', '.join(missing)}? It has the numbers {numbers}; say so with "
                         f"--pin {part}.{pins[0][0]}={missing[0]}, or say with --kind what it is")  # fmt: skip
    return named


def _net(name: str, choices: Choices, ground: str) -> Net:
    if name == ground:
        return Net(name, NetKind.GROUND, plane=True)
    volts = choices.volts.get(name, rail_volts(name))
    if volts is not None or _RAIL.fullmatch(name.removeprefix("/")):
        return Net(name, NetKind.POWER, volts)
    return Net(name)


def rail_volts(name: str) -> float | None:
    """Volts of a net that is named after them.

    >>> rail_volts("+3V3"), rail_volts("1V8"), rail_volts("/VBUS"), rail_volts("D+")
    (3.3, 1.8, 5.0, None)
    """
    plain = name.removeprefix("/")
    found = _RAIL.fullmatch(plain)
    if found is None:
        return None
    if found["whole"] is None:
        return 5.0 if plain.upper() in {"VBUS", "VUSB"} else None
    return float(f"{found['whole']}.{found['part'] or 0}")
