"""The whole software half of one job: from dumps to files, a report and a result, in one case folder."""

from collections.abc import Sequence
from pathlib import Path

from deadstick.case.atomic import explained
from deadstick.case.engines import Engines
from deadstick.case.intake import check_folder
from deadstick.case.job import Job
from deadstick.case.outcome import storable
from deadstick.case.reads import ChipPaths, Inputs, chips_of, take_all_in
from deadstick.case.result import Result
from deadstick.case.store import CaseStore, InputRow
from deadstick.errors import CaseError, InputError
from deadstick.progress import Progress, silent
from deadstick.solve.hints.hints import Hints

NO_HINTS = Hints()


def recover(
    dumps: Sequence[Path | Sequence[Path]],
    case_dir: Path,
    hints: Hints = NO_HINTS,
    progress: Progress = silent,
    *,
    engines: Engines | None = None,
) -> Result:
    """Do the whole job, or what an earlier run left to do.

    Args:
        dumps: for each chip its read, or its reads, also as one path joined by commas; chips in any order.
        case_dir: the case folder: new, empty, or of the same dumps.
        hints: what is known already.
        progress: told about `hash`, `contacts`, `vote`, the stages of the engines, `sectors` and `verify`.
        engines: what does the work; the program's own by default.

    Returns:
        What `result.json` holds.

    Raises:
        InputError: a dump cannot be used, or was changed while we worked.
        HintError: a hint contradicts the dump.
        CaseError: the folder cannot be used, or the disk is full.
    """
    chips = chips_of(dumps)
    with explained(case_dir):
        known = check_folder(case_dir, tuple(path for chip in chips for path in chip))
        inputs = take_all_in(chips, progress)
        _refuse_twins(inputs)
        with _record(case_dir, chips, inputs, known=known) as store:
            return Job(store, inputs, hints, progress, engines).run()


def _refuse_twins(inputs: Inputs) -> None:
    """Two chips are never alike to the last byte.

    Raises:
        InputError: one file was given as two chips.
    """
    seen: dict[str, tuple[int, Path]] = {}
    for number, chip in enumerate(inputs.chips):
        for intake in chip:
            first, path = seen.setdefault(intake.sha256, (number, intake.dump.path))
            if first != number:
                raise InputError(
                    f"{intake.dump.path}: the same bytes as {path}, but given as another chip; "
                    "reads of one chip are joined by commas"
                )


def _record(folder: Path, chips: Sequence[ChipPaths], inputs: Inputs, *, known: bool) -> CaseStore:
    rows = [
        InputRow(chip, read, storable(str(path.resolve())), intake.dump.size, intake.sha256)
        for chip, (paths, intakes) in enumerate(zip(chips, inputs.chips, strict=True))
        for read, (path, intake) in enumerate(zip(paths, intakes, strict=True))
    ]
    if not known:
        return CaseStore.create(folder, rows)
    store = CaseStore.open(folder)
    held = {(row.chip, row.read): row.sha256 for row in store.inputs()}
    if len(held) != len(rows):
        store.close()
        raise CaseError(f"{folder}: this case is about {len(held)} dumps, but {len(rows)} were given; give the same")
    for row in rows:
        if held.get((row.chip, row.read)) != row.sha256:
            store.close()
            raise CaseError(f"{folder}: this case is about another dump (its SHA-256 differs from that of {row.path})")
    return store
