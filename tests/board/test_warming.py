from dataclasses import replace

import pytest

from deadstick.board.odds import Diagnosis
from deadstick.board.probing import injection, working_supply
from deadstick.board.readings import Kind, Reading
from deadstick.board.templates import usb2_stick
from deadstick.board.warming import expected_watts, memory_watts


def found(part: str, ohm: float) -> Diagnosis:
    """A stick whose short was measured at the part."""
    diagnosis = Diagnosis(usb2_stick())
    diagnosis.add(Reading(Kind.FOUR_WIRE, (f"{part}.1", f"{part}.2"), ohm, "ohm", 0.001))
    return diagnosis


def test_an_ampere_into_a_fifth_of_an_ohm_warms_with_a_fifth_of_a_watt() -> None:
    # P = I^2 R: 1 A into 0.2 ohm is 0.2 W.
    diagnosis = found("C1", 0.2)
    supply = injection(diagnosis.circuit, diagnosis.circuit.net("VBUS"))
    assert supply is not None
    heat = expected_watts(diagnosis, supply)["C1 short"]
    assert heat["C1"] == pytest.approx(0.2, rel=0.2)
    assert max(heat, key=heat.__getitem__) == "C1"


def test_an_open_connector_warms_nothing() -> None:
    diagnosis = Diagnosis(usb2_stick())
    supply = working_supply(diagnosis.circuit)
    assert supply is not None
    assert expected_watts(diagnosis, supply)["J1.VBUS open"] == {}


def test_a_shorted_chip_is_warm_itself() -> None:
    diagnosis = Diagnosis(usb2_stick())
    supply = injection(diagnosis.circuit, diagnosis.circuit.net("VCC33"))
    assert supply is not None
    heat = expected_watts(diagnosis, supply)["U1.VCC1 short"]
    assert max(heat, key=heat.__getitem__) == "U1"
    # Supply and fault together cannot give more than the supply's two limits.
    assert sum(heat.values()) <= supply.volts * supply.amperes


def test_parts_that_are_off_the_board_stay_cold() -> None:
    diagnosis = Diagnosis(usb2_stick())
    diagnosis.add(Reading(Kind.LIFTED, ("C1",), 0, "", 0.02, removed=frozenset({"C1"})))
    supply = injection(diagnosis.circuit, diagnosis.circuit.net("VBUS"))
    assert supply is not None
    assert all("C1" not in heat for heat in expected_watts(diagnosis, supply).values())


def test_current_into_a_shorted_memory_is_counted_as_heat_in_it() -> None:
    diagnosis = Diagnosis(usb2_stick())
    diagnosis.add(Reading(Kind.RESISTANCE, ("FB2.2", "J1.GND"), 1.2, "ohm", 0.05))
    supply = injection(diagnosis.circuit, diagnosis.circuit.net("VCCN"))
    assert supply is not None
    (part,) = memory = memory_watts(diagnosis, supply)
    chance, watts = memory[part]
    assert part == "U2"
    assert chance == pytest.approx(diagnosis.odds().guilt("U2"))
    # At most one volt and one ampere; 1.2 ohm with leads at one volt take 0.7 W or more, less what wiring takes.
    assert 0.3 < watts <= 1.0
    gentle = memory_watts(diagnosis, replace(supply, amperes=supply.amperes / 10))[part][1]
    assert gentle < watts / 20
    lifted = Diagnosis(usb2_stick())
    lifted.add(Reading(Kind.LIFTED, ("U2",), 0.0, "", 0.01))
    assert memory_watts(lifted, supply) == {}
