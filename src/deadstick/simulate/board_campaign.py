"""Many dead boards, several ways of finding the fault, one table."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.board.advice import Costs, advise
from deadstick.board.circuit import PartKind
from deadstick.board.odds import Diagnosis
from deadstick.board.readings import Kind
from deadstick.simulate.bench_practice import Bench, capacitors_first, trail
from deadstick.simulate.boards import random_board

STEPS_AT_MOST = 80


@dataclass(frozen=True, slots=True)
class Record:
    """One board, one way of working.

    Attributes:
        seed: of the board.
        way: name of the way of working.
        tests: readings and lifts.
        minutes: of work.
        innocent: parts lifted that were not at fault.
        right: whether exactly the guilty parts were blamed.
        nand_heated: whether a NAND was lifted.
        fault: the truth, for reading the table.
    """

    seed: int
    way: str
    tests: int
    minutes: float
    innocent: int
    right: bool
    nand_heated: bool
    fault: str


def by_advice(bench: Bench) -> tuple[str, ...]:
    """Do what `advise` says until it gives a verdict; gives the parts it blames."""
    diagnosis = Diagnosis(bench.circuit)
    costs = Costs()
    for _ in range(STEPS_AT_MOST):
        advice = advise(diagnosis, costs, others=0)
        if advice.step is None:
            break
        diagnosis.add(bench.make(advice.step.test))
    return next(iter(diagnosis.odds().by_parts()))


WAYS: Mapping[str, Callable[[Bench], tuple[str, ...]]] = {
    "advice": by_advice,
    "trail following": trail,
    "trail following, milliohm meter": lambda bench: trail(bench, Kind.FOUR_WIRE),
    "capacitors first": capacitors_first,
}


def play(seed: int, way: str) -> Record:
    """Find the fault of one board in one way.

    Every way meets the same board: its own copy, drawn from the same seed.
    """
    bench = Bench(random_board(seed))
    blamed = WAYS[way](bench)
    nands = {part.name for part in bench.circuit.parts if part.kind is PartKind.NAND}
    return Record(
        seed,
        way,
        bench.tests,
        bench.minutes,
        len(bench.innocent),
        set(blamed) == set(bench.board.guilty),
        bool(nands & set(bench.lifted)),
        bench.board.truth,
    )


def table(records: Iterable[Record]) -> str:
    """The records summed up, as a Markdown table."""
    every = list(records)
    columns = ("Way", "Boards", "Tests, median / 95 %", "Minutes, median / 95 %", "Innocent parts lifted, mean / 95 %")
    lines = [f"| {' | '.join((*columns, 'Wrong verdicts', 'NAND heated'))} |", "|---|---|---|---|---|---|---|"]
    for way in dict.fromkeys(record.way for record in every):
        mine = [record for record in every if record.way == way]
        tests, minutes, innocent = (
            np.array([float(getattr(record, name)) for record in mine]) for name in ("tests", "minutes", "innocent")
        )
        wrong = sum(not record.right for record in mine)
        lines.append(
            f"| {way} | {len(mine)} | {_two(tests)} | {_two(minutes)} | "
            f"{innocent.mean():.3f} / {np.percentile(innocent, 95):.0f} | "
            f"{wrong} ({wrong / len(mine):.1%}) | {sum(record.nand_heated for record in mine)} |"
        )
    return "\n".join(lines)


def _two(values: NDArray[np.float64]) -> str:
    return f"{np.median(values):.0f} / {np.percentile(values, 95):.0f}"
