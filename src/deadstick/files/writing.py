"""Safe places for recovered files: no name of a damaged or hostile volume may lead outside its folder."""

import hashlib
import os
import unicodedata
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from deadstick.files.records import HOLE, Found
from deadstick.rebuild.disk_protocol import Disk

PIECE = 1 << 20
_MAX_NAME_BYTES = 200  # room for a number and an extension below the 255 bytes of common file systems
_FORBIDDEN = frozenset('<>:"|?*\\/')
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", *(f"com{i}" for i in range(1, 10)), *(f"lpt{i}" for i in range(1, 10))]
)


def safe_name(name: str) -> str:
    r"""One path component that every common system takes.

    >>> safe_name(".."), safe_name("a/b:c"), safe_name("NUL.txt"), safe_name("tune\x00.")
    ('_', 'a_b_c', '_NUL.txt', 'tune_')
    """
    shown = "".join("_" if c in _FORBIDDEN or unicodedata.category(c) in ("Cc", "Cs") else c for c in name).rstrip(". ")
    shown = shown or "_"
    if shown.split(".", 1)[0].strip().lower() in _RESERVED:
        shown = "_" + shown
    return _shorten(shown)


def _shorten(name: str) -> str:
    if len(name.encode()) <= _MAX_NAME_BYTES:
        return name
    stem, dot, extension = name.rpartition(".")
    if not stem or len(extension.encode()) > 20:
        stem, dot, extension = name, "", ""
    room = _MAX_NAME_BYTES - len((dot + extension).encode())
    return stem.encode()[:room].decode("utf-8", "ignore") + dot + extension


def safe_path(root: Path, path: str) -> Path:
    """`path` of a volume below `root`, component by component; empty components vanish."""
    parts = [safe_name(part) for part in path.split("/") if part]
    return root.joinpath(*(parts or ["_"]))


def numbered(path: Path, number: int) -> Path:
    """`name (2).txt` for `name.txt`; number 1 is the path itself."""
    return path if number == 1 else path.with_name(f"{path.stem} ({number}){path.suffix}")


def pieces(disk: Disk, file: Found) -> Iterator[bytes]:
    """The content of a file, in pieces; a gap between its extents reads as zeros."""
    if file.inline is not None:
        yield file.inline
        return
    done = 0
    for extent in file.extents:
        yield from _zeros(extent.file_offset - done)
        for at in range(0, extent.length, PIECE):
            count = min(PIECE, extent.length - at)
            if extent.disk_offset == HOLE:
                yield bytes(count)
            else:
                yield disk.read(extent.disk_offset + at, count).ljust(count, b"\0")
        done = extent.file_offset + extent.length


def _zeros(count: int) -> Iterator[bytes]:
    while count > 0:
        yield bytes(min(count, PIECE))
        count -= PIECE


class Writer:
    """Writes files below one folder and never over a file with other content."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._taken: set[str] = set()

    def write(self, disk: Disk, file: Found) -> tuple[Path, str]:
        """Write one file; returns where it lies and its SHA-256."""
        wanted = safe_path(self._root, file.path)
        wanted = self._free_folder(wanted)
        wanted.parent.mkdir(parents=True, exist_ok=True)
        # Beside the root, where no recovered name can stand; a run that was killed leaves it to the next.
        part = self._root.with_name(f".{self._root.name}.part")
        digest = hashlib.sha256()
        with part.open("wb") as out:
            for piece in pieces(disk, file):
                digest.update(piece)
                out.write(piece)
        place = self._place(wanted, digest.hexdigest())
        part.replace(place)
        self._taken.add(_key(place))
        _set_times(place, file)
        return place, digest.hexdigest()

    def _place(self, wanted: Path, sha256: str) -> Path:
        """The first numbered name that is free, or holds the very same content from an earlier run."""
        number = 1
        while True:
            place = numbered(wanted, number)
            if _key(place) not in self._taken:
                if not os.path.lexists(place):
                    return place
                if place.is_file() and not place.is_symlink() and file_sha256(place) == sha256:
                    return place
            number += 1

    def _free_folder(self, wanted: Path) -> Path:
        """Move a file whose folder's name is taken by a file: `a` and `a/b` cannot both be."""
        parts = wanted.relative_to(self._root).parts
        here = self._root
        for part in parts[:-1]:
            number = 1
            while (step := numbered(here / part, number)).is_symlink() or (step.exists() and not step.is_dir()):
                number += 1
            here = step
        return here / parts[-1]


def _key(path: Path) -> str:
    """Names that differ in case or composition alone are one file on some systems."""
    return unicodedata.normalize("NFC", str(path)).casefold()


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _set_times(path: Path, file: Found) -> None:
    """Give the file its own modification time; naive times are taken as UTC, so runs give the same result."""
    if file.modified is None:
        return
    moment = file.modified if file.modified.tzinfo else file.modified.replace(tzinfo=UTC)
    stamp = (moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    with suppress(OSError, OverflowError):  # a time that this system cannot hold changes no content
        os.utime(path, (stamp, stamp))
