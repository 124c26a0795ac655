"""Netlists of our own in the form that KiCad's schematic editor exports (its "Intermediate netlist" documentation)."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deadstick.board import circuit_file
from deadstick.board.circuit import NetKind, PartKind
from deadstick.board.expressions import Expression, parse_expression
from deadstick.board.kicad import (
    Choices,
    kind_of,
    parse_netlist,
    rail_volts,
    read_netlist,
    to_circuit,
    value_of,
)
from deadstick.board.odds import Diagnosis
from deadstick.errors import InputError

PARTS = [("J1", "USB_A"), ("C1", "4u7"), ("C2", "100n"), ("U1", "BRIDGE-7"), ("U2", "NAND-8"), ("U3", "LDO-3V3"),
         ("FB1", "120R"), ("D1", "TVS"), ("H1", "hole")]  # fmt: skip
NETS = {
    "GND": ["J1.4", "C1.2", "C2.2", "U1.1", "U2.1", "U3.1", "D1.2"],
    "+5V": ["J1.1", "C1.1", "FB1.1", "D1.1"],
    "/VIN": ["FB1.2", "U3.3"],
    "+3V3": ["U3.2", "C2.1", "U1.2", "U2.2"],
    "/D-": ["J1.2", "U1.3"],
    "/D+": ["J1.3", "U1.4"],
    "Net-(U1-IO0)": ["U1.5", "U2.3"],
}
FUNCTIONS = {"U3.1": "GND", "U3.2": "VO", "U3.3": "VI", "D1.1": "K", "D1.2": "A"}


def netlist_text(functions: dict[str, str] = FUNCTIONS) -> str:
    components = "\n".join(
        f'  (comp (ref "{name}")\n   (value "{value}")\n   (fields (field (name "Footprint") "made:up")))'
        for name, value in PARTS
    )
    nets = []
    for code, (name, pins) in enumerate(NETS.items(), start=1):
        nodes = "".join(
            f'\n   (node (ref "{pin.split(".")[0]}") (pin "{pin.split(".")[1]}")'
            + (f' (pinfunction "{functions[pin]}")' if pin in functions else "")
            + ' (pintype "passive"))'
            for pin in pins
        )
        nets.append(f'  (net (code "{code}") (name "{name}"){nodes})')
    return (
        '(export (version "E")\n (design (source "slate.kicad_sch") (tool "Eeschema 9.0"))\n'
        f" (components\n{components})\n (libparts)\n (nets\n" + "\n".join(nets) + "))\n"
    )


KINDS = {"U1": PartKind.CONTROLLER, "U2": PartKind.NAND, "U3": PartKind.REGULATOR}
CHOICES = Choices(KINDS, {"/VIN": 5.0}, left_out=frozenset({"H1"}))


def test_parts_and_nets_come_over(tmp_path: Path) -> None:
    path = tmp_path / "slate.net"
    path.write_text(netlist_text())
    circuit = to_circuit(read_netlist(path), CHOICES)
    assert circuit.name == "slate"
    assert {part.name: part.kind.value for part in circuit.parts} == {
        "J1": "connector", "C1": "capacitor", "C2": "capacitor", "U1": "controller", "U2": "nand", "U3": "regulator",
        "FB1": "ferrite", "D1": "diode",
    }  # fmt: skip
    for name, pins in NETS.items():
        named = {"U3.1": "U3.GND", "U3.2": "U3.OUT", "U3.3": "U3.IN", "D1.1": "D1.K", "D1.2": "D1.A"}
        assert set(circuit.pads_by_net[name]) == {named.get(pin, pin) for pin in pins}
    assert circuit.part("C1").value == 4.7e-6
    assert circuit.ground.name == "GND"
    assert {net.name: net.volts for net in circuit.nets if net.kind is NetKind.POWER} == {
        "+5V": 5.0, "/VIN": 5.0, "+3V3": 3.3,
    }  # fmt: skip


def test_an_imported_board_can_be_diagnosed_and_saved(tmp_path: Path) -> None:
    circuit = to_circuit(parse_netlist(netlist_text()), CHOICES)
    assert {"C1 short", "U1.2 short", "U3 dead"} <= {chance.key for chance in Diagnosis(circuit).odds().chances}
    circuit_file.save(circuit, tmp_path / "slate.toml")
    assert circuit_file.load(tmp_path / "slate.toml") == circuit


@pytest.mark.parametrize(
    ("choices", "functions", "words"),
    [
        (Choices({}, {}), FUNCTIONS, "not known: H1, U1, U2, U3"),
        (Choices({**KINDS, "U9": PartKind.NAND}, {}, left_out=frozenset({"H1"})), FUNCTIONS, "no part U9"),
        (Choices(KINDS, {}, left_out=frozenset({"H1"})), {}, "which pin of U3 is IN, OUT, GND"),
    ],
)
def test_what_the_netlist_does_not_say_is_asked_for(choices: Choices, functions: dict[str, str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        to_circuit(parse_netlist(netlist_text(functions)), choices)


def test_pins_can_be_named_by_hand() -> None:
    pins = {("U3", "1"): "GND", ("U3", "2"): "OUT", ("U3", "3"): "IN", ("D1", "1"): "K", ("D1", "2"): "A"}
    by_hand = to_circuit(
        parse_netlist(netlist_text({})), Choices(KINDS, {"/VIN": 5.0}, pins, left_out=frozenset({"H1"}))
    )
    assert by_hand == to_circuit(parse_netlist(netlist_text()), CHOICES)


def test_which_net_is_ground_is_asked_for() -> None:
    netlist = parse_netlist(netlist_text().replace('(name "GND")', '(name "COM")'))
    with pytest.raises(InputError, match="which net is ground"):
        to_circuit(netlist, CHOICES)
    with pytest.raises(InputError, match="no net MASS"):
        to_circuit(netlist, Choices(KINDS, {}, ground="MASS", left_out=frozenset({"H1"})))
    assert to_circuit(netlist, Choices(KINDS, {}, ground="COM", left_out=frozenset({"H1"}))).ground.name == "COM"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not closed"),
        ("(export (components", "not closed"),
        ("export", "does not begin with a parenthesis"),
        ("(a) (b)", "line 1 cannot be read"),
        ("(kicad_sch (version 1))", "no KiCad netlist: it begins with 'kicad_sch'"),
        ("(export (components))", r"has no \(nets"),
        ('(export (components (comp (value "1"))) (nets))', "has no ref"),
        ("(" * 100, "nested too deep"),
        ('(export "', "line 1 cannot be read"),
    ],
)
def test_what_is_no_netlist_is_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.net"
    path.write_text(text)
    with pytest.raises(InputError, match=rf"bad\.net: .*{words}"):
        read_netlist(path)


def written(expression: Expression) -> str:
    parts = [
        written(one) if isinstance(one, list) else '"' + one.replace("\\", "\\\\").replace('"', '\\"') + '"'
        for one in expression
    ]
    return "(" + " ".join(parts) + ")"


@given(st.lists(st.recursive(st.text(), lambda inner: st.lists(inner, max_size=4), max_leaves=12), max_size=5))
def test_expressions_come_back_as_written(expression: Expression) -> None:
    assert parse_expression(written(expression)) == expression


@given(st.text(alphabet='()"\\ a1\n', max_size=40))
def test_no_text_breaks_the_parser(text: str) -> None:
    try:
        assert isinstance(parse_expression(text), list)
    except InputError as refusal:
        assert str(refusal)  # noqa: PT017 - either is right, a crash is not


@pytest.mark.parametrize(
    ("text", "value"),
    [("10k", 1e4), ("4K7", 4.7e3), ("1M", 1e6), ("0.1uF", 1e-7), ("2,2n", 2.2e-9), ("1R5", 1.5), ("330", 330.0),
     ("12pF/50V", 1.2e-11), ("~", None), ("0R", None), ("DNP", None)],
)  # fmt: skip
def test_values(text: str, value: float | None) -> None:
    assert value_of(text) == value


@pytest.mark.parametrize(
    ("name", "kind"),
    [("C1", PartKind.CAPACITOR), ("R10", PartKind.RESISTOR), ("FB2", PartKind.FERRITE), ("F1", PartKind.FUSE),
     ("LED1", PartKind.DIODE), ("Y1", PartKind.CRYSTAL), ("CN1", PartKind.CONNECTOR), ("U1", None), ("TP3", None)],
)  # fmt: skip
def test_kinds_by_designator(name: str, kind: PartKind | None) -> None:
    assert kind_of(name) is kind


@pytest.mark.parametrize(
    ("name", "volts"), [("+1V2", 1.2), ("3V3", 3.3), ("+5V", 5.0), ("/VBUS", 5.0), ("VCC", None), ("D+", None)]
)
def test_rails_by_name(name: str, volts: float | None) -> None:
    assert rail_volts(name) == volts
