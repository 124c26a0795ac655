"""The result of one case: what `result.json` holds, and which exit status it stands for."""

from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deadstick.case.atomic import write_atomic
from deadstick.errors import CaseError
from deadstick.files.records import FileState

SCHEMA_VERSION = 1
NAME = "result.json"


class Status(StrEnum):
    """How a case ended."""

    RECOVERED = "recovered"
    """There is a recipe, a volume was read, and every live file is exact."""
    PARTIAL = "partial"
    """There is a recipe, but not every live file is exact; the reason counts them."""
    UNSOLVED = "unsolved"
    """No recipe could be proven."""
    ENCRYPTED = "encrypted"
    """The code decodes, but what it protects is indistinguishable from a cipher's output."""
    UNREADABLE = "unreadable"
    """The dump holds nothing that could be decoded, such as an erased chip."""


EXIT_STATUS = {
    Status.RECOVERED: 0,
    Status.PARTIAL: 3,
    Status.UNSOLVED: 4,
    Status.ENCRYPTED: 4,
    Status.UNREADABLE: 4,
}
"""Exit status of the program for each end of a case; wrong use or unusable input is 2."""


class _Part(BaseModel):
    # A reader of an older or newer minor version keeps what it does not know.
    model_config = ConfigDict(extra="allow", frozen=True)


class DumpPart(_Part):
    """One input: a dump, and the proof that it was left alone."""

    path: str
    bytes: int
    sha256: str
    sha256_after: str = Field(description="of the same file when the work was done; always equal to `sha256`")
    chip: int = Field(0, description="which chip of the job, from 0")
    read: int = Field(0, description="which read of that chip, from 0")


class RivalPart(_Part):
    """A hypothesis that lost; the chance is that of an accident, as for the answer, empty where none is stated."""

    answer: str
    figure: str
    chance: str = ""
    log10_chance: float | None = None


class EvidencePart(_Part):
    """One question answered, and the figure that speaks for the answer."""

    question: str
    answer: str
    figure: str
    chance: str
    log10_chance: float | None
    rivals: list[RivalPart] = []
    meaning: str = Field("", description="what the figure would be if the answer were wrong")


class DiskPart(_Part):
    """The rebuilt disk; the four counts add up to `sectors`."""

    path: str
    bytes: int
    sha256: str
    sectors: int
    sectors_exact: int
    sectors_doubtful: int
    sectors_lost: int
    sectors_unwritten: int


class VolumePart(_Part):
    """One file system on the disk."""

    index: int
    kind: str
    label: str
    first_sector: int
    sectors: int
    evidence: list[str] = []


class FilePart(_Part):
    """One file: its path on the volume, and how far its bytes are proven."""

    path: str
    bytes: int
    sha256: str
    state: FileState
    reason: str
    modified: datetime | None = None
    lost_ranges: list[tuple[int, int]] = []


class Seconds(_Part):
    """Seconds of work per stage; a stage that an earlier run finished keeps its figure."""

    hash: float = 0.0
    reads: float = 0.0
    solve: float = 0.0
    rebuild: float = 0.0
    image: float = 0.0
    files: float = 0.0
    report: float = 0.0
    total: float = 0.0


class Result(_Part):
    """What `result.json` holds."""

    schema_version: Literal[1] = 1
    program: str = "deadstick"
    program_version: str
    status: Status
    reason: str
    started: datetime
    finished: datetime
    dumps: list[DumpPart]
    hints: dict[str, Any] = {}
    recipe: dict[str, Any] | None
    evidence: list[EvidencePart]
    disk: DiskPart | None = None
    volumes: list[VolumePart] = []
    files: list[FilePart] = []
    deleted: list[FilePart] = []
    problems: list[str] = []
    seconds: Seconds
    peak_memory_bytes: int

    @property
    def exit_status(self) -> int:
        """The exit status of the program that this result stands for."""
        return EXIT_STATUS[self.status]

    def save(self, folder: Path) -> Path:
        """Write `result.json` in one step: it is there whole or not at all."""
        path = folder / NAME
        write_atomic(path, self.model_dump_json(indent=1).encode() + b"\n")
        return path

    @classmethod
    def load(cls, folder: Path) -> "Result":
        """Read `result.json`.

        Raises:
            CaseError: there is none, or it is not one of ours.
        """
        path = folder / NAME
        try:
            return cls.model_validate_json(path.read_bytes())
        except OSError as error:
            raise CaseError(f"{path}: {error.strerror}") from error
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"]) or "the file"
            raise CaseError(f"{path}: not a result of this program: {place}: {first['msg']}") from error
