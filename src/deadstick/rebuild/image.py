"""The disk as an image file: sparse, hashed along the way, whole or not there, and able to go on after a kill."""

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import BinaryIO

import numpy as np

from deadstick.errors import CaseError
from deadstick.progress import Progress, silent
from deadstick.rebuild.disk_protocol import Disk
from deadstick.rebuild.parallel import in_order

CHUNK_BYTES = 4 << 20
"""Disk bytes that one worker decodes at a time."""
HOLE_BYTES = 4096
"""Aligned runs of zeros of this length become holes: the block size of most file systems."""
CHECKPOINT_SECONDS = 5.0
"""At most about this much work is lost to a kill."""


@dataclass(frozen=True, slots=True)
class WrittenImage:
    """An image that is complete.

    Attributes:
        path: of the image.
        size: its bytes, holes included.
        sha256: of the whole image, holes read as zeros.
        resumed_from: bytes that an earlier, killed run had finished.
    """

    path: Path
    size: int
    sha256: str
    resumed_from: int


def write_image(
    disk: Disk, path: Path, progress: Progress = silent, *, resume: bool = True, identity: str | None = None
) -> WrittenImage:
    """Write a disk as a sparse image file.

    The image grows as `PATH.partial`, with the bytes that are safely stored noted in `PATH.partial.json`, and gets
    its name when it is whole. A run over the same disk goes on from that note.

    Args:
        disk: what to write; `read` is called from several threads.
        path: of the image; replaced if it exists.
        progress: told `("image", bytes done, bytes)`.
        resume: go on with a partial image of the same disk; otherwise start over.
        identity: names the content of the disk; None for `disk.identity`, where it has one. A disk without a name
            is always written from the start.

    Raises:
        CaseError: the file cannot be written; the message says so if the file system is full.
    """
    name = identity or str(getattr(disk, "identity", ""))
    writer = _Writer(path, disk.size, name)
    with _clear_errors(path, lambda: writer.position, disk.size):
        start = writer.open(resume=resume and bool(name))

        def work(offset: int) -> bytes:
            return disk.read(offset, CHUNK_BYTES)

        try:
            for data in in_order(work, range(start, disk.size, CHUNK_BYTES)):
                writer.append(data)
                progress("image", writer.position, disk.size)
            writer.finish()
        finally:
            writer.close()
    return WrittenImage(path, disk.size, writer.digest.hexdigest(), start)


class _Writer:
    """A partial image, its note, and the hash of what is in it."""

    def __init__(self, path: Path, size: int, identity: str) -> None:
        self.path, self.size, self.identity = path, size, identity
        self.partial = path.with_name(path.name + ".partial")
        self.note = path.with_name(path.name + ".partial.json")
        self.digest = hashlib.sha256()
        self.position = 0
        self._file: BinaryIO | None = None
        self._saved = monotonic()

    @property
    def file(self) -> BinaryIO:
        if self._file is None:
            raise ValueError("the image is not open")
        return self._file

    def open(self, *, resume: bool) -> int:
        """Open the partial image; returns the bytes that it already holds for good."""
        done = self._noted() if resume else 0
        if done == 0:
            self.note.unlink(missing_ok=True)
        self._file = self.partial.open("r+b" if done else "w+b")
        self.file.truncate(self.size)
        while self.position < done:
            data = self.file.read(min(CHUNK_BYTES, done - self.position))
            self.digest.update(data)
            self.position += len(data)
        return done

    def append(self, data: bytes) -> None:
        for offset, run in _nonzero_runs(data):
            self.file.seek(self.position + offset)
            self.file.write(run)
        self.digest.update(data)
        self.position += len(data)
        if monotonic() - self._saved >= CHECKPOINT_SECONDS:
            self.save()

    def save(self) -> None:
        """Make what was written safe, then say so: in this order, so the note never promises too much."""
        self.file.flush()
        os.fsync(self.file.fileno())
        text = json.dumps({"identity": self.identity, "size": self.size, "done": self.position})
        temporary = self.note.with_name(self.note.name + ".new")
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(self.note)
        self._saved = monotonic()

    def finish(self) -> None:
        self.file.flush()
        os.fsync(self.file.fileno())
        self.close()
        self.partial.replace(self.path)
        self.note.unlink(missing_ok=True)

    def close(self) -> None:
        if self._file is not None:
            self._file.close()

    def _noted(self) -> int:
        """Bytes that the note vouches for; 0 where there is no note on this very disk."""
        try:
            note = json.loads(self.note.read_text(encoding="utf-8"))
            stored = self.partial.stat().st_size
        except (OSError, ValueError):
            return 0  # no earlier run, or one that was killed before its first note: start from the beginning
        if not isinstance(note, dict) or (note.get("identity"), note.get("size")) != (self.identity, self.size):
            return 0
        done = note.get("done")
        return done if isinstance(done, int) and 0 <= done <= self.size and stored == self.size else 0


def _nonzero_runs(data: bytes) -> Iterator[tuple[int, memoryview]]:
    """The stretches of a chunk that are not holes, with their offsets."""
    view = memoryview(data)
    whole = len(data) // HOLE_BYTES
    words = np.frombuffer(data, np.uint64, whole * (HOLE_BYTES // 8)).reshape(whole, HOLE_BYTES // 8)
    filled = np.append(words.any(axis=1), any(view[whole * HOLE_BYTES :]))
    edges = np.flatnonzero(np.diff(filled.astype(np.int8), prepend=0, append=0))
    for first, last in edges.reshape(-1, 2).tolist():
        yield first * HOLE_BYTES, view[first * HOLE_BYTES : min(last * HOLE_BYTES, len(data))]


@contextmanager
def _clear_errors(path: Path, position: Callable[[], int], size: int) -> Iterator[None]:
    try:
        yield
    except CaseError:
        raise
    except OSError as error:
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            raise CaseError(
                f"{path}: the disk is full after {position()} of {size} bytes; make room and start again, "
                "the run goes on where it stopped"
            ) from error
        raise CaseError(f"{path}: cannot be written: {error.strerror or error}") from error
