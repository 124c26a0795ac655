"""The whole software half of one job: from a dump to files, a report and a result, in one case folder.

Each stage writes into `.work/` and moves what is finished to its place; then the record of the case says that
the stage is finished. A run that was stopped or killed therefore goes on after the last finished stage.
"""

import shutil
import sqlite3
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from deadstick import __version__
from deadstick.case import engines as engine_room
from deadstick.case.atomic import explained, publish, refuse_full
from deadstick.case.chip_map import ChipFigures, chip_figures
from deadstick.case.engines import Engines, Rebuilt
from deadstick.case.intake import Intake, check_folder, sha256_now, take_in
from deadstick.case.memory import peak_memory_bytes
from deadstick.case.outcome import disk_part, evidence_parts, file_part, judge, storable, volume_part
from deadstick.case.report import Sources, write_report
from deadstick.case.result import NAME as RESULT
from deadstick.case.result import (
    DiskPart,
    DumpPart,
    EvidencePart,
    FilePart,
    Result,
    Seconds,
    Status,
    VolumePart,
)
from deadstick.case.store import CaseStore, InputRow, StageRow
from deadstick.case.tables import write_files_csv
from deadstick.errors import CaseError, DeadstickError, InputError
from deadstick.progress import Progress, silent
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve.evidence import Hints

RECIPE = "recipe.toml"
PAGES = "pages.parquet"
IMAGE = "disk.img"
FILES = "files"
DELETED = "deleted"
TABLE = "files.csv"
REPORT = "report.html"
WORK = ".work"
STAGES = ("solve", "rebuild", "image", "files", "report")
_FOLDER = -1
NO_HINTS = Hints()


@dataclass(frozen=True, slots=True)
class _Done:
    """What one stage made: its outputs are in `.work/` still, or need no moving."""

    payload: dict[str, Any]
    outputs: tuple[str, ...] = ()
    files: Iterable[tuple[bool, FilePart]] | None = None


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
            return _Job(store, intake, hints, progress, engines).run()


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


def hints_dict(hints: Hints) -> dict[str, Any]:
    """The hints that were given, as plain values."""
    given: dict[str, Any] = {
        "page_bytes": hints.page_bytes,
        "spare_bytes": hints.spare_bytes,
        "pages_per_block": hints.pages_per_block,
        "recipe": toml.to_dict(hints.recipe) if hints.recipe else None,
    }
    return {key: value for key, value in given.items() if value is not None}


@dataclass
class _Job:
    """One run on one case."""

    store: CaseStore
    intake: Intake
    hints: Hints
    progress: Progress
    engines: Engines | None
    _rebuilt: Rebuilt | None = None
    _began: float = field(default_factory=time.monotonic)
    _earlier: float = 0.0

    @property
    def folder(self) -> Path:
        return self.store.folder

    @property
    def work(self) -> Path:
        return self.folder / WORK

    def run(self) -> Result:
        """All stages that are not finished; whatever ends the run is in the journal."""
        self.store.begin_run(__version__, hints_dict(self.hints))
        try:
            result = self._stages()
        except BaseException as error:
            # A full disk may refuse this line too; the first error is the one to tell.
            with suppress(sqlite3.Error):
                self.store.note(*_ending(error))
            raise
        self.store.note("run finished", f"{result.status}: {result.reason}")
        return result

    def _stages(self) -> Result:
        self._settle()
        if self.store.stage("report") and all(self.store.stage(name) for name in self._needed()):
            return Result.load(self.folder)
        solved = self._stage("solve", self._solve)
        if solved["outcome"] == "solved":
            self._save_recipe(solved["recipe"])
            self._stage("rebuild", self._rebuild)
            self._stage("image", self._image)
            self._stage("files", self._files)
        self._check_dump()
        self._stage("report", lambda: self._report(solved))
        shutil.rmtree(self.work, ignore_errors=True)
        return Result.load(self.folder)

    def _needed(self) -> tuple[str, ...]:
        solve = self.store.stage("solve")
        return STAGES if solve and solve.payload["outcome"] == "solved" else ("solve", "report")

    def _settle(self) -> None:
        """Decide whether an earlier answer of the solver stands."""
        row = self.store.stage("solve")
        if row is None:
            return
        given = hints_dict(self.hints)
        if row.payload["outcome"] == "solved":
            if given and given != row.payload["hints"]:
                raise CaseError(f"{self.folder}: this case is solved; choose a new folder to try other hints")
        elif given != row.payload["hints"] or row.payload["version"] != __version__:
            self.store.note("solving again", "other hints or another version of the program")
            self.store.forget(STAGES)

    def _stage(self, name: str, work: Callable[[], _Done]) -> dict[str, Any]:
        """The figures of a stage, which is done now unless an earlier run finished it."""
        if found := self.store.stage(name):
            self._earlier += found.seconds
            return found.payload
        self.store.forget(["report"])
        self._clean_work(name)
        began = time.monotonic()
        done = work()
        outputs = {output: self._publish(output) for output in done.outputs}
        self.store.finish(StageRow(name, time.monotonic() - began, outputs, done.payload), done.files)
        return done.payload

    def _publish(self, output: str) -> int:
        """Move an output to its place, unless it was written there; its size."""
        place = self.folder / output
        if (self.work / output).exists():
            publish(self.work / output, place)
        return _FOLDER if place.is_dir() else place.stat().st_size

    def _clean_work(self, stage: str) -> None:
        """Clear away what a killed run left, but for an image in the making, which is gone on with."""
        self.work.mkdir(exist_ok=True)
        for entry in self.work.iterdir():
            if stage == "image" and entry.name.startswith(IMAGE):
                continue
            if entry.is_dir():
                shutil.rmtree(entry)
            else:
                entry.unlink()

    # The stages ---------------------------------------------------------------------------------------

    def _solve(self) -> _Done:
        solution = self._engines.solve(self.intake.dump, self.hints, self.progress)
        payload = {
            "outcome": solution.outcome,
            "reason": solution.reason,
            "recipe": toml.to_dict(solution.recipe) if solution.recipe else None,
            "evidence": [part.model_dump() for part in evidence_parts(solution.findings)],
            "hints": hints_dict(self.hints),
            "version": __version__,
        }
        return _Done(payload)

    def _save_recipe(self, values: dict[str, Any]) -> None:
        """Write `recipe.toml` unless it is there: the record of the case is what counts."""
        place = self.folder / RECIPE
        if not place.exists():
            self.work.mkdir(exist_ok=True)
            toml.save(toml.from_dict(values), self.work / RECIPE)
            publish(self.work / RECIPE, place)

    def _rebuild(self) -> _Done:
        rebuilt = self._disk()
        rebuilt.page_table.save(self.work / PAGES)
        code = self._recipe.code
        figures = chip_figures(rebuilt.page_table, rebuilt.block_table, code.t if code else 0)
        return _Done(figures.model_dump(), (PAGES,))

    def _image(self) -> _Done:
        disk = self._disk().disk
        written = self._engines.write_image(disk, self.work / IMAGE, self.progress)
        part, cells = disk_part(disk, IMAGE, written.sha256, self.progress)
        return _Done({"disk": part.model_dump(), "cells": cells}, (IMAGE,))

    def _files(self) -> _Done:
        listing = self._engines.recover_files(self._disk().disk, self.work, self.progress)
        refuse_full(listing.problems, self.folder)
        for name in (FILES, DELETED):
            (self.work / name).mkdir(exist_ok=True)
        live = [file_part(record) for record in listing.files]
        deleted = [file_part(record) for record in listing.deleted]
        write_files_csv(self.work / TABLE, live, deleted)
        payload = {
            "volumes": [volume_part(volume).model_dump() for volume in listing.volumes],
            "problems": [storable(problem) for problem in listing.problems],
        }
        found = [(False, part) for part in live] + [(True, part) for part in deleted]
        return _Done(payload, (FILES, DELETED, TABLE), found)

    def _report(self, solved: dict[str, Any]) -> _Done:
        result, chip = self._result(solved), self._payload("rebuild")
        figures = ChipFigures.model_validate(chip) if chip else None
        cells = self._payload("image").get("cells", [])
        write_report(self.folder / REPORT, Sources(result, self.store.journal(), figures, cells))
        result.save(self.folder)
        return _Done({}, (REPORT, RESULT))

    def _check_dump(self) -> None:
        """Prove that the dump is what it was before its first byte was interpreted."""
        path = self.intake.dump.path
        after = sha256_now(path, self.progress)
        if after == self.intake.sha256:
            self.store.note("dump verified", f"SHA-256 {after} before and after")
            return
        self.store.forget(STAGES)
        raise InputError(f"{path}: the file was changed while we read it; its SHA-256 is {after} now: start again")

    # Helpers ------------------------------------------------------------------------------------------

    @property
    def _engines(self) -> Engines:
        if self.engines is None:
            self.engines = engine_room.installed()
        return self.engines

    @property
    def _recipe(self) -> Recipe:
        row = self.store.stage("solve")
        if row is None:
            raise CaseError(f"{self.folder}: the record of the case has lost its recipe")
        return toml.from_dict(row.payload["recipe"])

    def _disk(self) -> Rebuilt:
        if self._rebuilt is None:
            saved = PageTable.load(self.folder / PAGES) if self.store.stage("rebuild") else None
            self._rebuilt = self._engines.rebuild(self.intake.dump, self._recipe, saved, self.progress)
        return self._rebuilt

    def _result(self, solved: dict[str, Any]) -> Result:
        files, deleted = self.store.files(deleted=False), self.store.files(deleted=True)
        image, scan = self._payload("image"), self._payload("files")
        volumes = [VolumePart.model_validate(volume) for volume in scan.get("volumes", [])]
        problems: list[str] = scan.get("problems", [])
        status, reason = Status.UNSOLVED, str(solved["reason"])
        if solved["outcome"] == "solved":
            status, reason = judge(volumes, files, problems)
        else:
            status = Status(solved["outcome"])
        return Result(
            program_version=__version__,
            status=status,
            reason=reason,
            started=self.store.started(),
            finished=datetime.now(UTC),
            dumps=[
                DumpPart(path=row.path, bytes=row.bytes, sha256=row.sha256, sha256_after=self.intake.sha256)
                for row in self.store.inputs()
            ],
            hints=solved["hints"],
            recipe=solved["recipe"],
            evidence=[EvidencePart.model_validate(part) for part in solved["evidence"]],
            disk=DiskPart.model_validate(image["disk"]) if image else None,
            volumes=volumes,
            files=files,
            deleted=deleted,
            problems=problems,
            seconds=self._seconds(),
            peak_memory_bytes=peak_memory_bytes(),
        )

    def _payload(self, name: str) -> dict[str, Any]:
        row = self.store.stage(name)
        return row.payload if row else {}

    def _seconds(self) -> Seconds:
        rows = [row for name in STAGES if (row := self.store.stage(name))]
        total = self.intake.seconds + self._earlier + time.monotonic() - self._began
        figures = {row.name: round(row.seconds, 3) for row in rows}
        return Seconds(hash=round(self.intake.seconds, 3), total=round(total, 3), **figures)


def _ending(error: BaseException) -> tuple[str, str]:
    if isinstance(error, KeyboardInterrupt):
        return "run stopped", "by the user"
    if isinstance(error, DeadstickError | OSError | sqlite3.Error):
        return "run ended by an error", storable(str(error))
    return "run ended by a fault in the program", storable("".join(traceback.format_exception(error)))
