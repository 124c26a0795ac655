"""What the commands do; each returns the exit status. Importing this loads the engines, see `main`."""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from deadstick.case import engines
from deadstick.case.glance import glance
from deadstick.case.reads import finding_of, opened
from deadstick.case.recover import recover as do_recover
from deadstick.cli import show
from deadstick.cli.demo import CASE, DUMP
from deadstick.cli.demo import demo as do_demo
from deadstick.cli.progress import shown
from deadstick.errors import HintError, InputError
from deadstick.flash.dump import Dump
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve.hints.hints import Hints
from deadstick.solve.library import library

SOLVED = 0
NOT_SOLVED = 4
FALSE_CLAIM = 1
"""The demonstration called a file exact that is not: a fault of this program."""


def recover(dumps: Sequence[Path], case: Path, given: Hints) -> int:
    """The whole job."""
    with shown() as progress:
        result = do_recover(dumps, case, given, progress)
    show.summary(result, case)
    return result.exit_status


def solve(dumps: Sequence[Path], given: Hints, *, explain: bool, save: Path | None) -> int:
    """The recipe alone."""
    if save is not None and save.exists():
        raise InputError(f"{save}: there is such a file already; choose a new name")
    with shown() as progress, ExitStack() as stack:
        chips = [stack.enter_context(opened(dump, progress)) for dump in dumps]
        notices = [notice for _, noticed in chips for notice in noticed]
        given_dumps = chips[0][0] if len(chips) == 1 else [chip for chip, _ in chips]
        found = engines.installed().solve(given_dumps, given, progress)
        page_bytes = found.recipe.layout.page_bytes if found.recipe else None
        noticed = tuple(finding_of(notice, page_bytes) for notice in notices)
        found = replace(found, findings=(*noticed, *found.findings))
        if found.recipe is not None and given.library is not None:
            _keep(given.library, [chip for chip, _ in chips], found.recipe)
    show.solution(found, explain=explain)
    if not explain:
        show.notices(noticed)
    if save is not None and found.recipe is not None:
        toml.save(found.recipe, save)
    return SOLVED if found.outcome == "solved" else NOT_SOLVED


def _keep(folder: Path, chips: Sequence[Dump], recipe: Recipe) -> None:
    """Put a solved recipe into the library; a library that cannot be written takes nothing from the answer."""
    try:
        added = library.add(folder, [chip.array for chip in chips], recipe)
    except OSError as error:
        show.warning(f"the recipe could not be put into the library: {folder}: {error.strerror or error}")
    else:
        if added is not None:
            show.note("library", f"recipe added: {added}")


def inspect(dump: Path, page_bytes: int | None, spare_bytes: int | None) -> int:
    """First figures."""
    if page_bytes is None and spare_bytes is not None:
        raise HintError("--spare-bytes tells nothing here without --page-bytes")
    whole = None if page_bytes is None else page_bytes + (spare_bytes or 0)
    with shown() as progress:
        look = glance(dump, whole, progress)
    show.first_figures(look)
    show.notices([finding_of(notice, whole) for notice in look.notices])
    return 0


def demo(folder: Path, seed: int) -> int:
    """A simulated stick, recovered blind and compared with the truth."""
    with shown() as progress:
        result, compared = do_demo(folder, seed, progress)
    show.summary(result, folder / CASE)
    show.comparison(compared, folder / DUMP)
    return FALSE_CLAIM if compared.wrongly_exact else result.exit_status
