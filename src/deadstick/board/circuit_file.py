"""Circuit files: TOML with a schema version, checked on reading.

A file lists nets and parts; every pin is one line, `"1" = { net = "VBUS", at = [4.0, 2.5] }`. A part may give one
position `at` for all its pins; two-pin parts then get their pads half a millimetre to each side.
"""

import tomllib
from pathlib import Path
from typing import Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.errors import InputError

PAD_SPREAD_MM = 0.5


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _NetTable(_Table):
    kind: NetKind = NetKind.SIGNAL
    volts: float | None = Field(default=None, gt=0)
    plane: bool = False
    width_mm: float = Field(default=0.25, gt=0)


class _PinTable(_Table):
    net: str
    at: tuple[float, float] | None = None
    load_a: float | None = Field(default=None, ge=0)
    rest_ohm: float | None = Field(default=None, gt=0)
    supplies_v: float | None = Field(default=None, gt=0)


class _PartTable(_Table):
    kind: PartKind
    at: tuple[float, float] | None = None
    value: float | None = Field(default=None, gt=0)
    tolerance: float | None = Field(default=None, gt=0, lt=1)
    pins: dict[str, _PinTable] = Field(min_length=1)


class _CircuitFile(_Table):
    schema_version: Literal[1]
    name: str
    size_mm: tuple[float, float]
    copper_um: float = Field(default=35.0, gt=0)
    notes: str = ""
    nets: dict[str, _NetTable]
    parts: dict[str, _PartTable]


def load(path: Path) -> Circuit:
    """Read a circuit file.

    Raises:
        InputError: the file cannot be read, is no TOML, or holds no valid circuit; the message names the place.
    """
    try:
        return loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not a text file: {error}") from error
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def loads(text: str) -> Circuit:
    """The circuit in the text of a circuit file.

    Raises:
        InputError: as `load`.
    """
    try:
        file = _CircuitFile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not a TOML file: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the file"
        raise InputError(f"{place}: {first['msg']}") from error
    return Circuit(
        name=file.name,
        nets=tuple(Net(name, net.kind, net.volts, net.plane, net.width_mm) for name, net in file.nets.items()),
        parts=tuple(_part(name, table) for name, table in file.parts.items()),
        width_mm=file.size_mm[0],
        height_mm=file.size_mm[1],
        copper_um=file.copper_um,
        notes=file.notes,
    )


def save(circuit: Circuit, path: Path) -> None:
    """Write a circuit file."""
    path.write_text(dumps(circuit), encoding="utf-8")


def dumps(circuit: Circuit) -> str:
    """The text of a circuit file; `loads` gives the same circuit back."""
    document = tomlkit.document()
    document.add(tomlkit.comment("A board: nets, parts, pins. Positions and sizes in millimetres."))
    document["schema_version"] = 1
    document["name"] = circuit.name
    document["size_mm"] = [circuit.width_mm, circuit.height_mm]
    document["copper_um"] = circuit.copper_um
    if circuit.notes:
        document["notes"] = circuit.notes
    document["nets"] = {
        net.name: _net_table(net).model_dump(mode="json", exclude_defaults=True) for net in circuit.nets
    }
    document["parts"] = {part.name: _part_table(part) for part in circuit.parts}
    return tomlkit.dumps(document)


def _net_table(net: Net) -> _NetTable:
    return _NetTable(kind=net.kind, volts=net.volts, plane=net.plane, width_mm=net.width_mm)


def _part_table(part: Part) -> dict[str, object]:
    pins = {
        pin.name: _PinTable(
            net=pin.net,
            at=(pin.x_mm, pin.y_mm),
            load_a=pin.load_a,
            rest_ohm=pin.rest_ohm,
            supplies_v=pin.supplies_v,
        )
        for pin in part.pins
    }
    table = _PartTable(kind=part.kind, value=part.value, tolerance=part.tolerance, pins=pins)
    values: dict[str, object] = table.model_dump(mode="json", exclude_none=True)
    lines = tomlkit.table()
    for name, pin in values.pop("pins").items():  # type: ignore[attr-defined]  # a model dumps to nested dicts
        line = tomlkit.inline_table()
        line.update(pin)
        lines[name] = line
    return {**values, "pins": lines}


def _part(name: str, table: _PartTable) -> Part:
    pins = []
    for number, (pin_name, pin) in enumerate(table.pins.items()):
        at = pin.at
        if at is None:
            if table.at is None:
                raise InputError(f"parts.{name}: a position is missing: give the part or each of its pins an `at`")
            shift = (2 * number - 1) * PAD_SPREAD_MM if len(table.pins) == 2 else 0.0
            at = (table.at[0] + shift, table.at[1])
        pins.append(Pin(pin_name, pin.net, *at, pin.load_a, pin.rest_ohm, pin.supplies_v))
    return Part(name, table.kind, tuple(pins), table.value, table.tolerance)
