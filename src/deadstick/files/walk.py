"""exFAT, NTFS and ext volumes through pytsk3, in a worker process that asks us for every byte.

What a file's place rests on is found by trial. The first walk notes which sectors it read. If some of them are
not proven, the walk is repeated with those sectors replaced, by zeros, by ones, by noise: a file that comes out
the same each time (path, size, times, runs) does not rest on them; any other is doubtful.
"""

import hashlib
import time
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np

from deadstick.files.overlaps import mark_overlaps
from deadstick.files.records import Extent, Found
from deadstick.files.sectors import range_states
from deadstick.files.volumes import Place
from deadstick.files.worker import Worker, WorkerGoneError
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

FILLS = ("zeros", "ones", "noise")
SILENCE_S = 120.0
"""Longest time without a word from the worker."""
WALK_S = 1800.0
SEARCH_S = 300.0
"""Longest search for files that no directory lists, which may read the whole volume."""


@dataclass(frozen=True)
class OtherFiles:
    """What one volume holds."""

    files: tuple[Found, ...]
    label: str
    problems: tuple[str, ...]


@dataclass
class _Pass:
    """One walk: how sectors that are not proven are answered, and what came of it."""

    place: Place
    fill: str = ""
    files: list[tuple[int, Found]] = field(default_factory=list)
    """(number of the file's record, file)."""
    label: str = ""
    doubt: str = ""
    problems: list[str] = field(default_factory=list)
    weak: set[int] = field(default_factory=set)
    """Sectors read while walking that are not proven."""
    whole: bool = False
    search_end: float = 0.0

    def answer(self, offset: int, length: int, *, tables: bool) -> bytes:
        disk = self.place.disk
        if not (0 <= offset < disk.size and 0 < length <= 1 << 26):
            return b""
        data = disk.read(offset, length)
        states = range_states(disk, offset, len(data))
        first = offset // SECTOR_BYTES
        bad = (np.flatnonzero(states != SectorState.EXACT) + first).tolist()
        if tables:
            self.weak.update(bad)
        if not self.fill or not bad:
            return data
        out = bytearray(data)
        for sector in bad:
            begin, end = max(offset, sector * SECTOR_BYTES), min(offset + len(data), (sector + 1) * SECTOR_BYTES)
            shift = begin - sector * SECTOR_BYTES
            out[begin - offset : end - offset] = _filling(self.fill, sector)[shift : shift + end - begin]
        return bytes(out)

    def run(self) -> None:
        """Walk the volume; whatever ends the worker becomes a problem, and what came before it is kept."""
        order = {
            "size": self.place.disk.size,
            "start": self.place.first_sector * SECTOR_BYTES,
            "kind": self.place.kind,
            "deleted": not self.fill,
        }
        end, self.search_end = time.monotonic() + WALK_S, 0.0
        with Worker("deadstick.files.tsk_child") as worker:
            try:
                worker.send(order)
                while not self._take(worker, *worker.receive(min(end, time.monotonic() + SILENCE_S))):
                    pass
            except WorkerGoneError as error:
                self.problems.append(f"reading the {self.place.kind} volume came to no end: {error}")
            except (KeyError, TypeError, ValueError, IndexError) as error:
                self.problems.append(f"reading the {self.place.kind} volume failed: {type(error).__name__}")

    def _take(self, worker: Worker, message: dict[str, Any], payload: bytes) -> bool:
        """Act on one frame; True when it is the last."""
        if "read" in message:
            tables = message["phase"] == "tables"
            if message["phase"] == "search":
                self.search_end = self.search_end or time.monotonic() + SEARCH_S
                if time.monotonic() > self.search_end:
                    raise WorkerGoneError(f"no more than {SEARCH_S:.0f} s are spent on files that no directory lists")
            worker.send({}, self.answer(int(message["read"]), int(message["length"]), tables=tables))
        elif "file" in message:
            self.files.append(_found(message["file"], payload))
        elif "label" in message:
            self.label, self.doubt = str(message["label"]), str(message["doubt"])
        elif "problem" in message:
            self.problems.append(str(message["problem"]))
        elif "done" in message:
            self.whole = bool(message["done"])
            return True
        return False


def _filling(fill: str, sector: int) -> bytes:
    if fill == "noise":
        return hashlib.shake_128(sector.to_bytes(8, "little")).digest(SECTOR_BYTES)
    return bytes(SECTOR_BYTES) if fill == "zeros" else b"\xff" * SECTOR_BYTES


def _found(message: dict[str, Any], payload: bytes) -> tuple[int, Found]:
    times = [datetime.fromisoformat(text) if text else None for text in message.get("times", ["", "", ""])]
    extents = tuple(Extent(int(a), int(b), int(c)) for a, b, c in message.get("extents", ()))
    return int(message.get("id", -1)), Found(
        path=str(message["path"]),
        size=int(message["size"]),
        extents=extents,
        inline=payload if message.get("inline") else None,
        doubts=tuple(str(text) for text in message.get("doubts", ())),
        missing=str(message.get("missing", "")),
        modified=times[0],
        created=times[1],
        accessed=times[2],
        deleted=not message["live"],
    )


def read_other(place: Place) -> OtherFiles:
    """List the live and deleted files of a volume that is no FAT.

    Args:
        place: from `find_volumes`.
    """
    first = _Pass(place)
    first.run()
    common = place.doubts + ((first.doubt,) if first.doubt else ())
    problems = list(first.problems)
    steady = _steady(first, problems) if first.weak else {file for _, file in first.files}
    text = f"its place rests on tables of the volume, and {len(first.weak)} sectors read with them are not proven"
    files = []
    for number, file in first.files:
        doubts = common if file in steady else (*common, text)
        files.append((number, replace(file, doubts=doubts + file.doubts)))
    return OtherFiles(tuple(mark_overlaps(files)), first.label or place.label, tuple(problems))


def _steady(first: _Pass, problems: list[str]) -> set[Found]:
    """The files that come out the same whatever the sectors hold that are not proven."""
    steady = {file for _, file in first.files}
    for fill in FILLS:
        again = _Pass(first.place, fill)
        again.run()
        steady &= {file for _, file in again.files} if again.doubt == first.doubt else set()
        if not steady:
            break
    problems.append(
        f"{len(first.weak)} sectors read with the tables of the volume are not proven; files may be missing"
    )
    return steady
