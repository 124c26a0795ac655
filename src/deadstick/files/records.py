"""What the file step says: volumes, files, their states and where their bytes lie."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

HOLE = -1
"""`SectorRun.first_sector` of a run that the file system defines as zeros and stores nowhere."""

Progress = Callable[[int, int, str], None]
"""Called as `progress(bytes_done, bytes_total, path)` while files are read."""


class FileState(StrEnum):
    """How far the bytes of a file are proven."""

    EXACT = "exact"
    """Every sector, and every table entry that placed it, is proven, and the content does not object."""
    DOUBTFUL = "doubtful"
    """All bytes are there, but something that placed or filled them is not proven."""
    DAMAGED = "damaged"
    """Some bytes are known to be lost; `FileRecord.lost_ranges` says which."""


@dataclass(frozen=True)
class SectorRun:
    """Sectors of the disk that follow each other, counted from the start of the disk; see `HOLE`."""

    first_sector: int
    count: int


@dataclass(frozen=True)
class FileRecord:
    """One file as found.

    Times are those that the volume holds: FAT stores local time of an unnamed zone, so they are naive there;
    exFAT, NTFS and ext times are in UTC and say so (`tzinfo`). `runs` lists the sectors in file order, up to
    the end of the file; it is empty where the content lies inside a file record or was overwritten.
    """

    path: str
    """POSIX, relative, as on the volume; with several volumes it starts with `volume-1/` and so on."""
    size: int
    sha256: str
    """Of the content as recovered; empty where no content is left to hash."""
    state: FileState
    reason: str
    """One line for a person, also for an exact file."""
    modified: datetime | None = None
    created: datetime | None = None
    accessed: datetime | None = None
    runs: tuple[SectorRun, ...] = ()
    lost_ranges: tuple[tuple[int, int], ...] = ()
    """Byte ranges `(first, end)` of the file, end excluded, that lie in lost sectors or are missing."""
    deleted: bool = False


@dataclass(frozen=True)
class Volume:
    """One file system and where it lies."""

    index: int
    kind: str
    """`FAT12`, `FAT16`, `FAT32`, `exFAT`, `NTFS`, `ext2`, `ext3` or `ext4`."""
    first_sector: int
    sectors: int
    label: str = ""
    evidence: tuple[str, ...] = ()
    """Facts found that speak for the volume: copies that agree, checksums that fit."""


@dataclass(frozen=True)
class Listing:
    """All that was found on a disk. Whatever was skipped is told in `problems`; nothing is skipped in silence."""

    volumes: tuple[Volume, ...] = ()
    files: tuple[FileRecord, ...] = ()
    deleted: tuple[FileRecord, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class Extent:
    """`length` bytes of a file from `file_offset` on, at byte `disk_offset` of the disk (`HOLE`: zeros)."""

    file_offset: int
    disk_offset: int
    length: int


@dataclass(frozen=True)
class Found:
    """A file as a volume reader hands it over: placed, not yet read and not yet judged.

    `doubts` are phrases, each a reason why the file cannot be exact whatever its sectors say. `extents` may
    stop short of `size`: the rest is missing, and `missing` says why. `inline` holds content that lies in no
    sectors of its own (inside a file record, or packed), with the state already told in `doubts`.
    """

    path: str
    size: int
    extents: tuple[Extent, ...] = ()
    inline: bytes | None = None
    doubts: tuple[str, ...] = ()
    missing: str = ""
    modified: datetime | None = None
    created: datetime | None = None
    accessed: datetime | None = None
    deleted: bool = False
