"""Says in one sentence what to do next and what the outcome means."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import Circuit
from deadstick.board.odds import Diagnosis
from deadstick.board.predict import BINARY, SCALES, Prediction
from deadstick.board.probing import Test, pads_tests
from deadstick.board.readings import Kind, Supply, percent, quantity

Floats = NDArray[np.float64]

UNITS = {
    Kind.RESISTANCE: "ohm",
    Kind.FOUR_WIRE: "ohm",
    Kind.DIODE: "V",
    Kind.VOLTAGE: "V",
    Kind.CURRENT: "A",
    Kind.DROP: "V",
}
NAMED = 3  # suspects named on each side
SIDES = 2  # nets of a lifted part that are spoken of: upstream and downstream


def instruction(circuit: Circuit, test: Test) -> str:
    """What to do.

    >>> from deadstick.board.templates import usb2_stick
    >>> instruction(usb2_stick(), Test(Kind.FOUR_WIRE, ("C1.1", "J1.GND")))
    'measure four-wire from C1.1 to J1.GND (VBUS against GND)'
    """
    if test.kind is Kind.LIFTED:
        return f"lift {test.place[0]} and measure it and its pads"
    if test.kind is Kind.CLOCK:
        return f"power the board with {_setting(test.supply)} and look with a scope whether {test.place[0]} swings"
    where = " to ".join(test.place)
    nets = list(dict.fromkeys(circuit.net_of(place) for place in test.place))
    where += f" ({' against '.join(nets)})" if len(nets) > 1 else f" (along {nets[0]})" if len(test.place) > 1 else ""
    if test.supply is None:
        words = {
            Kind.RESISTANCE: f"measure resistance from {where}",
            Kind.FOUR_WIRE: f"measure four-wire from {where}",
            Kind.CONTINUITY: f"check continuity from {where}",
            Kind.DIODE: f"diode test, red then black lead, {where}",
        }
        return words[test.kind]
    verb = "power the board with" if test.powers else "inject"
    what = {
        Kind.CURRENT: "read the supply's current",
        Kind.VOLTAGE: f"measure the voltage from {where}",
        Kind.DROP: f"measure the voltage drop from {where}",
    }
    return f"{verb} {_setting(test.supply)}, and {what[test.kind]}"


def sentence(diagnosis: Diagnosis, test: Test, prediction: Prediction, weights: Floats) -> str:
    """Instruction and meaning in one sentence.

    Args:
        diagnosis: the board.
        test: the test.
        prediction: of this one test.
        weights: float64[rows], probabilities.
    """
    what = instruction(diagnosis.circuit, test)
    places = prediction.places[:, 0]
    if test.kind in BINARY:
        yes, no = weights * places, weights * (1 - places)
        if test.kind is Kind.LIFTED:
            return f"{what}: it is at fault with {percent(float(yes.sum()))}; if it is good, {_suspects(diagnosis, no)}"
        return f"{what}: if yes, {_suspects(diagnosis, yes)}; if no, {_suspects(diagnosis, no)}"
    cut = _best_cut(places, prediction.spreads[:, 0], weights, diagnosis.hypotheses.parts_of_row)
    below, above = weights * (places < cut), weights * (places >= cut)
    value = float(np.sinh(cut) * SCALES[test.kind].floor)
    limit = quantity(value, UNITS[test.kind])
    return f"{what}: below {limit} {_suspects(diagnosis, below)}; above {_suspects(diagnosis, above)}"


def expect_after(diagnosis: Diagnosis, part: str) -> str:
    """What the pads should read when a part is off, if it was guilty and if it was not."""
    tests = list(pads_tests(diagnosis.circuit, part))[:SIDES]
    if not tests:
        return ""
    values = diagnosis.predictor(diagnosis.removed | {part}).predict(tests).values
    weights = diagnosis.row_weights()
    guilty = np.array([part in names for names in diagnosis.hypotheses.parts])[diagnosis.hypotheses.parts_of_row]
    cases = [(weights * guilty, "if it was guilty"), (weights * ~guilty, "if not")]
    sides = []
    for test, column in zip(tests, values.T, strict=True):
        words = [f"{quantity(_middle(column, share), 'ohm')} {case}" for share, case in cases if share.sum() > 1e-9]
        sides.append(f"from {test.place[0]} to {test.place[1]} about {', '.join(words)}")
    return f"with {part} off expect {'; '.join(sides)}"


def _setting(supply: Supply | None) -> str:
    assert supply is not None, "candidate tests of this kind carry their supply"  # noqa: S101  # narrows the type
    return f"{supply.volts:g} V limited to {supply.amperes:g} A at {supply.red} and {supply.black}"


def _middle(values: Floats, weights: Floats) -> float:
    """Weighted median."""
    order = np.argsort(values)
    running = np.cumsum(weights[order])
    return float(values[order[int(np.searchsorted(running, running[-1] / 2))]])


def _best_cut(places: Floats, spreads: Floats, weights: Floats, groups: NDArray[np.int64]) -> float:
    """The place on the scale that parts the suspects best: most information of a yes-or-no question."""
    candidates = np.unique(np.round(places[weights > 1e-4], 3))
    if candidates.size < 2:
        return float(places[int(np.argmax(weights))] + spreads[int(np.argmax(weights))])
    middles = (candidates[1:] + candidates[:-1]) / 2
    middles = middles[:: max(1, middles.size // 60)]
    count = int(groups.max()) + 1
    total = np.bincount(groups, weights, count).astype(np.float64)

    def left(cut: float) -> float:
        low = np.bincount(groups, weights * (places < cut), count).astype(np.float64)
        return _entropy(low) + _entropy(total - low)

    gaps = np.array([left(float(cut)) for cut in middles])
    return float(middles[int(np.argmin(gaps))])


def _entropy(sums: Floats) -> float:
    whole = sums.sum()
    kept = sums[sums > 0]
    return float(-(kept * np.log2(kept / whole)).sum()) if whole > 0 else 0.0


def _suspects(diagnosis: Diagnosis, weights: Floats) -> str:
    """The most likely parts under these weights."""
    whole = weights.sum()
    if whole < 1e-6:
        return "nothing known explains it"
    sums = np.bincount(diagnosis.hypotheses.parts_of_row, weights, len(diagnosis.hypotheses.parts)) / whole
    order: Sequence[int] = [int(i) for i in np.argsort(-sums)]
    named = [" and ".join(diagnosis.hypotheses.parts[i]) for i in order[:NAMED] if sums[i] > 0.05]
    more = "" if sum(sums[i] for i in order[: len(named)]) > 0.9 else ", ..."
    return f"it is {' or '.join(named) or 'one of many'}{more}"
