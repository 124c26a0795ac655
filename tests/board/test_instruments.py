"""Instruments that answer from a file (pyvisa-sim), so that the way through VISA is the real one."""

import math
from pathlib import Path

import pytest

from deadstick.board import instruments
from deadstick.board.instruments import Instrument
from deadstick.board.readings import Kind
from deadstick.errors import InputError

METER = "TCPIP0::meter.bench::INSTR"
SUPPLY = "GPIB0::5::INSTR"
MUTE = "TCPIP0::mute.bench::INSTR"

BENCH = """
spec: "1.1"
devices:
  meter:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "Workbench,Ohmmeter 5,0042,1.3"}
      - {q: "MEAS:RES?", r: "+1.24000000E+00"}
      - {q: "MEAS:FRES?", r: "3.100E-01"}
      - {q: "MEAS:VOLT:DC?", r: "-2.5E-06"}
      - {q: "MEAS:CURR:DC?", r: "9.91E37"}
      - {q: "MEAS:DIOD?", r: "+9.90000000E+37"}
      - {q: "SYST:ERR?", r: '-113,"Undefined header"'}
  supply:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "no name"}
      - {q: "MEAS:CURR:DC?", r: "0.0995"}
      - {q: "MEAS:CONT?", r: "0.8"}
  mute:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    dialogues: []
resources:
  TCPIP0::meter.bench::INSTR: {device: meter}
  GPIB0::5::INSTR: {device: supply}
  TCPIP0::mute.bench::INSTR: {device: mute}
"""


@pytest.fixture
def library(tmp_path: Path) -> str:
    (tmp_path / "bench.yaml").write_text(BENCH)
    return f"{tmp_path / 'bench.yaml'}@sim"


def test_identity_and_readings(library: str) -> None:
    with Instrument.open(METER, library) as meter:
        assert meter.identity() == "Workbench, Ohmmeter 5, 0042, 1.3"
        assert meter.measure(Kind.RESISTANCE).value == 1.24
        four_wire = meter.measure(Kind.FOUR_WIRE, samples=5)
        assert (four_wire.value, four_wire.spread, len(four_wire.samples)) == (0.31, 0.0, 5)
        assert meter.measure(Kind.DROP).value == -2.5e-6


def test_an_overload_is_beyond_the_range(library: str) -> None:
    with Instrument.open(METER, library) as meter:
        assert meter.measure(Kind.DIODE).value == math.inf


def test_no_value_is_no_reading(library: str) -> None:
    with Instrument.open(METER, library) as meter, pytest.raises(InputError, match="no value for MEAS:CURR"):
        meter.measure(Kind.CURRENT)


def test_the_instruments_own_error_is_told(library: str) -> None:
    with Instrument.open(METER, library) as meter, pytest.raises(InputError, match=r"MEAS:CONT\? failed.*Undefined"):
        meter.measure(Kind.CONTINUITY)


def test_a_supply_measures_its_own_current(library: str) -> None:
    with Instrument.open(SUPPLY, library) as supply:
        assert supply.measure(Kind.CURRENT).value == 0.0995
        assert supply.measure(Kind.CONTINUITY).value == 1.0
        with pytest.raises(InputError, match=r"no answer of IEEE 488\.2"):
            supply.identity()


def test_what_no_multimeter_knows(library: str) -> None:
    with Instrument.open(METER, library) as meter, pytest.raises(InputError, match="give its value"):
        meter.measure(Kind.LIFTED)


def test_an_instrument_that_falls_silent() -> None:
    recorder = Recorder()
    recorder.query = refuse  # type: ignore[method-assign,assignment]
    with pytest.raises(InputError, match=r"meter: no answer to MEAS:RES\?: the cable is out"):
        Instrument(recorder, "meter").measure(Kind.RESISTANCE)


@pytest.mark.parametrize("address", [MUTE, "TCPIP0::nobody::INSTR", "no address at all"])
def test_nothing_at_the_address(library: str, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(instruments, "TIMEOUT_MS", 50)
    with pytest.raises(InputError, match="no instrument could be opened there"):
        Instrument.open(address, library)


class Recorder:
    """An instrument that only notes what it is asked."""

    timeout = 0

    def __init__(self) -> None:
        self.asked: list[str] = []

    def query(self, message: str) -> str:
        self.asked.append(message)
        return "1.0"

    def close(self) -> None:
        self.asked.append("closed")


def refuse(_message: str) -> str:
    raise OSError("the cable is out")


def test_nothing_but_questions_is_sent() -> None:
    recorder = Recorder()
    with Instrument(recorder, "recorder") as instrument:
        for kind in Kind:
            if kind not in {Kind.CLOCK, Kind.LIFTED}:
                instrument.measure(kind, 1)
    assert recorder.asked.pop() == "closed"
    assert recorder.asked
    assert all(message.endswith("?") and message.startswith("MEAS:") for message in recorder.asked)


def test_the_median_counts_and_the_spread_is_told() -> None:
    recorder = Recorder()
    answers = iter(["0.30", "0.50", "0.32"])
    recorder.query = lambda _message: next(answers)  # type: ignore[method-assign,assignment]
    measured = Instrument(recorder, "recorder").measure(Kind.FOUR_WIRE)
    assert measured.value == 0.32
    assert measured.spread == pytest.approx(0.1)
