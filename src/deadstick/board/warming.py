"""Power in each part under a supply, for every fault: what a thermal picture is held against.

Power is `V^2 G` in conductors and chips and `V^2 / R` in a short, from the solved network, and the voltage across a
regulator times the supply's current in a regulator. How warm that makes a part is known to an order of magnitude only,
because boards carry heat away so differently (see `thermal_evidence`).
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import PartKind
from deadstick.board.models import Element
from deadstick.board.odds import Diagnosis
from deadstick.board.physics import select, wiring
from deadstick.board.probing import Test
from deadstick.board.readings import Kind, Supply

Floats = NDArray[np.float64]


def expected_watts(diagnosis: Diagnosis, supply: Supply) -> dict[str, dict[str, float]]:
    """Power in each part, by fault.

    Args:
        diagnosis: the board with what was read so far, which says how large a fault's resistance may be.
        supply: what feeds the board for the picture.

    Returns:
        Watts by part, by key of the fault; parts that stay below a milliwatt are left out.
    """
    hypotheses, weights = diagnosis.hypotheses, diagnosis.row_weights()
    by_part: dict[str, Floats] = {}

    def add(part: str, watts: Floats) -> None:
        by_part[part] = by_part.get(part, 0.0) + watts

    for part, watts in (*_conductors(diagnosis, supply), *_regulators(diagnosis, supply), *_joins(diagnosis, supply)):
        add(part, watts)
    # A fault's own weight may be next to nothing by now; within the fault the rows still have their shares.
    share = np.maximum(weights, 1e-300)
    of_row, count = hypotheses.fault_of_row, len(hypotheses.faults)
    total = np.bincount(of_row, share, count)
    means = {part: np.bincount(of_row, share * watts, count) / total for part, watts in by_part.items()}
    return {
        fault.key: {part: float(mean[number]) for part, mean in means.items() if mean[number] >= 1e-3}
        for number, fault in enumerate(hypotheses.faults)
    }


def memory_watts(diagnosis: Diagnosis, supply: Supply) -> dict[str, tuple[float, float]]:
    """How an injected current would warm each NAND, should that NAND itself be the fault.

    Current that finds a short in the memory heats the memory, although nobody lifts it.

    Returns:
        For each NAND that may be guilty: the probability that it is, and the expected watts in it if so.
    """
    hypotheses = diagnosis.hypotheses
    heat, weights = expected_watts(diagnosis, supply), diagnosis.row_weights()
    share = np.bincount(hypotheses.fault_of_row, weights, len(hypotheses.faults))
    found = {}
    for part in diagnosis.circuit.parts:
        if part.kind is not PartKind.NAND or part.name in diagnosis.removed:
            continue
        guilty = [number for number, fault in enumerate(hypotheses.faults) if part.name in fault.parts]
        chance = float(share[guilty].sum())
        watts = sum(share[n] * heat[hypotheses.faults[n].key].get(part.name, 0.0) for n in guilty)
        if chance > 0:
            found[part.name] = (chance, float(watts / chance))
    return found


def _volts(diagnosis: Diagnosis, supply: Supply, pairs: list[tuple[str, str]]) -> Floats:
    """Voltage between nodes, float64[rows, pairs], under the supply."""
    tests = [Test(Kind.DROP, pair, supply) for pair in pairs]
    volts = diagnosis.predictor(diagnosis.removed).predict(tests).values
    # No node lies further from another than the supply's limit: a board like these has no boost converter.
    return np.clip(volts, -supply.volts, supply.volts)


def _conductors(diagnosis: Diagnosis, supply: Supply) -> list[tuple[str, Floats]]:
    wires = wiring(diagnosis.circuit).without(diagnosis.removed)
    powers = Test(Kind.CURRENT, (supply.red, supply.black), supply).powers
    elements = [element for element in select(wires, running=powers) if element.part is not None]
    if not elements:
        return []
    volts = _volts(diagnosis, supply, [(element.a, element.b) for element in elements])
    return [
        (element.part or "", volts[:, number] ** 2 * element.siemens * _stands(diagnosis, element))
        for number, element in enumerate(elements)
    ]


def _stands(diagnosis: Diagnosis, element: Element) -> Floats:
    """1 where a row leaves an element as it is, 0 where its fault cuts it."""
    cut = [
        any({first, second} == {element.a, element.b} for first, second, _ in fault.cuts)
        for fault in diagnosis.hypotheses.faults
    ]
    return 1.0 - np.array(cut, float)[diagnosis.hypotheses.fault_of_row]


def _regulators(diagnosis: Diagnosis, supply: Supply) -> list[tuple[str, Floats]]:
    regulators = wiring(diagnosis.circuit).without(diagnosis.removed).regulators
    current_test = Test(Kind.CURRENT, (supply.red, supply.black), supply)
    if not regulators or not current_test.powers:
        return []
    current = diagnosis.predictor(diagnosis.removed).predict([current_test]).values[:, 0]
    volts = _volts(diagnosis, supply, [(regulator.inlet, regulator.outlet) for regulator in regulators])
    return [(regulator.part, np.abs(volts[:, number] * current)) for number, regulator in enumerate(regulators)]


def _joins(diagnosis: Diagnosis, supply: Supply) -> list[tuple[str, Floats]]:
    """Power in the unknown resistances of the faults themselves."""
    hypotheses = diagnosis.hypotheses
    pairs = list(dict.fromkeys(pair for fault in hypotheses.faults for pair in fault.joins))
    if not pairs:
        return []
    place, volts = {pair: number for number, pair in enumerate(pairs)}, _volts(diagnosis, supply, pairs)
    found: dict[str, Floats] = {}
    for row, number in enumerate(hypotheses.fault_of_row):
        fault = hypotheses.faults[number]
        for pair, ohm in zip(fault.joins, hypotheses.ohms[row], strict=False):
            part = next((name for name in fault.parts if pair[0].startswith((f"{name}.", f"{name}@"))), fault.parts[0])
            if part not in diagnosis.removed:
                watts = found.setdefault(part, np.zeros(len(hypotheses.fault_of_row)))
                watts[row] += volts[row, place[pair]] ** 2 / ohm
    return list(found.items())
