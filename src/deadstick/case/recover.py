"""The whole software half of one job: from a dump to files, a report and a result, in one case folder."""

from collections.abc import Sequence
from pathlib import Path

from deadstick.case.atomic import explained
from deadstick.case.engines import Engines
from deadstick.case.intake import Intake, check_folder, take_in
from deadstick.case.job import Job
from deadstick.case.outcome import storable
from deadstick.case.result import Result
from deadstick.case.store import CaseStore, InputRow
from deadstick.errors import CaseError, InputError
from deadstick.progress import Progress, silent
from deadstick.solve.evidence import Hints

NO_HINTS = Hints()


def recover(
    dumps: Sequence[Path],
    case_dir: Path,
    hints: Hints = NO_HINTS,
    progress: Progress = silent,
    *,
    engines: Engines | None = None,
) -> Result:
    """Do the whole job, or what an earlier run left to do.

    Args:
        dumps: one dump of one chip.
        case_dir: the case folder: new, empty, or of the same dump.
        hints: what is known already.
        progress: told about `hash`, the stages of the engines, `sectors` and `verify`.
        engines: what does the work; the program's own by default.

    Returns:
        What `result.json` holds.

    Raises:
        InputError: the dump cannot be used, or was changed while we worked.
        HintError: a hint contradicts the dump.
        CaseError: the folder cannot be used, or the disk is full.
    """
    path = _only(dumps)
    with explained(case_dir):
        known = check_folder(case_dir, (path,))
        intake = take_in(path, progress)
        with _record(case_dir, path, intake, known=known) as store:
            return Job(store, intake, hints, progress, engines).run()


def _only(dumps: Sequence[Path]) -> Path:
    if not dumps:
        raise InputError("no dump was given")
    if len(dumps) > 1:
        raise InputError(f"{len(dumps)} dumps were given; this version joins no dumps: give one read of one chip")
    return dumps[0]


def _record(folder: Path, path: Path, intake: Intake, *, known: bool) -> CaseStore:
    row = InputRow(0, 0, storable(str(path.resolve())), intake.dump.size, intake.sha256)
    if not known:
        return CaseStore.create(folder, [row])
    store = CaseStore.open(folder)
    if [found.sha256 for found in store.inputs()] != [intake.sha256]:
        store.close()
        raise CaseError(f"{folder}: this case is about another dump (its SHA-256 differs from that of {path})")
    return store
