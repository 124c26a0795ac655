"""The next test: expected information per cost, and when to stop.

**Information** is the mutual information between the guilty parts and the reading of a test (`kernels.information`): by
how many bits the reading is expected to narrow down which parts are at fault.

**Cost** is in minutes. To the minutes of the work come the minutes that a mishap would cost times its chance: power
through a regulator that lets its input through reaches the NAND; a part that is lifted and was innocent was harmed for
nothing. The weights stand in `Costs` and are the lab's own (common practice, no source).

**Order.** What only touches the board comes first, as it costs so much less. A part is lifted in two cases: it is as
good as certain that it is guilty, which makes lifting the repair; or what tests that leave the board whole could still
tell is worth less than the risk of harming it. Controller, NAND and connector are never lifted for a test: that is part
of a route, and the route is chosen by a person.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import NetKind, PartKind
from deadstick.board.explain import expect_after, sentence
from deadstick.board.kernels import BINS, information
from deadstick.board.models import DIE
from deadstick.board.odds import Diagnosis
from deadstick.board.predict import BINARY, Prediction, stacked
from deadstick.board.probing import Test, answered_by, candidate_tests, confirming, hidden_opens, injection, pads_test
from deadstick.board.readings import Kind, percent

Floats = NDArray[np.float64]

NEGLIGIBLE = 3e-5  # rows below this weight do not take part in planning


@dataclass(frozen=True, slots=True)
class Costs:
    """What steps cost beyond the minutes of the work, in minutes.

    Attributes:
        certain: probability at which a verdict stands.
        least_bits: a test that tells less is not worth making.
        suspicion: guilt below which a part is not lifted to find out.
        power_up: the small risk of every power-up to data that a living controller may still change.
        through_nand: what input voltage on the NAND would cost.
        innocent: what an innocent part lifted costs: heat, lost pads, time to put it back.
        nand_route_chosen: whether the raw read was chosen. The NAND then comes off anyway, and may serve as a test.
    """

    certain: float = 0.985
    least_bits: float = 0.008
    suspicion: float = 0.2
    power_up: float = 2.0
    through_nand: float = 2000.0
    innocent: float = 300.0
    nand_route_chosen: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One test that could come next.

    Attributes:
        test: what to do.
        bits: expected information.
        minutes: of work.
        cost: minutes with risk and destruction.
        sentence: what to do and what the outcome means.
        after: for a lift, what to expect of the pads afterwards.
    """

    test: Test
    bits: float
    minutes: float
    cost: float
    sentence: str = ""
    after: str = ""

    @property
    def worth(self) -> float:
        """Bits per minute of cost."""
        return self.bits / self.cost


@dataclass(frozen=True, slots=True)
class Verdict:
    """Where testing ends.

    Attributes:
        parts: guilty parts; of several suspects that nothing tells apart, those of the most likely.
        probability: of these parts.
        suspects: other sets of parts that no test allowed here tells from these, with their probabilities.
        sentence: the verdict in words.
    """

    parts: tuple[str, ...]
    probability: float
    suspects: tuple[tuple[tuple[str, ...], float], ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do now: a test, a lift, or nothing more.

    Attributes:
        step: the best next test or lift; None when testing ends.
        verdict: when testing ends.
        others: the next best steps, best first.
    """

    step: Step | None
    verdict: Verdict | None
    others: tuple[Step, ...] = ()


def advise(diagnosis: Diagnosis, costs: Costs = Costs(), others: int = 4) -> Advice:
    """The next step for a board.

    Args:
        diagnosis: the board with all its readings.
        costs: the lab's weights.
        others: how many further steps to name.
    """
    suspects = diagnosis.odds().by_parts()
    chance = next(iter(suspects.values()))
    steps = rank(diagnosis, costs)
    probing = [step for step in steps if step.test.kind is not Kind.LIFTED]
    lifting = [step for step in steps if step.test.kind is Kind.LIFTED]
    guilty = _certain_lift(diagnosis, lifting, costs)
    doubt = _unconfirmed(diagnosis, probing) if guilty is not None or chance >= costs.certain else None
    if doubt is not None:
        return Advice(_explained(diagnosis, doubt), None, tuple(probing[:others]))
    if guilty is None and chance >= costs.certain:
        return Advice(None, _verdict(diagnosis, suspects, costs))
    options = [step for step in probing if step.bits >= costs.least_bits] + _lifts_to_try(diagnosis, lifting, costs)
    chosen = guilty or max(options, key=lambda step: step.worth, default=None)
    if chosen is None:
        return Advice(None, _verdict(diagnosis, suspects, costs))
    rest = sorted((step for step in options if step is not chosen), key=lambda step: -step.worth)
    return Advice(_explained(diagnosis, chosen), None, tuple(rest[:others]))


def rank(diagnosis: Diagnosis, costs: Costs = Costs()) -> list[Step]:
    """Every test that is still open with its information and cost, most bits per cost first.

    Tests that tell less than `costs.least_bits` come after all that tell more.
    """
    done = {(_as_proposed(diagnosis, answered_by(one)), one.removed) for one in diagnosis.readings}
    removed = diagnosis.removed
    tests = [test for test in _candidates(diagnosis, costs) if (test, removed) not in done]
    bits = expected_bits(diagnosis, tests)
    through = _chance_of_through(diagnosis)
    steps = []
    for test, gain in zip(tests, bits, strict=True):
        minutes = test.minutes(diagnosis.circuit, diagnosis.connected)
        steps.append(Step(test, float(gain), minutes, minutes + _risk(diagnosis, test, through, costs)))
    return sorted(steps, key=lambda step: (step.bits < costs.least_bits, -step.worth))


def _as_proposed(diagnosis: Diagnosis, test: Test) -> Test:
    """The test as it would be proposed: a drop under a gentler current than proposed need not be read again."""
    if test.supply is None or test.powers or test.kind is not Kind.DROP:
        return test
    usual = injection(diagnosis.circuit, diagnosis.circuit.net(diagnosis.circuit.net_of(test.supply.red)))
    gentler = usual is not None and (test.supply.red, test.supply.black) == (usual.red, usual.black)
    return replace(test, supply=usual) if gentler else test


def _candidates(diagnosis: Diagnosis, costs: Costs) -> Iterator[Test]:
    """All tests that may be made; the NAND is lifted for one only when its route is chosen."""
    yield from candidate_tests(diagnosis.circuit, diagnosis.removed)
    if costs.nand_route_chosen:
        for part in diagnosis.circuit.parts:
            if part.kind is PartKind.NAND and part.name not in diagnosis.removed:
                yield Test(Kind.LIFTED, (part.name,))


def expected_bits(diagnosis: Diagnosis, tests: Sequence[Test]) -> Floats:
    """float64[tests]: mutual information between guilty parts and reading, bits."""
    bits = np.zeros(len(tests))
    weights = diagnosis.row_weights()
    along: dict[str, list[int]] = {}  # drops along a net whose trees are followed
    plain: list[int] = []
    for number, test in enumerate(tests):
        net = diagnosis.circuit.net_of(test.supply.red) if test.kind is Kind.DROP and test.supply else ""
        (plain if diagnosis.tree_weights(net) is None else along.setdefault(net, [])).append(number)
    groups = diagnosis.hypotheses.parts_of_row
    bits[plain] = _bits(diagnosis, [tests[number] for number in plain], weights, groups)
    for net, numbers in along.items():
        known = diagnosis.tree_weights(net)
        if known is not None:
            odds, joint = known
            chosen = [tests[number] for number in numbers]
            prediction = stacked(odds.forecast(chosen, diagnosis.removed))
            bits[numbers] = _metric_bits(prediction, joint.ravel(), np.tile(groups[odds.rows], len(joint)))
    return bits


def _bits(diagnosis: Diagnosis, tests: Sequence[Test], weights: Floats, groups: NDArray[np.int64]) -> Floats:
    """Information of tests that do not depend on the trees of traces."""
    bits = np.zeros(len(tests))
    for binary in (False, True):
        columns = [number for number, test in enumerate(tests) if (test.kind in BINARY) is binary]
        if columns:
            prediction = diagnosis.forecast([tests[number] for number in columns])
            measure = _binary_bits if binary else _metric_bits
            bits[columns] = measure(prediction, weights, groups)
    return bits


def _metric_bits(prediction: Prediction, weights: Floats, groups: NDArray[np.int64]) -> Floats:
    """Information of tests that give a value."""
    active = np.flatnonzero(weights > NEGLIGIBLE)
    share = weights[active] / weights[active].sum()
    _, member = np.unique(groups[active], return_inverse=True)
    count = int(member.max()) + 1
    places, spreads = (np.ascontiguousarray(part[active]) for part in (prediction.places, prediction.spreads))
    bits = np.empty(places.shape[1])
    information(places, spreads, share, member.astype(np.int64), np.empty((count, BINS)), np.empty(count), bits)
    return bits


def _binary_bits(prediction: Prediction, weights: Floats, groups: NDArray[np.int64]) -> Floats:
    """Information of tests that answer yes or no."""
    count = int(groups.max()) + 1
    total = np.bincount(groups, weights, count)[:, None]
    yes = np.stack([np.bincount(groups, weights * chance, count) for chance in prediction.places.T], axis=1)
    joint = np.stack([yes, total - yes])  # [answer, group, test]
    mixture = joint.sum(axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(joint > 0, joint * np.log2(joint / (mixture * total)), 0.0)
    return np.asarray(np.maximum(terms.sum(axis=(0, 1)), 0.0))


def _chance_of_through(diagnosis: Diagnosis) -> float:
    """Probability that power at the plug would reach a rail that is not made for it."""
    through = np.array([fault.is_through for fault in diagnosis.hypotheses.faults])
    return float(diagnosis.row_weights()[through[diagnosis.hypotheses.fault_of_row]].sum())


def _risk(diagnosis: Diagnosis, test: Test, through: float, costs: Costs) -> float:
    if test.kind is Kind.LIFTED:
        nand = diagnosis.circuit.part(test.place[0]).kind is PartKind.NAND  # comes off anyway, or is not asked
        return 0.0 if nand else costs.innocent * (1 - diagnosis.odds().guilt(test.place[0]))
    if test.powers:
        return costs.power_up + costs.through_nand * through
    return 0.0


def _certain_lift(diagnosis: Diagnosis, lifting: Sequence[Step], costs: Costs) -> Step | None:
    """The lift of a part that is guilty beyond doubt: the repair itself."""
    odds = diagnosis.odds()
    sure = [step for step in lifting if odds.guilt(step.test.place[0]) >= costs.certain]
    return max(sure, key=lambda step: odds.guilt(step.test.place[0]), default=None)


def _lifts_to_try(diagnosis: Diagnosis, lifting: Sequence[Step], costs: Costs) -> list[Step]:
    """Lifts that could decide: of parts that stand under real suspicion themselves."""
    odds = diagnosis.odds()
    top = next(iter(odds.by_parts().values()))
    least = costs.suspicion if top >= costs.suspicion else 0.5 * top
    return [step for step in lifting if step.bits >= costs.least_bits and odds.guilt(step.test.place[0]) >= least]


def _unconfirmed(diagnosis: Diagnosis, probing: Sequence[Step]) -> Step | None:
    """A test that is owed before anybody acts: the pads after a lift, the drops that the pad of a short must show."""
    open_tests = {step.test: step for step in probing}
    return next((open_tests[test] for test in _owed(diagnosis) if test in open_tests), None)


def _owed(diagnosis: Diagnosis) -> Iterator[Test]:
    circuit, removed = diagnosis.circuit, diagnosis.removed
    # What the lifted part by itself was is no reading of its pads; nor need anybody have said what it was.
    lifts = [reading for reading in diagnosis.readings if reading.kind is Kind.LIFTED]
    if removed and all(reading.removed != removed or reading in lifts for reading in diagnosis.readings):
        last = next((one.place[0] for one in reversed(lifts) if one.place[0] in removed), max(removed))
        test = pads_test(circuit, last)
        if test is not None:
            yield test
    best = diagnosis.odds().best
    fault = diagnosis.hypotheses.faults[diagnosis.hypotheses.index(best.key)]
    if fault.joins and not removed:
        yield from hidden_opens(circuit)
    for join, spread in zip(fault.joins, fault.spreads, strict=True):
        pad = join[0].removesuffix(DIE)
        on_rail = circuit.net(circuit.net_of(pad)).kind is NetKind.POWER
        if on_rail and spread != "through" and pad.split(".", 1)[0] not in removed:
            yield from confirming(circuit, pad)


def _explained(diagnosis: Diagnosis, step: Step) -> Step:
    weights = diagnosis.row_weights()
    prediction = diagnosis.forecast([step.test])
    after = expect_after(diagnosis, step.test.place[0]) if step.test.kind is Kind.LIFTED else ""
    words = sentence(diagnosis, step.test, prediction, weights)
    return Step(step.test, step.bits, step.minutes, step.cost, words, after)


def _verdict(diagnosis: Diagnosis, suspects: dict[tuple[str, ...], float], costs: Costs) -> Verdict:
    (parts, chance), *others = suspects.items()
    near = tuple((names, share) for names, share in others if share >= 0.02) if chance < costs.certain else ()
    best = next(one for one in diagnosis.odds().chances if one.parts == parts)
    words = f"{best.text} ({percent(chance)})"
    if near:
        named = ", ".join(f"{' and '.join(names)} ({percent(share)})" for names, share in near)
        words += f"; no test that is allowed here tells it from {named}"
    return Verdict(parts, chance, near, words)
