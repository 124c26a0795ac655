from pathlib import Path

import numpy as np
import pytest

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.board.circuit_file import dumps, load, loads, save
from deadstick.board.odds import Diagnosis
from deadstick.board.sketch import parse
from deadstick.board.templates import TEMPLATES
from deadstick.errors import InputError

LINES = """
board Weather logger stick 40x14
net GND ground plane
net VBUS power 5.0
net VIN power 5.0
J1 connector VBUS=VBUS GND=GND at 2,7
FB1 ferrite VBUS VIN at 5,3 value 0.2
C1 capacitor VIN GND at 8,3 value 4.7e-6   # the large one
C2 capacitor ? GND at 14,3
U1 controller VCC=? GND=GND at 18,7
U3 regulator VIN VCC GND at 11,3 value 3.3
joined C2.1 U1.VCC
apart C2.1 C1.1
"""


def test_continuity_places_open_pads() -> None:
    circuit = parse(LINES).circuit()
    assert circuit.part("C2").pins[0].net == circuit.part("U1").pin("VCC").net == "N1"
    assert circuit.part("U3").pin("OUT").net == "VCC"


def test_a_beep_to_a_declared_pad_names_the_net() -> None:
    circuit = parse(LINES + "joined C2.1 U3.OUT\n").circuit()
    assert circuit.part("U1").pin("VCC").net == "VCC"


def test_beeps_are_checked_against_what_is_declared() -> None:
    assert parse(LINES + "joined J1.VBUS C1.1\n").conflicts() == (), "a ferrite lies between"
    told = parse(LINES + "joined C1.1 C1.2\napart J1.VBUS FB1.1\n").conflicts()
    assert len(told) == 2
    assert "short" in told[0]
    assert "break" in told[1]


def test_continuity_is_evidence() -> None:
    sketch = parse(LINES + "joined C1.1 C1.2\n")
    circuit = sketch.circuit()
    before = Diagnosis(circuit).odds().guilt("C1")
    after = Diagnosis(circuit, observations=sketch.readings()).odds().guilt("C1")
    assert after > 3 * before


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("C9 condenser A B at 1,1", "line 1: .*no kind of part; kinds are .*capacitor"),
        ("joined C1.1 C2.1", "C1.1"),
        ("joined C1.1", "joined PART.PIN PART.PIN"),
        ("C1 capacitor A B", "line 1: .*at X,Y"),
        ("C1", "line 1: .*PART KIND"),
        ("net A lamp", "ground|power|signal"),
        ("board Hut", "WIDTHxHEIGHT"),
    ],
)
def test_lines_that_cannot_be_understood_are_named(line: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        parse(line)


@pytest.mark.parametrize("name", list(TEMPLATES))
@pytest.mark.parametrize("seed", range(5))
def test_circuit_files_give_the_same_circuit_back(name: str, seed: int) -> None:
    circuit = TEMPLATES[name](np.random.default_rng(seed))
    assert loads(dumps(circuit)) == circuit


def test_circuit_file_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    circuit = TEMPLATES["card"](None)
    save(circuit, path)
    assert load(path) == circuit
    path.write_text(path.read_text().replace("capacitor", "condenser", 1))
    with pytest.raises(InputError, match=r"board\.toml: parts\."):
        load(path)
    with pytest.raises(InputError, match="No such file"):
        load(path.with_name("none.toml"))


def test_one_position_spreads_the_pads_of_a_two_pin_part() -> None:
    circuit = loads(
        "schema_version = 1\nname = 'b'\nsize_mm = [10, 10]\n[nets]\nGND = { kind = 'ground' }\nA = {}\n"
        "[parts.C1]\nkind = 'capacitor'\nat = [4, 5]\npins = { 1 = { net = 'A' }, 2 = { net = 'GND' } }\n"
    )
    assert [pin.x_mm for pin in circuit.part("C1").pins] == [3.5, 4.5]


@pytest.mark.parametrize(
    ("nets", "told"),
    [
        ((Net("A"),), "exactly one"),
        ((Net("GND", NetKind.GROUND), Net("GND")), "unique"),
        ((Net("GND", NetKind.GROUND),), "not declared"),
    ],
)
def test_impossible_circuits_are_refused(nets: tuple[Net, ...], told: str) -> None:
    with pytest.raises(InputError, match=told):
        Circuit("b", nets, (Part("C1", PartKind.CAPACITOR, (Pin("1", "Z", 0, 0), Pin("2", "GND", 1, 0))),), 1, 1)
