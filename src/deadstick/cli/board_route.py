"""`board route`: which way leads to the data."""

import math
from dataclasses import dataclass
from pathlib import Path

from deadstick.board.cautions import Step, cautions_for
from deadstick.board.odds import Diagnosis
from deadstick.board.readings import percent
from deadstick.board.route_figures import Route
from deadstick.board.route_files import default_text, learned, load_cases, load_figures
from deadstick.board.routes import Facts, choose, sites_of
from deadstick.cli import board_show
from deadstick.cli.board_bench import Bench, new_file, parse_answer
from deadstick.errors import HintError

STEPS = {
    Route.REPAIR: (Step.OPEN, Step.LIFT),
    Route.DONOR: (Step.OPEN, Step.LIFT_NAND),
    Route.RAW: (Step.OPEN, Step.LIFT_NAND),
    Route.STOP: (),
}
"""What each route asks of the bench, for the cautions."""


@dataclass(frozen=True, slots=True)
class RouteWords:
    """The words of the command."""

    encrypts: str | None
    donor: str | None
    worth: float
    figures: Path | None
    cases: Path | None


def route(board: Path | None, journal: Path | None, given: RouteWords, write_figures: Path | None) -> int:
    """Compare the routes, or write the figures to edit."""
    if write_figures is not None:
        new_file(write_figures, default_text().encode())
        board_show.line(f"{write_figures}: the shipped figures; edit them, and give --figures {write_figures}")
        return 0
    if not math.isfinite(given.worth):
        raise HintError(f"--worth {given.worth}: a number of hours is needed")
    if board is None:
        raise HintError("which board? Give its circuit file, or --write-figures FILE")
    figures = load_figures(given.figures)
    if given.cases is not None:
        figures = learned(figures, load_cases(given.cases))
    encrypts = None if given.encrypts is None else parse_answer(given.encrypts, "--encrypts")
    donor = None if given.donor is None else parse_answer(given.donor, "--donor")
    bench = Bench.open(board, journal)
    diagnosis: Diagnosis = bench.diagnosis()
    facts = Facts(sites_of(diagnosis.odds(), bench.circuit), encrypts, donor)
    board_show.line(
        "where the fault is: "
        + ", ".join(f"{site.value} {percent(chance)}" for site, chance in facts.sites.items() if chance > 5e-4)
    )
    choice = choose(figures, facts, given.worth)
    board_show.route(choice, figures.cases)
    if minded := cautions_for(STEPS[choice.first]):
        board_show.cautions(minded, sources=False)
    return 0
