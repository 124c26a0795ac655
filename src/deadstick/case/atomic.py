"""Files that are there whole or not at all, and a plain line when the disk is full."""

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from deadstick.errors import CaseError, DeadstickError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def write_atomic(path: Path, content: bytes) -> None:
    """Write a file so that a reader, or a run after a power cut, sees the old content or the new one.

    Args:
        path: the file; its folder exists. `.NAME.new` beside it is used and is gone afterwards.
        content: all of it.
    """
    fresh = path.with_name(f".{path.name}.new")
    try:
        with fresh.open("wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(path)
    except BaseException:
        fresh.unlink(missing_ok=True)
        raise


def publish(made: Path, place: Path) -> None:
    """Move a finished file or folder to its place, instead of what an earlier run left there.

    Args:
        made: a file or folder in the same file system.
        place: its final path.
    """
    if made.is_dir() and place.is_dir():
        shutil.rmtree(place)
    made.replace(place)


@contextmanager
def explained(folder: Path) -> Iterator[None]:
    """Turn an operating system's refusal to write into one line for a person.

    Args:
        folder: where the work is written; named when the error names no file.

    Raises:
        CaseError: a file could not be written or read, or the disk is full.
    """
    try:
        yield
    except DeadstickError:
        raise
    except (OSError, sqlite3.OperationalError) as error:
        raise CaseError(explain(error, folder)) from error


def explain(error: OSError | sqlite3.Error, folder: Path) -> str:
    """One line for an error of the operating system.

    >>> explain(OSError(errno.ENOSPC, "No space left on device"), Path("job-12"))
    'job-12: the disk is full; free some space and run the same command again to go on'
    """
    if isinstance(error, sqlite3.Error):
        if "full" in str(error):
            return _full(folder)
        return f"{folder / 'case.db'}: {error}"
    if error.errno in _FULL:
        return _full(folder)
    # `filename` is bytes where a C library was given bytes.
    name = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else str(folder)
    return f"{name}: {error.strerror or error}"


def refuse_full(problems: Iterable[str], folder: Path) -> None:
    """Raise if files could not be written for want of room, which is no property of the chip.

    Args:
        problems: what the file step met; it goes on after a file that could not be written.
        folder: the case folder.

    Raises:
        CaseError: the disk is full.
    """
    words = [os.strerror(code) for code in _FULL]
    if any(word in problem for problem in problems for word in words):
        raise CaseError(_full(folder))


def _full(folder: Path) -> str:
    return f"{folder}: the disk is full; free some space and run the same command again to go on"
