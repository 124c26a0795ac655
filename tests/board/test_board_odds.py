"""Bayes' rule against an enumeration written anew here, and against a library of Bayesian networks if there is one."""

import importlib.util
import json
import math
import subprocess
import sys

import numpy as np
import pytest

from deadstick.board.circuit import Circuit
from deadstick.board.faults import Fault, hypotheses, likely_pairs, single_faults, spread_out, steps
from deadstick.board.likelihood import MISHAP, SCALE_RANGE
from deadstick.board.models import JOINT_OHM, Element
from deadstick.board.odds import Diagnosis
from deadstick.board.physics import Network, select, wiring
from deadstick.board.predict import LEAD_OHM, SCALES
from deadstick.board.readings import Evidence, Kind, Reading
from deadstick.board.sketch import parse
from deadstick.board.templates import TEMPLATES, usb2_stick
from deadstick.errors import InputError

LITTLE = parse("""
board Little 20x10
net GND ground plane
net VIN power 5
net VCC power 3.3
J1 connector VIN=VIN GND=GND at 2,5
FB1 ferrite VIN VCC at 6,5 value 0.3
C1 capacitor VIN GND at 4,2
C2 capacitor VCC GND at 9,2
U1 controller VCC=VCC GND=GND at 14,5
""").circuit()


def chance_by_hand(circuit: Circuit, readings: list[Reading]) -> dict[str, float]:
    """Every fault and resistance in turn: build that board, solve it, weigh the readings. No low-rank updates."""
    singles = single_faults(circuit)
    pairs = likely_pairs(circuit, singles)
    left = 1 - sum(pair.prior for pair in pairs)
    found: dict[str, float] = {}
    for fault, prior in [(one, one.prior * left) for one in singles] + [(pair, pair.prior) for pair in pairs]:
        for ohms, spread, share in resistances(fault):
            weight = prior * share
            for reading in readings:
                weight *= density(circuit, fault, ohms, spread, reading)
            found[fault.key] = found.get(fault.key, 0.0) + weight
    total = sum(found.values())
    return {key: weight / total for key, weight in found.items()}


def resistances(fault: Fault) -> list[tuple[list[float], float, float]]:
    if not fault.joins:
        return [([], 0.0, 1.0)]
    axes = [steps(name, 4 if len(fault.joins) == 2 else None) for name in fault.spreads]
    spread = max(one for _, one in axes)
    if len(axes) == 1:
        return [([float(r)], spread, 1 / len(axes[0][0])) for r in axes[0][0]]
    whole = [[float(r), float(q)] for r in axes[0][0] for q in axes[1][0]]
    return [(ohms, spread, 1 / len(whole)) for ohms in whole]


def density(circuit: Circuit, fault: Fault, ohms: list[float], spread: float, reading: Reading) -> float:
    """A two-wire resistance on its scale: Gaussian with a thin floor."""
    gone = reading.removed
    wires = [one for one in select(wiring(circuit), running=False) if one.part not in gone]
    owners = {pair: pair[0].split(".")[0] for pair in fault.joins}
    wires += [
        Element(f"x{k}", *p, 1 / r)
        for k, (p, r) in enumerate(zip(fault.joins, ohms, strict=True))
        if owners[p] not in gone
    ]
    cut = {frozenset(c[:2]) for c in fault.cuts}
    network = Network(circuit, [one for one in wires if not (one.part and frozenset((one.a, one.b)) in cut)])
    pair = (reading.place[0], reading.place[1])
    ohm = min(float(network.across(network.solve([pair]), [pair])[0, 0]) + LEAD_OHM, 4e7)
    scale = SCALES[Kind.RESISTANCE]
    width = math.sqrt(
        (scale.loose if ohm > 300 else scale.spread) ** 2 + (0.05 / math.hypot(ohm, 1.0)) ** 2 + spread**2
    )
    width = math.hypot(width, reading.sigma / math.hypot(reading.value, 1.0))
    distance = math.asinh(reading.value) - math.asinh(ohm)
    gauss = math.exp(-0.5 * (distance / width) ** 2) / (width * math.sqrt(2 * math.pi))
    return (1 - MISHAP) * gauss + MISHAP / SCALE_RANGE


READINGS = [
    Reading(Kind.RESISTANCE, ("J1.VIN", "J1.GND"), 2.9, "ohm", 0.05),
    Reading(Kind.RESISTANCE, ("FB1.1", "FB1.2"), 0.4, "ohm", 0.05),
    Reading(Kind.RESISTANCE, ("FB1.2", "J1.GND"), 2.4, "ohm", 0.05),
    Reading(Kind.RESISTANCE, ("FB1.2", "J1.GND"), 2.2, "ohm", 0.05, removed=frozenset({"C2"})),
]


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_odds_equal_enumeration(count: int) -> None:
    diagnosis = Diagnosis(LITTLE, observations=READINGS[:count])
    by_hand = chance_by_hand(LITTLE, READINGS[:count])
    odds = diagnosis.odds()
    assert {chance.key for chance in odds.chances} == set(by_hand)
    for chance in odds.chances:
        assert chance.probability == pytest.approx(by_hand[chance.key], rel=2e-3, abs=1e-9)


def test_reading_again_without_the_part_turns_the_suspicion() -> None:
    before = Diagnosis(LITTLE, observations=READINGS[:3]).odds()
    after = Diagnosis(LITTLE, observations=READINGS).odds()
    assert before.guilt("C2") > 0.2
    assert after.guilt("C2") < 0.03
    assert after.best.parts == ("U1",)


@pytest.mark.skipif(importlib.util.find_spec("pyagrum") is None, reason="pyAgrum is not part of the environment")
def test_odds_equal_a_bayesian_network_library() -> None:
    # pyAgrum (LGPL), in a process of its own. The network: fault -> one child per reading, evidence as likelihoods.
    diagnosis = Diagnosis(LITTLE)
    likelihoods = [np.exp(diagnosis.log_likelihood(reading)) for reading in READINGS[:3]]
    prior = np.exp(diagnosis.hypotheses.log_prior)
    script = (
        "import json, sys, pyagrum as gum\n"
        "prior, likelihoods = json.load(sys.stdin)\n"
        "net = gum.BayesNet()\n"
        "fault = net.add(gum.RangeVariable('fault', '', 0, len(prior) - 1))\n"
        "net.cpt(fault).fillWith(prior)\n"
        "for k, chances in enumerate(likelihoods):\n"
        "    seen = net.add(gum.LabelizedVariable(f'seen{k}', '', 2))\n"
        "    net.addArc(fault, seen)\n"
        "    net.cpt(seen).fillWith([p for c in chances for p in (1 - c, c)])\n"
        "engine = gum.LazyPropagation(net)\n"
        "engine.setEvidence({f'seen{k}': 1 for k in range(len(likelihoods))})\n"
        "engine.makeInference()\n"
        "print(json.dumps(list(engine.posterior(fault).toarray())))\n"
    )
    scaled = [list(one / one.max()) for one in likelihoods]
    done = subprocess.run(
        [sys.executable, "-c", script],
        input=json.dumps([list(prior), scaled]),
        capture_output=True,
        text=True,
        check=True,
    )
    theirs = np.array(json.loads(done.stdout))
    ours = Diagnosis(LITTLE, observations=READINGS[:3]).row_weights()
    assert theirs == pytest.approx(ours, rel=1e-4, abs=1e-9)


def test_the_same_test_twice_is_one_witness() -> None:
    once = Diagnosis(LITTLE, observations=READINGS[:1]).odds()
    twice = Diagnosis(LITTLE, observations=[READINGS[0], READINGS[0]]).odds()
    assert once == twice


def test_evidence_multiplies_the_odds() -> None:
    before = Diagnosis(LITTLE).odds()
    hot = Evidence("C2 is the hottest", {"C2 short": math.log(8.0)})
    after = Diagnosis(LITTLE, observations=[hot]).odds()
    ratio = before.of("C2 short") / before.of("C1 short")
    assert after.of("C2 short") / after.of("C1 short") == pytest.approx(8 * ratio)


@pytest.mark.parametrize(
    "observation",
    [
        Reading(Kind.RESISTANCE, ("C9.1", "J1.GND"), 1.0, "ohm", 0.1),
        Reading(Kind.LIFTED, ("C9",), 1.0, "", 0.01),
        Evidence("no such fault", {"C9 short": 1.0}),
    ],
)
def test_what_the_board_does_not_have_is_refused(observation: Reading | Evidence) -> None:
    with pytest.raises(InputError, match="C9"):
        Diagnosis(LITTLE).add(observation)


@pytest.mark.parametrize("name", list(TEMPLATES))
def test_priors_add_up(name: str) -> None:
    known = hypotheses(TEMPLATES[name](np.random.default_rng(5)))
    assert np.exp(known.log_prior).sum() == pytest.approx(1.0)
    assert sum(fault.prior for fault in known.faults) == pytest.approx(1.0)
    assert len({fault.key for fault in known.faults}) == len(known.faults)


def test_open_joint_and_short_pairs_are_among_the_hypotheses() -> None:
    keys = {fault.key for fault in hypotheses(usb2_stick()).faults}
    assert "J1.VBUS open + U1.VCC1 short" in keys
    assert "U3 through + U1.VCC1 short" in keys
    assert "U1.VCORE open" in keys
    assert JOINT_OHM < 0.05


def test_rows_spread_each_fault_evenly() -> None:
    one = Fault("a", ("A",), "a", 0.25, (("x", "y"),), ("short",))
    other = Fault("b", ("B",), "b", 0.75)
    rows = spread_out((one, other))
    assert np.exp(rows.log_prior[rows.fault_of_row == 0]).sum() == pytest.approx(0.25)
    assert np.nanmin(rows.ohms) > 0.05
    assert np.nanmax(rows.ohms) < 50
