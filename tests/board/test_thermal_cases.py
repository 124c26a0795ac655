"""From a fault to a picture of it, and from the picture back to the odds: the truth is known to the test alone."""

import math

import numpy as np
import pytest
from warm_boards import Heater, photographed

from deadstick.board.models import DIE
from deadstick.board.odds import Diagnosis
from deadstick.board.probing import injection
from deadstick.board.readings import Kind, Reading
from deadstick.board.templates import usb2_stick
from deadstick.board.thermal import compare
from deadstick.board.thermal_evidence import body, thermal_evidence
from deadstick.board.warming import expected_watts

CIRCUIT = usb2_stick()
SIZE = (CIRCUIT.width_mm, CIRCUIT.height_mm)
RAIL = "VCC33"


def heaters(heat: dict[str, float]) -> list[Heater]:
    """Every part that gives off heat, over a third of its body, as a die does."""
    found = []
    for name, watts in heat.items():
        one = body(CIRCUIT.part(name))
        width, height = max(0.5, (one.right - one.left) / 3), max(0.5, (one.top - one.bottom) / 3)
        found.append(Heater((one.left + one.right) / 2, (one.bottom + one.top) / 2, watts, width, height))
    return found


def shorted(part: str) -> Diagnosis:
    """A board of whose rail is known that it is shorted, and nothing of where."""
    diagnosis = Diagnosis(CIRCUIT)
    diagnosis.add(Reading(Kind.RESISTANCE, ("U3.OUT", "J1.GND"), 0.6, "ohm", 0.05, note=f"the test knows: {part}"))
    return diagnosis


def guilty_on_rail() -> list[str]:
    """Keys of the single faults that short the rail to ground."""
    rail = {pad for pad in CIRCUIT.pads if CIRCUIT.net_of(pad) == RAIL}
    return [
        fault.key
        for fault in Diagnosis(CIRCUIT).hypotheses.faults
        if len(fault.parts) == 1 and fault.spreads == ("short",) and fault.joins[0][0].removesuffix(DIE) in rail
    ]


@pytest.mark.parametrize("key", guilty_on_rail())
def test_a_picture_of_the_injected_rail_speaks_for_the_guilty_part(key: str) -> None:
    diagnosis = shorted(key)
    supply = injection(CIRCUIT, CIRCUIT.net(RAIL))
    assert supply is not None
    watts = expected_watts(diagnosis, supply)
    guilty = next(chance for chance in diagnosis.odds().chances if chance.key == key)
    rng = np.random.default_rng(sum(map(ord, key)))
    # Warming is known to an order of magnitude: 100 K/W, times or divided by about two.
    hottest = max(watts[key].values()) * 100 * math.exp(rng.normal(0, 0.7))
    before, powered, projection = photographed(
        heaters(watts[key]), SIZE, spread_mm=float(rng.uniform(3, 12)), hottest_k=hottest, seed=int(rng.integers(1000))
    )
    evidence = thermal_evidence(compare(before, powered, projection, SIZE), CIRCUIT, watts, supply)
    old = diagnosis.odds().guilt(guilty.parts[0])
    diagnosis.add(evidence)
    new = diagnosis.odds()
    assert new.guilt(guilty.parts[0]) > max(0.6, 1.5 * old), (evidence.text, list(new.by_parts().items())[:3])
