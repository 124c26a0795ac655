"""From a rebuilt disk to the customer's files: find, read once, hash, check, judge."""

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from deadstick.files.checker import Checker
from deadstick.files.fat import read_fat
from deadstick.files.finding import ContentCheck, Verdict
from deadstick.files.judge import check_place
from deadstick.files.overlaps import mark_namesakes
from deadstick.files.records import FileRecord, Found, Listing, Progress, Volume
from deadstick.files.verdict import judge, sector_facts
from deadstick.files.volumes import Place, find_volumes
from deadstick.files.walk import read_other
from deadstick.files.writing import Writer
from deadstick.rebuild.disk_protocol import Disk

MAX_GROWTH = 4
SPARE_BYTES = 1 << 30
"""Files of a volume gone mad may claim the same sectors, or holes, without end: we write no more than
`MAX_GROWTH` times the disk and this."""


def list_files(disk: Disk, *, progress: Progress | None = None) -> Listing:
    """Find and judge all files of a disk and keep none of their content.

    Args:
        disk: the rebuilt disk.
        progress: called after every file.
    """
    with tempfile.TemporaryDirectory(prefix="deadstick-") as folder:
        return _run(disk, Path(folder), progress, keep=False)


def recover_files(disk: Disk, directory: Path, *, progress: Progress | None = None) -> Listing:
    """Find all files of a disk, write them, and judge them; every byte is read once.

    Live files go to `files/` below `directory`, deleted ones to `deleted/`. Names are made safe, a name in use
    gets a number, and a file with other content is never overwritten, so the call may be repeated.

    Args:
        disk: the rebuilt disk.
        directory: folder to write below; it is made if need be.
        progress: called after every file.
    """
    return _run(disk, directory, progress, keep=True)


@dataclass
class _Harvest:
    volumes: list[Volume] = field(default_factory=list)
    found: list[tuple[Disk, Found]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def _run(disk: Disk, directory: Path, progress: Progress | None, *, keep: bool) -> Listing:
    harvest = _harvest(disk)
    total, done, room = sum(file.size for _, file in harvest.found), 0, MAX_GROWTH * disk.size + SPARE_BYTES
    writers = {False: Writer(directory / "files"), True: Writer(directory / "deleted")}
    records: dict[bool, list[FileRecord]] = {False: [], True: []}
    with Checker() as checker:
        for view, file in harvest.found:
            writer, note = writers[file.deleted], ""
            if file.size > room:
                note = "not written: the volume claims more content than its disk can hold"
            else:
                room -= file.size
            record = _one(view, file, None if note else writer, checker, keep=keep, note=note)
            if record.note:
                harvest.problems.append(f"{file.path!r}: {record.note}")
            records[file.deleted].append(record.record)
            done += file.size
            if progress is not None:
                progress(done, total, file.path)
    return Listing(tuple(harvest.volumes), tuple(records[False]), tuple(records[True]), tuple(harvest.problems))


def _harvest(disk: Disk) -> _Harvest:
    """Everything that the volumes list, with paths that tell the volumes apart where there are several."""
    places = find_volumes(disk)
    out = _Harvest(problems=list(places.problems))
    several = len(places.places) > 1
    for index, place in enumerate(places.places, 1):
        prefix = f"volume-{index}/" if several else ""
        label, files, problems = _read_volume(place)
        evidence = tuple(f"{c.name}: {c.passed} of {c.total}" for c in check_place(place) if c.total)
        out.volumes.append(Volume(index, place.kind, place.first_sector, place.sectors, label, place.notes + evidence))
        out.problems += [f"{prefix.rstrip('/')}: {text}" if several else text for text in problems]
        out.found += [(place.disk, _moved(file, prefix)) for file in files]
    return out


def _read_volume(place: Place) -> tuple[str, Iterable[Found], tuple[str, ...]]:
    if place.fat is None:
        other = read_other(place)
        files = mark_namesakes(other.files, case_counts=place.kind != "exFAT")
        return other.label, files, place.notes + other.problems
    fat = read_fat(place.disk, place.fat, place.doubts)
    return fat.label or place.fat.label, mark_namesakes(fat.files, case_counts=False), place.notes + fat.problems


def _moved(file: Found, prefix: str) -> Found:
    return replace(file, path=prefix + file.path) if prefix else file


@dataclass(frozen=True)
class _Done:
    record: FileRecord
    note: str
    """What kept the content from being written or checked, empty for nothing."""


def _one(disk: Disk, file: Found, writer: Writer | None, checker: Checker, *, keep: bool, note: str) -> _Done:
    facts = sector_facts(disk, file)
    sha256, content = "", ContentCheck("", Verdict.UNKNOWN, "")
    if writer is not None and holds_content(file):
        try:
            path, sha256 = writer.write(disk, file)
            content = checker.check(file.path, path) if file.size else content
            if not keep:
                path.unlink()
        except OSError as error:  # a full disk or a path too long must not end the whole job
            note = f"could not be written: {error.strerror or error}"
    if note:  # without its content and its hash nobody can rely on it
        file = replace(file, doubts=(*file.doubts, note))
    elif content.failed:
        note = content.detail
    state, reason = judge(file, facts, content)
    record = FileRecord(
        path=file.path,
        size=file.size,
        sha256=sha256,
        state=state,
        reason=reason,
        modified=file.modified,
        created=file.created,
        accessed=file.accessed,
        runs=facts.runs,
        lost_ranges=facts.lost_ranges,
        deleted=file.deleted,
    )
    return _Done(record, note)


def holds_content(file: Found) -> bool:
    """Whether there is anything to write: not so where all was given to another file."""
    return bool(file.extents) or file.inline is not None or (file.size == 0 and not file.missing)
