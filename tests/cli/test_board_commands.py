"""The commands of the dead board from end to end: the program's entry, its files, streams and exit statuses."""

import contextlib
import io
import json
import shlex
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from programs import deadstick, refused

from deadstick.board import circuit_file
from deadstick.board.journal import Journal
from deadstick.board.observations import observations
from deadstick.board.probing import Test, injection, working_supply
from deadstick.board.readings import Kind, Reading, Supply
from deadstick.board.templates import usb2_stick
from deadstick.cli.board_bench import command_for
from deadstick.cli.main import run

Board = Callable[..., subprocess.CompletedProcess[str]]
FAILED_ATTACH = """[  101.1] usb 1-3: new full-speed USB device number 8 using xhci_hcd
[  101.3] usb 1-3: device descriptor read/64, error -71
[  101.9] usb usb1-port3: unable to enumerate USB device
"""
SKETCH = """board Logger 40x14
net GND ground plane
net VCC power 3.3
J1 connector VBUS=VCC GND=GND at 2,7
C1 capacitor VCC GND at 6,3 value 1e-6
R1 resistor ? GND at 20,5 value 1000
joined C1.1 R1.1
"""
NETLIST = """(export (version "E") (components (comp (ref "C1") (value "1u")) (comp (ref "U1") (value "BRIDGE-7")))
 (nets (net (code "1") (name "GND") (node (ref "C1") (pin "2")) (node (ref "U1") (pin "1")))
       (net (code "2") (name "+3V3") (node (ref "C1") (pin "1")) (node (ref "U1") (pin "2")))))"""


def called(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The program in this process, so that many calls cost little."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as ended:
        run(["board", *map(str, arguments)])
    code = ended.value.code
    assert isinstance(code, int)
    return subprocess.CompletedProcess(list(map(str, arguments)), code, out.getvalue(), err.getvalue())


def done(*arguments: str | Path) -> str:
    """What a command printed, which must have gone well."""
    ended = called(*arguments)
    assert (ended.returncode, ended.stderr) == (0, "")
    return ended.stdout


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    done("new", tmp_path / "board.toml", "--template", "usb2")
    return tmp_path / "board.toml"


def short(stick: Path, part: str = "C1") -> None:
    """A hard short at a capacitor, as a meter reads it four-wire at the part and at the plug."""
    done("read", stick, "four-wire", f"{part}.1", f"{part}.2", "80m", "--by", "A. Tern", "--note", "cold board",
         "--meter", "bench meter 2")  # fmt: skip


def test_the_program_as_a_process(tmp_path: Path) -> None:
    # The folder of the board may be new: one for each.
    done("new", "--template", "card", tmp_path / "job/card.toml")
    advised = deadstick("board", "advise", tmp_path / "job/card.toml")
    assert advised.returncode == 0
    assert advised.stdout.startswith("next: ")
    refused(deadstick("board", "odds", tmp_path / "gone.toml"), "gone.toml", "No such file")


def test_from_a_new_board_to_a_verdict(stick: Path) -> None:
    first = done("advise", stick)
    assert "next: " in first
    assert "mind: lithium cell" in first
    assert "people qualified" in first.replace("\n", " ")
    short(stick)
    assert "C1" in done("odds", stick, "--most", "3")
    assert "mind: lithium cell" not in done("advise", stick)
    done("lift", stick, "C1", "--found", "faulty")
    # A reading of the pads is owed after a lift. One doubt may be left: that the plug's contact is torn as well.
    assert "measure resistance from J1.VBUS to J1.GND" in done("advise", stick).splitlines()[0]
    done("read", stick, "resistance", "J1.VBUS", "J1.GND", "80k")
    done("read", stick, "resistance", "J1.VBUS@plug", "J1.VBUS", "0.1")
    assert done("advise", stick).startswith("verdict: ")
    journal = Journal.open(stick.parent / "board-journal.jsonl")
    assert [entry.what for entry in journal.entries] == [
        "four-wire resistance",
        "part lifted",
        "part off the board",
        "resistance",
        "resistance",
    ]
    assert (journal.entries[0].by, journal.entries[0].instrument) == ("A. Tern", "bench meter 2")
    assert "faulty" in done("journal", stick)


def test_advice_says_how_to_note_its_outcome(stick: Path) -> None:
    """Readings of a healthy board, noted by the very commands that the advice prints."""
    values = {"four-wire": "5k", "resistance": "5k", "continuity": "no", "diode": "0.6", "voltage": "3.3", "drop": "0",
              "current": "50m", "clock": "yes"}  # fmt: skip
    kinds = set()
    for _ in range(12):
        shown = done("advise", stick)
        if shown.startswith("verdict"):
            break
        (command,) = (line for line in shown.splitlines() if line.startswith("note: "))
        words = shlex.split(command)[3:]
        if words[0] == "lift":
            break
        kinds.add(words[2])
        done(*(values[words[2]] if word == "VALUE" else word for word in words))
    assert len(Journal.open(stick.parent / "board-journal.jsonl").entries) >= 2
    assert kinds


@pytest.mark.parametrize(
    "test",
    [
        Test(Kind.FOUR_WIRE, ("C1.1", "C1.2")),
        Test(Kind.CURRENT, ("J1.VBUS@plug",), working_supply(usb2_stick())),
        Test(Kind.DROP, ("C5.1", "C7.1"), injection(usb2_stick(), usb2_stick().net("VCC33"))),
        Test(Kind.DROP, ("C5.1", "C7.1"), Supply("C5.1", "J1.GND", 0.5, 2.0)),
        Test(Kind.LIFTED, ("C1",)),
    ],
)
def test_every_kind_of_test_has_its_command(stick: Path, test: Test) -> None:
    words = shlex.split(command_for(test, usb2_stick(), stick).replace("good|faulty", "good").replace("VALUE", "1m"))
    assert words[:2] == ["deadstick", "board"]
    done(*words[2:])
    noted = [
        one for one in observations(Journal.open(stick.parent / "board-journal.jsonl")) if isinstance(one, Reading)
    ]
    assert (noted[0].kind, noted[0].place, noted[0].supply) == (test.kind, test.place, test.supply)


def test_a_part_that_was_put_on_again_is_on_the_board(stick: Path) -> None:
    done("lift", stick, "C1", "--found", "good")
    done("read", stick, "resistance", "J1.VBUS", "J1.GND", "4.7k")
    done("lift", stick, "C1", "--fit")
    done("read", stick, "resistance", "J1.VBUS", "J1.GND", "4,8 kohm")
    details = [entry.details for entry in Journal.open(stick.parent / "board-journal.jsonl").entries]
    assert [one.get("removed") for one in details] == [None, ["C1"], ["C1"], None, None]


def test_readings_under_a_supply_note_it(stick: Path) -> None:
    done("read", stick, "voltage", "U3.OUT", "J1.GND", "0.42", "--supply", "plug")
    done("read", stick, "current", "J1.VBUS@plug", "99m", "--supply", "J1.VBUS@plug,J1.GND@plug,5,0.1")
    done("read", stick, "drop", "C5.1", "C7.1", "2u", "--inject", "VCC33")
    done("read", stick, "clock", "Y1", "no", "--supply", "plug")
    done("read", stick, "diode", "J1.GND", "J1.VBUS", "open")
    entries = Journal.open(stick.parent / "board-journal.jsonl").entries
    assert [entry.value for entry in entries] == [0.42, 0.099, 2e-6, 0.0, None]
    assert [entry.details.get("supply", {}).get("volts") for entry in entries] == [5.0, 5.0, 1.0, 5.0, None]
    assert "beyond the range" in done("journal", stick)


def test_a_drop_may_be_negative_as_it_is_typed(stick: Path) -> None:
    for text in ("-3.1m", "-0.0031", "-3100 uV", "\N{MINUS SIGN}3.1m"):
        done("read", stick, "drop", "C5.1", "C7.1", text, "--inject", "VCC33")
    entries = Journal.open(stick.parent / "board-journal.jsonl").entries
    assert [entry.value for entry in entries] == [-3.1e-3] * 4


def test_without_a_command_there_is_help() -> None:
    shown = done()
    assert shown.startswith("Usage: ")
    assert len(shown.splitlines()) > 10


def test_a_struck_line_counts_no_more(stick: Path) -> None:
    before = done("odds", stick)
    short(stick)
    assert done("odds", stick) != before
    shown = done("journal", stick, "--strike", "1", "--reason", "leads were crossed", "--remark", "cleaned the pads")
    assert "(struck)" in shown
    assert "cleaned the pads" in shown
    assert done("odds", stick) == before


def test_what_the_host_sees_becomes_evidence(stick: Path, tmp_path: Path) -> None:
    (tmp_path / "dmesg.txt").write_text(FAILED_ATTACH)
    assert "attach and fail" in done("look", "--log", tmp_path / "dmesg.txt")
    assert not (tmp_path / "board-journal.jsonl").exists()
    assert "noted as evidence" in done("look", "--log", tmp_path / "dmesg.txt", "--board", stick)
    (entry,) = Journal.open(tmp_path / "board-journal.jsonl").entries
    assert (entry.kind, entry.what) == ("evidence", "host")
    # A second look at the same board is no second witness.
    once = done("odds", stick)
    done("look", "--log", tmp_path / "dmesg.txt", "--board", stick)
    assert done("odds", stick) == once


def test_before_and_after_plugging_in(tmp_path: Path) -> None:
    root = tmp_path / "root"
    devices = root / "sys/bus/usb/devices"
    devices.mkdir(parents=True)
    done("look", "--root", root, "--save", tmp_path / "before.json")
    assert "no attach at all" in done("look", "--root", root, "--before", tmp_path / "before.json")
    stick = devices / "1-3"
    (stick / "1-3:1.0").mkdir(parents=True)
    for name, value in (("idVendor", "1234"), ("idProduct", "abcd"), ("1-3:1.0/bInterfaceClass", "08")):
        (stick / name).write_text(value)
    rows = {"blockdevices": [{"name": "sdb", "size": 0, "rm": True, "ro": False, "tran": "usb"}]}
    (tmp_path / "lsblk.json").write_text(json.dumps(rows))
    after: list[str | Path] = ["look", "--root", root, "--before", tmp_path / "before.json"]
    assert "healthy" in done(*after, "--expect-id", "1234:ABCD")
    assert "wrong identity" in done(*after, "--expect-id", "1234:0001")
    assert "no medium" in done(*after, "--lsblk", tmp_path / "lsblk.json")


def pictures(folder: Path, stick: Path, part: str) -> list[str | Path]:
    """Two TIFFs of a camera right above the board, ten pixels a millimetre, and their points."""
    circuit = circuit_file.load(stick)
    pins = circuit.part(part).pins
    x, y = (10 * float(np.mean([getattr(pin, axis) for pin in pins])) for axis in ("x_mm", "y_mm"))
    rows, columns = np.mgrid[: round(10 * circuit.height_mm), : round(10 * circuit.width_mm)]
    far = np.hypot(columns - x, rows - y) / 10
    rng = np.random.default_rng(1)
    cold, noise = rng.normal(25, 0.05, (2, *far.shape))
    tifffile.imwrite(folder / "cold.tif", cold.astype(np.float32))
    tifffile.imwrite(folder / "warm.tif", (noise + 6 * np.exp(-far / 2)).astype(np.float32))
    corners = [(0, 0), (circuit.width_mm, 0), (circuit.width_mm, circuit.height_mm), (0, circuit.height_mm)]
    points = [f"[[point]]\nthermal = {[10 * a, 10 * b]}\nphoto = {[5 * a, 5 * b]}\nboard_mm = {[a, b]}\n"
              for a, b in corners]  # fmt: skip
    (folder / "points.toml").write_text("".join(points))
    return ["thermal", stick, folder / "cold.tif", folder / "warm.tif", "--points", folder / "points.toml"]


def test_a_warm_part_is_found_drawn_and_noted(stick: Path, tmp_path: Path) -> None:
    command = pictures(tmp_path, stick, "C1")
    shown = done(*command)
    assert "1 warm place: " in shown
    assert "C1" in shown
    assert "not noted" in shown
    Image.new("RGB", (200, 70), "white").save(tmp_path / "photo.png")
    plot: list[str | Path] = ["--plot", tmp_path / "plot.png", "--photo", tmp_path / "photo.png"]
    assert "noted as evidence" in done(*command, "--inject", "VBUS", *plot)
    with Image.open(tmp_path / "plot.png") as drawn:
        assert drawn.format == "PNG"
    (entry,) = Journal.open(tmp_path / "board-journal.jsonl").entries
    assert entry.what == "thermal picture, 1 V at J1.VBUS"
    chances = entry.details["log_likelihoods"]
    assert chances["C1 short"] > chances["U2.VCC short"] + 1


def test_the_route_follows_the_readings(stick: Path, tmp_path: Path) -> None:
    short(stick)
    done("lift", stick, "C1", "--found", "faulty")
    shown = done("route", stick)
    assert "begin with: repair" in shown
    assert "makes this route needless" in shown
    assert "common practice, no source" in shown
    done("route", "--write-figures", tmp_path / "figures.toml")
    (tmp_path / "cases.toml").write_text('[[case]]\nnumber = "1"\nroute = "raw"\nsite = "controller"\nsuccess = true\n')
    learned = done("route", stick, "--figures", tmp_path / "figures.toml", "--cases", tmp_path / "cases.toml")
    assert "after 1 closed case of the lab" in learned
    assert "futile" in done("route", stick, "--encrypts", "yes")


def test_cautions_stand_where_the_steps_are_chosen(stick: Path, tmp_path: Path) -> None:
    short(stick)
    assert "mind: flux fume" in done("route", stick)
    devices = tmp_path / "root/sys/bus/usb/devices"
    devices.mkdir(parents=True)
    saved = done("look", "--root", tmp_path / "root", "--save", tmp_path / "before.json")
    assert "mind: your computer" in saved
    assert "people qualified" in saved


def test_the_memory_is_not_warmed_unawares(stick: Path) -> None:
    """Current into a rail of the NAND warms the NAND if that is the short: the advice says so, and how to go gently."""
    done("read", stick, "resistance", "FB2.2", "J1.GND", "0.9")
    done("read", stick, "resistance", "J1.VBUS", "J1.GND", "400k")
    done("read", stick, "resistance", "U3.OUT", "J1.GND", "1.1")
    shown = done("advise", stick)
    assert "--inject" in shown
    (told,) = (line for line in shown.splitlines() if "memory in the path: U2 itself" in line)
    (gentle,) = (word for word in told.split() if word.startswith("U3.OUT,"))
    assert gentle == "U3.OUT,J1.GND,1,0.1"
    done("read", stick, "drop", "C5.1", "C7.1", "-0.1m", "--supply", gentle)


def test_a_board_from_a_sketch_brings_its_readings(tmp_path: Path) -> None:
    (tmp_path / "sketch.txt").write_text(SKETCH)
    assert "1 continuity readings" in done("new", tmp_path / "board.toml", "--sketch", tmp_path / "sketch.txt")
    assert circuit_file.load(tmp_path / "board.toml").part("R1").pin("1").net == "VCC"
    assert Journal.open(tmp_path / "board-journal.jsonl").entries[0].what == "continuity"


def test_a_second_board_never_inherits_a_journal(stick: Path) -> None:
    short(stick)
    other = stick.parent / "other.toml"
    refused(called("new", other, "--template", "card"), "board-journal.jsonl", "folder of its own")
    assert not other.exists()


def test_a_board_from_a_netlist(tmp_path: Path) -> None:
    (tmp_path / "slate.net").write_text(NETLIST)
    done("new", tmp_path / "board.toml", "--kicad", tmp_path / "slate.net", "--kind", "U1=controller", "--size", "20x9")
    circuit = circuit_file.load(tmp_path / "board.toml")
    assert (circuit.width_mm, circuit.net("+3V3").volts, circuit.part("C1").value) == (20.0, 3.3, 1e-6)


def test_cautions_by_step() -> None:
    assert "RR900" in done("cautions", "lift")
    assert "lithium" not in done("cautions", "thermal")
    assert "10.1016/j.diin.2017.01.011" in done("cautions")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["new", "{new}"], ["--template"]),
        (["new", "{new}", "--template", "usb9"], ["usb9", "usb2, usb3, card"]),
        (["new", "{board}", "--template", "usb2"], ["board.toml", "such a file already"]),
        (["new", "{folder}/gone/far/b.toml", "--template", "usb2"], ["gone", "no such folder"]),
        (["new", "{new}", "--kicad", "{net}"], ["not known: U1", "--kind", "--leave-out"]),
        (["new", "{new}", "--kicad", "{net}", "--kind", "U1=engine"], ["engine", "controller"]),
        (["new", "{new}", "--kicad", "{net}", "--kind", "U1"], ["NAME=VALUE"]),
        (["new", "{new}", "--kicad", "{net}", "--size", "wide"], ["--size"]),
        (["new", "{new}", "--sketch", "{log}"], ["dmesg.txt", "line 1"]),
        (["odds", "{log}"], ["dmesg.txt", "TOML"]),
        (["odds", "{board}", "--journal", "{log}"], ["dmesg.txt", "line 1"]),
        (["read", "{board}", "smell", "C1.1", "C1.2", "1"], ["smell", "four-wire"]),
        (["read", "{board}", "resistance", "C1.1", "1"], ["two pads"]),
        (["read", "{board}", "resistance", "C1.1", "C99.1", "1"], ["C99.1"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "much"], ["'much'", "310m"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "3V"], ["given in ohm"]),
        (["read", "{board}", "continuity", "C1.1", "C1.2", "7"], ["yes or no"]),
        (["read", "{board}", "voltage", "C1.1", "C1.2", "1"], ["--supply"]),
        (["read", "{board}", "diode", "C1.1", "C1.2", "1", "--supply", "plug"], ["supply off"]),
        (["read", "{board}", "drop", "C1.1", "C1.2", "1", "--supply", "C1.1,C1.2,5"], ["four words"]),
        (["read", "{board}", "drop", "C1.1", "C1.2", "1", "--supply", "C1.1,Z1.2,5,1"], ["Z1.2"]),
        (["read", "{board}", "drop", "C1.1", "C1.2", "1", "--inject", "NONE"], ["no net NONE"]),
        (["read", "{board}", "drop", "C1.1", "C1.2", "1", "--inject", "VBUS", "--supply", "plug"], ["not both"]),
        (
            ["read", "{board}", "resistance", "C1.1", "C1.2", "--instrument", "nobody", "--visa", "{log}@sim"],
            ["VISA library", "cannot be loaded"],
        ),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "--instrument", "x", "--meter", "y"], ["leave out --meter"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "1e999"], ["beyond every meter"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "1", "--sigma", "nan"], ["--sigma"]),
        (["read", "{board}", "voltage", "C1.1", "C1.2", "4930", "--supply", "plug"], ["4.93 kV", "the supply's 5 V"]),
        (["read", "{board}", "current", "J1.VBUS@plug", "90", "--supply", "plug"], ["90 A", "prefix"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "-5k"], ["negative"]),
        (["read", "{board}", "resistance", "C1.1", "C1.2", "5k", "--suply", "plug"], ["no option --suply"]),
        (["look", "--log", "{net}"], ["slate.net", "kernel's log"]),
        (["route", "{board}", "--worth", "nan"], ["--worth"]),
        (["new", "{new}", "--kicad", "{net}", "--size", "infx3"], ["above 0"]),
        (["new", "{new}", "--kicad", "{net}", "--volts", "+3V3=nan"], ["above 0"]),
        (["lift", "{board}", "Z9"], ["no part Z9"]),
        (["lift", "{board}", "C1", "--found", "odd"], ["good or faulty"]),
        (["lift", "{board}", "C1", "--fit"], ["C1 is on the board"]),
        (["look"], ["--before", "--log"]),
        (["look", "--log", "{folder}/gone.txt"], ["gone.txt", "no such file"]),
        (["look", "--log", "{log}", "--expect-id", "12345"], ["--expect-id"]),
        (["look", "--before", "{log}", "--root", "{folder}"], ["dmesg.txt", "JSON"]),
        (["look", "--save", "{new}", "--root", "{folder}"], ["sysfs"]),
        (["route"], ["which board?"]),
        (["route", "{board}", "--encrypts", "perhaps"], ["--encrypts", "yes or no"]),
        (["route", "{board}", "--figures", "{board}"], ["board.toml"]),
        (["route", "--write-figures", "{board}"], ["such a file already"]),
        (["journal", "{board}", "--strike", "1"], ["--reason"]),
        (["journal", "{board}", "--strike", "1", "--reason", "x"], ["no line 1"]),
        (["cautions", "dance"], ["dance", "lift-nand"]),
        (["thermal", "{board}", "{log}", "{log}", "--points", "{log}"], ["dmesg.txt"]),
        (["thermal", "{board}", "{log}", "{log}", "--points", "{log}", "--photo", "{log}"], ["--plot"]),
    ],
)
def test_one_clear_line_for_each_bad_input(stick: Path, tmp_path: Path, arguments: list[str], words: list[str]) -> None:
    (tmp_path / "dmesg.txt").write_text(FAILED_ATTACH)
    (tmp_path / "slate.net").write_text(NETLIST)
    names = {"board": stick, "folder": tmp_path, "log": tmp_path / "dmesg.txt", "net": tmp_path / "slate.net",
             "new": tmp_path / "new.toml"}  # fmt: skip
    refused(called(*(argument.format(**names) for argument in arguments)), *words)
    assert not (tmp_path / "new.toml").exists()
    assert not (tmp_path / "board-journal.jsonl").exists()


def test_a_circuit_that_is_corrected_keeps_its_journal(stick: Path, tmp_path: Path) -> None:
    (tmp_path / "dmesg.txt").write_text(FAILED_ATTACH)
    done("look", "--log", tmp_path / "dmesg.txt", "--board", stick)
    circuit = circuit_file.load(stick)
    added = replace(circuit.part("C1"), name="C99")
    kept = tuple(part for part in circuit.parts if part.name != "C13")
    circuit_file.save(replace(circuit, parts=(*kept, added)), stick)
    shown = done("odds", stick, "--most", "500")
    assert "C99" in shown
    assert "C13" not in shown


def test_a_changed_journal_is_refused_and_not_added_to(stick: Path) -> None:
    short(stick)
    path = stick.parent / "board-journal.jsonl"
    path.write_text(path.read_text().replace("0.08", "0.8") + path.read_text().replace('"number": 1', '"number": 2'))
    changed = path.read_bytes()
    refused(called("read", stick, "four-wire", "C1.1", "C1.2", "1"), "board-journal.jsonl", "line 2 does not follow")
    assert path.read_bytes() == changed
