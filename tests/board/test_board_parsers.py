"""Whatever a file holds, it is read or refused in a line; nothing else may come out."""

import contextlib
import io
import json
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.board.circuit import Circuit
from deadstick.board.host import judge_log
from deadstick.board.host_log import last_attempt, log_events
from deadstick.board.host_tree import Snapshot, with_lsblk
from deadstick.board.journal import FIRST, Journal
from deadstick.board.kicad import Choices, parse_netlist, to_circuit
from deadstick.board.observations import observations, removed
from deadstick.board.registration import read_points
from deadstick.board.route_files import load_cases, load_figures
from deadstick.board.templates import usb2_stick
from deadstick.board.thermal_files import Frame, read_frame
from deadstick.errors import InputError

BOARD = usb2_stick()
few = settings(deadline=None, max_examples=60)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
LINES = st.sampled_from([
    "usb 1-3: new high-speed USB device number 7 using xhci_hcd", "usb 1-3: device descriptor read/64, error -71",
    "usb 1-3: New USB device found, idVendor=1d6b, idProduct=0104, bcdDevice= 1.00", "usb usb1-port3: over-current",
    "usb usb1-port3: over-current condition", "usb usb1-port3: unable to enumerate USB device",
    "scsi host6: usb-storage 1-3:1.0", "scsi host6: uas", "sd 6:0:0:0: [sdb] 0 512-byte logical blocks: (0 B/0 B)",
    "sd 9:0:0:0: [sdc] 99999999999999999999 512-byte logical blocks: (0 B/0 B)",
    "sd 6:0:0:0: [sdb] Attached SCSI disk", "I/O error, dev sdb1, sector 9", "usb 1-3: Product: ",
    "usb 1-3: USB disconnect, device number 7", "usb 1-3: device not accepting address 9, error -999999999999",
])  # fmt: skip


def tried(read: Callable[[Path], object], content: bytes, name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            found = read(path)
        except InputError as refusal:
            assert name in str(refusal)  # noqa: PT017 - either is right
        else:
            assert found is not None


@few
@given(st.lists(LINES | st.text(max_size=60), max_size=25))
def test_logs(lines: list[str]) -> None:
    sight = judge_log(last_attempt(log_events(lines)))
    assert sight.sentence


@few
@given(st.text(alphabet="0123456789.,;\t -eEnNaA\n", max_size=300).map(str.encode) | st.binary(max_size=200))
def test_matrices(content: bytes) -> None:
    tried(read_frame, content, "view.csv")


@few
@given(st.binary(max_size=300), st.integers(0, 400), st.integers(0, 255))
def test_tiffs(content: bytes, place: int, value: int) -> None:
    whole = io.BytesIO()
    tifffile.imwrite(whole, np.full((9, 9), 25.0, np.float32))
    spoiled = bytearray(whole.getvalue())
    spoiled[place % len(spoiled)] = value
    for made in (content, bytes(spoiled), b"II*\0" + content):
        tried(read_frame, made, "view.tif")


@few
@given(st.lists(JSON, max_size=3))
def test_journals(values: list[object]) -> None:
    tried(Journal.open, "".join(json.dumps(value) + "\n" for value in values).encode(), "journal.jsonl")


@few
@given(
    st.sampled_from(["reading", "evidence", "step", "remark", "strike"]),
    st.sampled_from(["resistance", "part lifted", "smell", "clock"]),
    st.dictionaries(
        st.sampled_from(["sigma", "supply", "removed", "log_likelihoods", "otherwise", "x"]), JSON, max_size=3
    ),
    st.lists(st.text(max_size=4), max_size=2),
)
def test_lines_that_are_entries_but_no_observations(kind: str, what: str, details: object, place: list[str]) -> None:
    line = {"number": 1, "utc": "2026-05-04", "kind": kind, "what": what, "place": place, "value": 1.0,
            "details": details, "previous": FIRST}  # fmt: skip

    def read(path: Path) -> object:
        journal = Journal.open(path)
        return observations(journal), removed(journal)

    tried(read, (json.dumps(line) + "\n").encode(), "journal.jsonl")


@few
@given(st.text(max_size=60) | JSON.map(json.dumps))
def test_lsblk(text: str) -> None:
    with contextlib.suppress(InputError):
        assert isinstance(with_lsblk(Snapshot(), text), Snapshot)


NUMBER = st.floats() | st.integers(-(10**30), 10**30) | st.just(0.0)


@few
@given(st.lists(st.tuples(NUMBER, NUMBER, NUMBER, NUMBER), min_size=3, max_size=6))
def test_points(rows: list[tuple[float, float, float, float]]) -> None:
    tables = [f"[[point]]\nthermal = [{a}, {b}]\nboard_mm = [{c}, {d}]\n" for a, b, c, d in rows]
    tried(lambda path: read_points(path, BOARD), "".join(tables).encode(), "points.toml")


@few
@given(st.text(alphabet='[]="case.number\n 0123', max_size=80))
def test_lab_files(text: str) -> None:
    tried(load_cases, text.encode(), "cases.toml")
    tried(load_figures, text.encode(), "figures.toml")


@few
@given(st.lists(st.tuples(st.sampled_from(["C1", "R1", "U1", "J1", "D1", "X"]), st.sampled_from(["1", "2", "A"]),
                          st.sampled_from(["GND", "+3V3", "VCC", "0V", "N1", ""])), max_size=10))  # fmt: skip
def test_netlists(nodes: list[tuple[str, str, str]]) -> None:
    names = {part for part, _, _ in nodes}
    components = "".join(f'(comp (ref "{name}") (value "1k"))' for name in sorted(names))
    nets = "".join(f'(net (name "{net}") (node (ref "{part}") (pin "{pin}")))' for part, pin, net in nodes)
    with contextlib.suppress(InputError):
        netlist = parse_netlist(f"(export (components {components}) (nets {nets}))")
        assert isinstance(to_circuit(netlist, Choices({}, {})), Circuit)


def test_a_frame_is_a_frame(tmp_path: Path) -> None:
    """The checks above would pass if everything were refused."""
    (tmp_path / "view.csv").write_text("\n".join([",".join(["25.0"] * 9)] * 9))
    assert isinstance(read_frame(tmp_path / "view.csv"), Frame)
