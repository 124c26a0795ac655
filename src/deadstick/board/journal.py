"""The journal of the bench: every reading with time, instrument, place, value and unit; lines are only added.

One JSON Lines file (one JSON object a line, UTF-8). Each line carries the SHA-256 of the line before it, so a line
that was changed, removed or put in later shows. That protects against slips and careless edits; whoever can rewrite
the whole file can also renew the chain, so keep the last line's hash elsewhere where that matters.

A wrong entry stays. A later line that strikes it says so, and readers leave both out of the odds.
"""

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deadstick.board.readings import Kind as ReadingKind
from deadstick.errors import InputError

NAME = "board-journal.jsonl"
"""Name of the file in a case folder; the case report shows it."""
BOARD = "board.toml"
"""Name of the circuit file that may lie beside it there."""
FIRST = "0" * 64
"""What the first line has for a line before it."""

Kind = Literal["reading", "evidence", "step", "remark", "strike"]


class Entry(BaseModel):
    """One line.

    Attributes:
        number: counts from 1.
        utc: when, ISO 8601 with its zone.
        kind: a reading; other evidence, such as a thermal picture; a step, such as a part lifted; a remark; the strike
            of an earlier line.
        what: what was measured or done, for instance "resistance, four-wire".
        place: where: pads, nets or parts.
        value: as measured; None where there is none, for instance for an overload.
        unit: of the value; SI symbols.
        instrument: with what; the answer to `*IDN?` where it was read by the program.
        by: who.
        note: anything else, in words.
        strikes: number of the line that this one strikes.
        details: what programs need to use the line; see `deadstick.board.observations`.
        previous: SHA-256 of the line before, without its line end.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    number: int = Field(ge=1)
    utc: str
    kind: Kind = "reading"
    what: str = Field(min_length=1)
    place: tuple[str, ...] = ()
    value: float | None = None
    unit: str = ""
    instrument: str = ""
    by: str = ""
    note: str = ""
    strikes: int | None = None
    details: dict[str, Any] = Field(default_factory=dict)
    previous: str = Field(pattern="^[0-9a-f]{64}$")

    def value_text(self) -> str:
        """Value and unit for a person.

        >>> Entry(number=1, utc="2026-05-04T10:00:00+00:00", what="resistance", value=0.25, unit="ohm",
        ...       previous=FIRST).value_text()
        '0.25 ohm'
        """
        if self.value is None:
            return ""
        if self.unit:
            return f"{self.value:.6g} {self.unit}"
        # A reading without a unit answers a question; of a part off the board: is it at fault?
        yes, no = ("faulty", "good") if self.what == ReadingKind.LIFTED.value else ("yes", "no")
        return yes if self.value > 0.5 else no


@dataclass(frozen=True, slots=True)
class Journal:
    """The lines of a journal file, oldest first, and where it lies."""

    path: Path
    entries: tuple[Entry, ...] = ()
    last: str = FIRST

    @classmethod
    def open(cls, path: Path) -> Self:
        """Read a journal and prove its chain; a file that is not there yet is an empty journal.

        Raises:
            InputError: the file cannot be read, a line is no entry, or the chain is broken.
        """
        try:
            raw = path.read_bytes() if path.exists() else b""
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {error.strerror}") from error
        if raw and not raw.endswith(b"\n"):
            raise InputError(f"{path}: the last line is cut off; complete it or take it away by hand")
        entries: list[Entry] = []
        last = FIRST
        for number, line in enumerate(raw.splitlines(), start=1):
            entry = _parse(path, number, line)
            if entry.number != number or entry.previous != last:
                raise InputError(f"{path}: line {number} does not follow from the line before it: a line was changed, "
                                 "removed or put in")  # fmt: skip
            entries.append(entry)
            last = hashlib.sha256(line).hexdigest()
        return cls(path, tuple(entries), last)

    def add(self, what: str, *, utc: datetime | None = None, **fields: Any) -> "Journal":
        """Append one line to the file, on the medium when this returns; the journal with it.

        Args:
            what: was measured or done.
            utc: when; now by default.
            fields: the other attributes of `Entry`.

        Raises:
            InputError: a field is unknown or impossible, or the file was changed since it was opened.
        """
        when = (utc or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")
        number = len(self.entries) + 1
        try:
            entry = Entry(number=number, utc=when, what=what, previous=self.last, **fields)
        except ValidationError as error:
            raise InputError(f"journal entry: {_first(error)}") from error
        line = json.dumps(entry.model_dump(mode="json", exclude_defaults=True), ensure_ascii=False, allow_nan=False)
        if Journal.open(self.path).last != self.last:
            raise InputError(f"{self.path}: somebody else added a line meanwhile; open it again")
        with self.path.open("ab") as stream:
            stream.write(line.encode() + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
        return Journal(self.path, (*self.entries, entry), hashlib.sha256(line.encode()).hexdigest())

    def strike(self, number: int, reason: str, *, by: str = "") -> "Journal":
        """Strike a line: it stays in the file, and counts no more.

        Raises:
            InputError: there is no such line, it is struck already, or it is a strike itself.
        """
        if not 1 <= number <= len(self.entries):
            raise InputError(f"{self.path}: there is no line {number}; it has {len(self.entries)}")
        if self.entries[number - 1].kind == "strike" or number in self.struck:
            raise InputError(f"{self.path}: line {number} is struck already, or strikes another")
        return self.add(f"line {number} is struck", kind="strike", strikes=number, note=reason, by=by)

    @property
    def struck(self) -> frozenset[int]:
        """Numbers of the lines that count no more."""
        return frozenset(entry.strikes for entry in self.entries if entry.strikes is not None)

    @property
    def standing(self) -> tuple[Entry, ...]:
        """The entries that count: neither struck nor strikes."""
        return tuple(entry for entry in self.entries if entry.kind != "strike" and entry.number not in self.struck)


@dataclass(frozen=True, slots=True)
class Row:
    """One entry as the report and the terminal show it; all text."""

    number: int
    time: str
    what: str
    place: str
    value: str
    instrument: str
    note: str
    struck: bool


def table(entries: Sequence[Entry], struck: frozenset[int] = frozenset()) -> list[Row]:
    """Entries as rows of text, times in UTC to the second."""
    return [
        Row(
            entry.number,
            entry.utc[:19].replace("T", " "),
            entry.what,
            ", ".join(entry.place),
            entry.value_text(),
            entry.instrument,
            "; ".join(part for part in (entry.note, f"by {entry.by}" if entry.by else "") if part),
            entry.number in struck,
        )
        for entry in entries
    ]


def _parse(path: Path, number: int, line: bytes) -> Entry:
    try:
        return Entry.model_validate_json(line)
    except ValidationError as error:
        raise InputError(f"{path}: line {number}: {_first(error)}") from error


def _first(error: ValidationError) -> str:
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    return f"{place}: {first['msg']}" if place else str(first["msg"])
