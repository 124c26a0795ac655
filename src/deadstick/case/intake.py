"""What comes in: the dump, its SHA-256, and the folder that may take the case."""

import hashlib
import time
from dataclasses import dataclass
from pathlib import Path

from deadstick.board.journal import BOARD
from deadstick.board.journal import NAME as BENCH_JOURNAL
from deadstick.errors import CaseError, InputError
from deadstick.flash.dump import Dump
from deadstick.progress import Progress

_CHUNK = 8 << 20
DATABASE = "case.db"
FRESH_DATABASE = ".case.db.new"


@dataclass(frozen=True, slots=True)
class Intake:
    """A dump that was accepted.

    Attributes:
        dump: mapped read-only.
        sha256: 64 hexadecimal digits, of the whole file, taken before any of its bytes was interpreted.
        seconds: what the hashing took.
    """

    dump: Dump
    sha256: str
    seconds: float


def take_in(path: Path, progress: Progress) -> Intake:
    """Open a dump and hash it.

    Args:
        path: the dump.
        progress: told about the stage `hash`, in bytes.

    Raises:
        InputError: the file cannot be used; the line names it and says why.
    """
    started = time.monotonic()
    dump = Dump.open(path)
    progress("hash", 0, dump.size)
    # The dump keeps its hash, so later steps that ask for it read nothing again.
    sha256 = dump.sha256
    progress("hash", dump.size, dump.size)
    return Intake(dump, sha256, time.monotonic() - started)


def sha256_now(path: Path, progress: Progress) -> str:
    """SHA-256 of a dump as it is on the medium now, read anew.

    Args:
        path: the dump.
        progress: told about the stage `verify`, in bytes.

    Raises:
        InputError: the file cannot be read any more.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            size = path.stat().st_size
            done = 0
            while chunk := stream.read(_CHUNK):
                digest.update(chunk)
                done += len(chunk)
                progress("verify", done, max(size, done))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    return digest.hexdigest()


def check_folder(folder: Path, dumps: tuple[Path, ...]) -> bool:
    """Find out whether a folder may hold the case; writes nothing.

    Args:
        folder: the case folder; it need not exist.
        dumps: the inputs, which must not lie where outputs will be written.

    Returns:
        Whether a case of ours is there already.

    Raises:
        CaseError: the folder is a file, holds something that is no case of ours, or would swallow a dump.
    """
    if folder.exists() and not folder.is_dir():
        raise CaseError(f"{folder}: this is a file; a case needs a folder")
    for dump in dumps:
        if folder.resolve() in dump.resolve().parents:
            raise CaseError(f"{folder}: the dump {dump.name} lies inside it; choose a folder apart from the dump")
    try:
        names = {entry.name for entry in folder.iterdir()} if folder.exists() else set()
    except OSError as error:
        raise CaseError(f"{folder}: {error.strerror}") from error
    # A run that was killed in its first moment leaves no more than an unfinished database.
    if DATABASE in names:
        return True
    # The work on the board comes before the dump, and its files may lie here already.
    if names - {FRESH_DATABASE, BENCH_JOURNAL, BOARD}:
        raise CaseError(f"{folder}: this folder has other files in it; a case needs a new or an empty folder")
    return False
