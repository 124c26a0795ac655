"""The record of one case: inputs, runs, finished stages, files, and a journal to which lines are only added.

One SQLite file, `case.db`, held exclusively while a run works on it, so two runs cannot mix. Every change is one
transaction: after a power cut a stage is finished with all its figures, or it is not.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from deadstick.case.atomic import write_atomic
from deadstick.case.intake import DATABASE
from deadstick.case.result import FilePart
from deadstick.errors import CaseError

APPLICATION_ID = 0x44535443
"""Marks an SQLite file as a case of ours (`PRAGMA application_id`); the letters DSTC."""
USER_VERSION = 1

_SCHEMA = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {USER_VERSION};
CREATE TABLE inputs (
    chip INTEGER NOT NULL, read INTEGER NOT NULL,
    path TEXT NOT NULL, bytes INTEGER NOT NULL, sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    PRIMARY KEY (chip, read)
) STRICT;
CREATE TABLE runs (
    id INTEGER PRIMARY KEY, started TEXT NOT NULL, program_version TEXT NOT NULL, hints TEXT NOT NULL
) STRICT;
CREATE TABLE journal (
    id INTEGER PRIMARY KEY, utc TEXT NOT NULL, run INTEGER NOT NULL REFERENCES runs (id),
    event TEXT NOT NULL, detail TEXT NOT NULL
) STRICT;
CREATE TRIGGER journal_keeps BEFORE UPDATE ON journal BEGIN
    SELECT RAISE (ABORT, 'the journal is only added to');
END;
CREATE TRIGGER journal_stays BEFORE DELETE ON journal BEGIN
    SELECT RAISE (ABORT, 'the journal is only added to');
END;
CREATE TABLE stages (
    name TEXT PRIMARY KEY, run INTEGER NOT NULL REFERENCES runs (id), finished TEXT NOT NULL,
    seconds REAL NOT NULL, outputs TEXT NOT NULL, payload TEXT NOT NULL
) STRICT;
CREATE TABLE files (
    id INTEGER PRIMARY KEY, deleted INTEGER NOT NULL, path TEXT NOT NULL, state TEXT NOT NULL, record TEXT NOT NULL
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class InputRow:
    """One dump of the case: read number `read` of chip number `chip`."""

    chip: int
    read: int
    path: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class StageRow:
    """A finished stage.

    Attributes:
        name: of the stage.
        seconds: what it took.
        outputs: path in the case folder and bytes of each file that it wrote; -1 for a folder.
        payload: its figures.
    """

    name: str
    seconds: float
    outputs: dict[str, int]
    payload: dict[str, Any]


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One event: when, in which run, what."""

    utc: str
    run: int
    event: str
    detail: str


class CaseStore:
    """The record of the case in one folder. Make one with `create` or `open`; use it as a context manager."""

    def __init__(self, folder: Path, connection: sqlite3.Connection) -> None:
        self.folder = folder
        self._connection = connection
        self._run = 0

    @classmethod
    def create(cls, folder: Path, inputs: Iterable[InputRow]) -> "CaseStore":
        """Begin a case.

        Args:
            folder: made where it is missing; its `case.db` must not exist.
            inputs: the dumps that the case is about, for good.

        Raises:
            CaseError: there is a case already.
        """
        if (folder / DATABASE).exists():
            raise CaseError(f"{folder}: there is a case in this folder already")
        fresh = sqlite3.connect(":memory:", isolation_level=None)
        try:
            fresh.executescript(_SCHEMA)
            rows = [(row.chip, row.read, row.path, row.bytes, row.sha256) for row in inputs]
            fresh.executemany("INSERT INTO inputs VALUES (?, ?, ?, ?, ?)", rows)
            image = fresh.serialize()
        finally:
            fresh.close()
        folder.mkdir(parents=True, exist_ok=True)
        write_atomic(folder / DATABASE, image)
        return cls.open(folder)

    @classmethod
    def open(cls, folder: Path) -> "CaseStore":
        """Go on with a case; other processes are kept out until it is closed.

        Raises:
            CaseError: `case.db` is not ours, is of a newer version, or is in use by another run.
        """
        path = folder / DATABASE
        connection = None
        try:
            # `mode=rw` never makes a database where none is.
            connection = sqlite3.connect(
                f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=0, isolation_level=None
            )
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            found = connection.execute("PRAGMA application_id").fetchone()[0]
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            _check_ours(path, found, version)
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            if connection is not None:
                connection.close()
            raise CaseError(f"{path}: {_why_not(error)}") from error
        except BaseException:
            if connection is not None:
                connection.close()
            raise
        return cls(folder, connection)

    def close(self) -> None:
        """Let others in."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield self._connection
        except BaseException:
            # A full disk may have rolled back already.
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    # Inputs, runs, journal --------------------------------------------------------------------------

    def inputs(self) -> tuple[InputRow, ...]:
        """The dumps that the case is about, by chip and read."""
        rows = self._connection.execute("SELECT chip, read, path, bytes, sha256 FROM inputs ORDER BY chip, read")
        return tuple(InputRow(*row) for row in rows)

    def begin_run(self, program_version: str, hints: dict[str, Any]) -> None:
        """Note that the program was started on this case."""
        with self._transaction() as connection:
            cursor = connection.execute(
                "INSERT INTO runs (started, program_version, hints) VALUES (?, ?, ?)",
                (_now(), program_version, json.dumps(hints)),
            )
            self._run = int(cursor.lastrowid or 0)
            self._add(connection, "run started", f"deadstick {program_version}")

    def started(self) -> datetime:
        """When the first run on this case began, in UTC."""
        row = self._connection.execute("SELECT min(started) FROM runs").fetchone()
        return datetime.fromisoformat(row[0]) if row[0] else datetime.now(UTC)

    def note(self, event: str, detail: str = "") -> None:
        """Add a line to the journal."""
        with self._transaction() as connection:
            self._add(connection, event, detail)

    def journal(self) -> tuple[JournalRow, ...]:
        """All events, oldest first."""
        rows = self._connection.execute("SELECT utc, run, event, detail FROM journal ORDER BY id")
        return tuple(JournalRow(*row) for row in rows)

    def _add(self, connection: sqlite3.Connection, event: str, detail: str) -> None:
        connection.execute(
            "INSERT INTO journal (utc, run, event, detail) VALUES (?, ?, ?, ?)", (_now(), self._run, event, detail)
        )

    # Stages -----------------------------------------------------------------------------------------

    def stage(self, name: str) -> StageRow | None:
        """A finished stage; None where it is not finished, or an output of it is gone or has another length."""
        row = self._connection.execute(
            "SELECT name, seconds, outputs, payload FROM stages WHERE name = ?", (name,)
        ).fetchone()
        if row is None:
            return None
        found = StageRow(row[0], row[1], json.loads(row[2]), json.loads(row[3]))
        return found if all(self._is_there(path, size) for path, size in found.outputs.items()) else None

    def _is_there(self, name: str, size: int) -> bool:
        path = self.folder / name
        return path.is_dir() if size < 0 else path.is_file() and path.stat().st_size == size

    def finish(self, stage: StageRow, files: Iterable[tuple[bool, FilePart]] | None = None) -> None:
        """Note that a stage is finished, with its figures, in one step.

        Args:
            stage: what was finished; replaces an earlier row of that name.
            files: the files that were found, each with whether it was deleted; None leaves the list as it is.
        """
        with self._transaction() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO stages VALUES (?, ?, ?, ?, ?, ?)",
                (stage.name, self._run, _now(), stage.seconds, json.dumps(stage.outputs), json.dumps(stage.payload)),
            )
            if files is not None:
                connection.execute("DELETE FROM files")
                connection.executemany(
                    "INSERT INTO files (deleted, path, state, record) VALUES (?, ?, ?, ?)",
                    ((int(deleted), part.path, part.state, part.model_dump_json()) for deleted, part in files),
                )
            self._add(connection, f"{stage.name} finished", f"{stage.seconds:.1f} s")

    def forget(self, names: Iterable[str]) -> None:
        """Take stages as not finished, because what they were made from has changed."""
        with self._transaction() as connection:
            connection.executemany("DELETE FROM stages WHERE name = ?", [(name,) for name in names])

    def files(self, *, deleted: bool) -> list[FilePart]:
        """The files that were found, in the order in which they were found."""
        rows = self._connection.execute("SELECT record FROM files WHERE deleted = ? ORDER BY id", (int(deleted),))
        return [FilePart.model_validate_json(row[0]) for row in rows]


def _check_ours(path: Path, application_id: int, version: int) -> None:
    if application_id != APPLICATION_ID:
        raise CaseError(f"{path}: this is not a case of this program; choose another folder")
    if version != USER_VERSION:
        raise CaseError(f"{path}: version {version} of the case record; this program knows version {USER_VERSION}")


def _why_not(error: sqlite3.Error) -> str:
    if "locked" in str(error):
        return "another run is working on this case; wait for it to end"
    if isinstance(error, sqlite3.DatabaseError) and "not a database" in str(error):
        return "this is not a case of this program; choose another folder"
    return f"the case record cannot be used: {error}"


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
