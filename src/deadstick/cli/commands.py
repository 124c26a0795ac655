"""What the commands do; each returns the exit status. Importing this loads the engines, see `main`."""

from collections.abc import Sequence
from pathlib import Path

from deadstick.case import engines
from deadstick.case.glance import glance
from deadstick.case.recover import recover as do_recover
from deadstick.cli import show
from deadstick.cli.demo import CASE, DUMP
from deadstick.cli.demo import demo as do_demo
from deadstick.cli.progress import shown
from deadstick.errors import HintError, InputError
from deadstick.flash.dump import Dump
from deadstick.recipe import toml
from deadstick.solve.evidence import Hints

SOLVED = 0
NOT_SOLVED = 4
FALSE_CLAIM = 1
"""The demonstration called a file exact that is not: a fault of this program."""


def hints(page_bytes: int | None, spare_bytes: int | None, pages_per_block: int | None, recipe: Path | None) -> Hints:
    """Options as hints; a recipe file is read and checked."""
    return Hints(page_bytes, spare_bytes, pages_per_block, toml.load(recipe) if recipe else None)


def recover(dumps: Sequence[Path], case: Path, given: Hints) -> int:
    """The whole job."""
    with shown() as progress:
        result = do_recover(dumps, case, given, progress)
    show.summary(result, case)
    return result.exit_status


def solve(dump: Path, given: Hints, *, explain: bool, save: Path | None) -> int:
    """The recipe alone."""
    if save is not None and save.exists():
        raise InputError(f"{save}: there is such a file already; choose a new name")
    opened = Dump.open(dump)
    with shown() as progress:
        found = engines.installed().solve(opened, given, progress)
    show.solution(found, explain=explain)
    if save is not None and found.recipe is not None:
        toml.save(found.recipe, save)
    return SOLVED if found.outcome == "solved" else NOT_SOLVED


def inspect(dump: Path, page_bytes: int | None, spare_bytes: int | None) -> int:
    """First figures."""
    if page_bytes is None and spare_bytes is not None:
        raise HintError("--spare-bytes tells nothing here without --page-bytes")
    whole = None if page_bytes is None else page_bytes + (spare_bytes or 0)
    with shown() as progress:
        look = glance(dump, whole, progress)
    show.first_figures(look)
    return 0


def demo(folder: Path, seed: int) -> int:
    """A simulated stick, recovered blind and compared with the truth."""
    with shown() as progress:
        result, compared = do_demo(folder, seed, progress)
    show.summary(result, folder / CASE)
    show.comparison(compared, folder / DUMP)
    return FALSE_CLAIM if compared.wrongly_exact else result.exit_status
