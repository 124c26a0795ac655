"""One run on one case: which stages are left to do, and doing them.

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
from pathlib import Path
from typing import Any

from deadstick import __version__
from deadstick.case import engines as engine_room
from deadstick.case.assemble import assemble, payload
from deadstick.case.atomic import publish, refuse_full
from deadstick.case.chip_map import ChipFigures, chip_figures
from deadstick.case.engines import Engines, Rebuilt
from deadstick.case.intake import sha256_now
from deadstick.case.outcome import (
    disk_part,
    evidence_parts,
    file_part,
    storable,
    unless_hidden,
    unless_missing,
    volume_part,
)
from deadstick.case.reads import READS, VOTED, Inputs, JoinedChip, dump_of, notices_to_dicts
from deadstick.case.report import Sources, write_report
from deadstick.case.result import NAME as RESULT
from deadstick.case.result import FilePart, Result, Seconds
from deadstick.case.store import CaseStore, StageRow
from deadstick.case.tables import write_files_csv
from deadstick.errors import CaseError, DeadstickError, InputError
from deadstick.flash.dump import Dump
from deadstick.flash.notice import Notice
from deadstick.flash.reads import Chip, Plan
from deadstick.progress import Progress
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve.hints.hints import Hints
from deadstick.solve.library import library

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


@dataclass(frozen=True, slots=True)
class _Done:
    """What one stage made: its outputs are in `.work/` still, or need no moving."""

    payload: dict[str, Any]
    outputs: tuple[str, ...] = ()
    files: Iterable[tuple[bool, FilePart]] | None = None


def hints_dict(hints: Hints) -> dict[str, Any]:
    """The hints that were given, as plain values."""
    given: dict[str, Any] = {
        "page_bytes": hints.page_bytes,
        "spare_bytes": hints.spare_bytes,
        "pages_per_block": hints.pages_per_block,
        "recipe": toml.to_dict(hints.recipe) if hints.recipe else None,
        "code": hints.code.describe() if hints.code else None,
        "scrambler": hints.scrambler.describe() if hints.scrambler else None,
        "bit_order": hints.bit_order,
        "partial_recipe_sha256": hints.known.digest if hints.known else None,
    }
    return {key: value for key, value in given.items() if value is not None}


@dataclass
class Job:
    """One run on one case."""

    store: CaseStore
    inputs: Inputs
    hints: Hints
    progress: Progress
    engines: Engines | None
    _rebuilt: Rebuilt | None = None
    _dumps: tuple[Dump, ...] = ()
    _began: float = field(default_factory=time.monotonic)
    _earlier: float = 0.0

    @property
    def folder(self) -> Path:
        """The case folder."""
        return self.store.folder

    @property
    def work(self) -> Path:
        """Where unfinished outputs lie."""
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
        self._stage(READS, self._reads)
        solved = self._stage("solve", self._solve)
        if solved["outcome"] == "solved":
            self._save_recipe(solved["recipe"])
            self._stage("rebuild", self._rebuild)
            self._stage("image", self._image)
            self._stage("files", self._files)
        after = self._check_dump()
        self._stage("report", lambda: self._report(solved, after))
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
            if stage != READS and entry.name.startswith(VOTED):
                continue
            if entry.is_dir():
                shutil.rmtree(entry)
            else:
                entry.unlink()

    # The stages ---------------------------------------------------------------------------------------

    def _reads(self) -> _Done:
        """Which reads and data lines can be believed, and their vote, which lies in `.work/` until the end."""
        chips: list[dict[str, Any]] = []
        notices: list[Notice] = []
        outputs: list[str] = []
        for number, intakes in enumerate(self.inputs.chips):
            name = f"chip {number}" if len(self.inputs.chips) > 1 else ""
            self.progress("contacts", number, len(self.inputs.chips))
            joined = JoinedChip.of([intake.dump for intake in intakes], name)
            self.progress("contacts", number + 1, len(self.inputs.chips))
            if joined.needs_vote:
                vote = f"{VOTED}{number}.bin"
                joined.chip.write_vote(joined.found.plan, self.work / vote, self.progress)
                outputs.append(f"{WORK}/{vote}")
            chips.append(joined.found.plan.to_dict())
            notices += joined.found.notices
        return _Done({"chips": chips, "notices": notices_to_dicts(notices)}, tuple(outputs))

    def _solve(self) -> _Done:
        solution = self._engines.solve(self._given, self.hints, self.progress)
        if solution.recipe is not None and self.hints.library is not None:
            self._keep(self.hints.library, solution.recipe)
        payload = {
            "outcome": solution.outcome,
            "reason": solution.reason,
            "recipe": toml.to_dict(solution.recipe) if solution.recipe else None,
            "evidence": [part.model_dump() for part in evidence_parts(solution.findings)],
            "hints": hints_dict(self.hints),
            "version": __version__,
        }
        return _Done(payload)

    def _keep(self, folder: Path, recipe: Recipe) -> None:
        """Put a solved recipe into the library; one that cannot be written takes nothing from the case."""
        try:
            added = library.add(folder, [chip.array for chip in self._chips], recipe)
        except OSError as error:
            self.store.note("library not written", storable(f"{folder}: {error.strerror or error}"))
        else:
            self.store.note("library", storable(f"recipe added: {added}" if added else "nothing new to add"))

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
        rebuilt = self._disk()
        listing = self._engines.recover_files(rebuilt.disk, self.work, self.progress)
        refuse_full(listing.problems, self.folder)
        for name in (FILES, DELETED):
            (self.work / name).mkdir(exist_ok=True)
        blocks = rebuilt.block_table
        unreadable = [blocks.name(block) for block in blocks.unreadable]
        live = unless_hidden([file_part(record) for record in listing.files], unreadable)
        hidden = [notice["answer"] for notice in payload(self.store, READS)["notices"] if notice["hides"]]
        live = unless_missing(live, hidden)
        deleted = [file_part(record) for record in listing.deleted]
        write_files_csv(self.work / TABLE, live, deleted)
        figures = {
            "volumes": [volume_part(volume).model_dump() for volume in listing.volumes],
            "problems": [storable(problem) for problem in listing.problems],
        }
        found = [(False, part) for part in live] + [(True, part) for part in deleted]
        return _Done(figures, (FILES, DELETED, TABLE), found)

    def _report(self, solved: dict[str, Any], sha256_after: dict[tuple[int, int], str]) -> _Done:
        result, chip = assemble(self.store, solved, sha256_after, self._seconds()), payload(self.store, "rebuild")
        figures = ChipFigures.model_validate(chip) if chip else None
        cells = payload(self.store, "image").get("cells", [])
        write_report(self.folder / REPORT, Sources(result, self.store.journal(), figures, cells))
        result.save(self.folder)
        return _Done({}, (REPORT, RESULT))

    def _check_dump(self) -> dict[tuple[int, int], str]:
        """Prove that every dump is what it was before its first byte was interpreted; the SHA-256 of each now."""
        after: dict[tuple[int, int], str] = {}
        for chip, intakes in enumerate(self.inputs.chips):
            for read, intake in enumerate(intakes):
                path = intake.dump.path
                after[chip, read] = now = sha256_now(path, self.progress)
                if now != intake.sha256:
                    self.store.forget((READS, *STAGES))
                    raise InputError(
                        f"{path}: the file was changed while we read it; its SHA-256 is {now} now: start again"
                    )
                self.store.note("dump verified", storable(f"SHA-256 {now} before and after ({path.name})"))
        return after

    # Helpers ------------------------------------------------------------------------------------------

    @property
    def _engines(self) -> Engines:
        if self.engines is None:
            self.engines = engine_room.installed()
        return self.engines

    @property
    def _chips(self) -> tuple[Dump, ...]:
        """Each chip as one dump."""
        if not self._dumps:
            plans = payload(self.store, READS)["chips"]
            self._dumps = tuple(
                dump_of(
                    Chip([intake.dump for intake in intakes]),
                    Plan.from_dict(plan),
                    self.work / f"{VOTED}{number}.bin",
                )
                for number, (intakes, plan) in enumerate(zip(self.inputs.chips, plans, strict=True))
            )
        return self._dumps

    @property
    def _given(self) -> Dump | Sequence[Dump]:
        """What the engines take: one dump, or one of each chip."""
        return self._chips[0] if len(self._chips) == 1 else self._chips

    @property
    def _recipe(self) -> Recipe:
        row = self.store.stage("solve")
        if row is None:
            raise CaseError(f"{self.folder}: the record of the case has lost its recipe")
        return toml.from_dict(row.payload["recipe"])

    def _disk(self) -> Rebuilt:
        if self._rebuilt is None:
            saved = PageTable.load(self.folder / PAGES) if self.store.stage("rebuild") else None
            self._rebuilt = self._engines.rebuild(self._given, self._recipe, saved, self.progress)
        return self._rebuilt

    def _seconds(self) -> Seconds:
        rows = [row for name in (READS, *STAGES) if (row := self.store.stage(name))]
        total = self.inputs.seconds + self._earlier + time.monotonic() - self._began
        figures = {row.name: round(row.seconds, 3) for row in rows}
        return Seconds(hash=round(self.inputs.seconds, 3), total=round(total, 3), **figures)


def _ending(error: BaseException) -> tuple[str, str]:
    if isinstance(error, KeyboardInterrupt):
        return "run stopped", "by the user"
    if isinstance(error, DeadstickError | OSError | sqlite3.Error):
        return "run ended by an error", storable(str(error))
    return "run ended by a fault in the program", storable("".join(traceback.format_exception(error)))
