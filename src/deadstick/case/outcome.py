"""How a case ended, judged from what was found; and the parts of the result that stand for it."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from deadstick.case.result import (
    DiskPart,
    EvidencePart,
    FilePart,
    RivalPart,
    Status,
    VolumePart,
)
from deadstick.files.records import FileRecord, FileState, Volume
from deadstick.progress import Progress
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState
from deadstick.solve.common.evidence import Finding

_STATES_AT_ONCE = 1 << 20
CELLS = 1152
"""Most cells of a picture of the disk."""
_ABOUT_DELETED = "deleted "
"""Problems that begin so concern what was deleted; they take nothing from the live files."""


def judge(volumes: Sequence[VolumePart], files: Sequence[FilePart], problems: Sequence[str]) -> tuple[Status, str]:
    """Status and reason of a case that has a recipe.

    `recovered` is said only where a volume was read, every live file is exact, and nothing hints at live files
    that were not found.

    Args:
        volumes: that were found.
        files: the live files.
        problems: what the file step met on its way.
    """
    if not volumes:
        return Status.PARTIAL, "the chip was decoded and the disk rebuilt, but no file system was found on it"
    line = count_line(files)
    if any(file.state != FileState.EXACT for file in files):
        return Status.PARTIAL, line
    serious = [problem for problem in problems if not problem.startswith(_ABOUT_DELETED)]
    if serious:
        more = f" (and {len(serious) - 1} more)" if len(serious) > 1 else ""
        return Status.PARTIAL, f"{line}, but files may be missing: {serious[0]}{more}"
    return Status.RECOVERED, line


def unless_hidden(files: list[FilePart], unreadable: Sequence[int | str]) -> list[FilePart]:
    """Take the word exact from files whose newest content may lie in blocks that cannot be placed.

    Such a block may be the newest copy of any logical block: then an older copy, exact in every bit, stands in its
    place on the disk, and no code can tell.

    Args:
        files: the live files.
        unreadable: names of physical blocks that are written and not marked as bad, and whose place is not sure.
    """
    if not unreadable:
        return files
    named = ", ".join(str(block) for block in unreadable[:4]) + (" and more" if len(unreadable) > 4 else "")
    of_chip = "" if "of chip" in named else " of the chip"
    doubt = f"block {named}{of_chip} cannot be placed and may hold a newer copy of a part of it; otherwise: "
    return [
        file.model_copy(update={"state": FileState.DOUBTFUL, "reason": doubt + file.reason})
        if file.state == FileState.EXACT
        else file
        for file in files
    ]


def unless_missing(files: list[FilePart], hidden: Sequence[str]) -> list[FilePart]:
    """Take the word exact from files while a part of the chip is missing from the dump, unseen by its code.

    Args:
        files: the live files.
        hidden: sentences about such parts.
    """
    if not hidden:
        return files
    doubt = "a part of the chip is hidden by an address fault and may hold a newer copy; otherwise: "
    return [
        file.model_copy(update={"state": FileState.DOUBTFUL, "reason": doubt + file.reason})
        if file.state == FileState.EXACT
        else file
        for file in files
    ]


def count_line(files: Sequence[FilePart]) -> str:
    """How many files of each state, in one line.

    >>> file = FilePart(path="a", bytes=1, sha256="", state=FileState.EXACT, reason="")
    >>> count_line([file, file, file.model_copy(update={"state": FileState.DAMAGED})])
    '2 of 3 files are exact, 1 damaged'
    >>> count_line([])
    'the volume holds no files'
    """
    if not files:
        return "the volume holds no files"
    counts = Counter(file.state for file in files)
    total = len(files)
    verb = "is" if total == 1 else "are"
    line = f"{counts[FileState.EXACT]} of {total} file{'' if total == 1 else 's'} {verb} exact"
    others = [f"{counts[state]} {state}" for state in (FileState.DOUBTFUL, FileState.DAMAGED) if counts[state]]
    return ", ".join([line, *others])


def evidence_parts(findings: Sequence[Finding]) -> list[EvidencePart]:
    """Findings as the result holds them."""
    return [
        EvidencePart(
            question=finding.question,
            answer=storable(finding.answer),
            figure=storable(finding.figure),
            chance=finding.chance,
            log10_chance=finding.log10_chance,
            rivals=[
                RivalPart(
                    answer=storable(rival.answer),
                    figure=rival.figure,
                    chance=rival.chance,
                    log10_chance=rival.log10_chance,
                )
                for rival in finding.rivals
            ],
            meaning=finding.meaning,
        )
        for finding in findings
    ]


def volume_part(volume: Volume) -> VolumePart:
    """A volume as the result holds it."""
    return VolumePart(
        index=volume.index,
        kind=volume.kind,
        label=storable(volume.label),
        first_sector=volume.first_sector,
        sectors=volume.sectors,
        evidence=[storable(line) for line in volume.evidence],
    )


def file_part(record: FileRecord) -> FilePart:
    """A file as the result holds it."""
    return FilePart(
        path=storable(record.path),
        bytes=record.size,
        sha256=record.sha256,
        state=record.state,
        reason=storable(record.reason),
        modified=record.modified,
        lost_ranges=list(record.lost_ranges),
    )


def disk_part(disk: Disk, name: str, sha256: str, progress: Progress) -> tuple[DiskPart, list[list[int]]]:
    """Count the sectors of each state, in all and for a picture of the disk.

    Args:
        disk: the rebuilt disk.
        name: of its image in the case folder.
        sha256: of the image.
        progress: told about the stage `sectors`.

    Returns:
        The counts, and the same counts for up to `CELLS` equal stretches of the disk: `[cell][SectorState]`.
    """
    sectors = disk.size // SECTOR_BYTES
    kinds = len(SectorState)
    cells = max(1, min(CELLS, sectors))
    counts = np.zeros(cells * kinds, np.int64)
    for first in range(0, sectors, _STATES_AT_ONCE):
        states = disk.states(first, min(_STATES_AT_ONCE, sectors - first)).astype(np.int64)
        cell = (first + np.arange(len(states), dtype=np.int64)) * cells // sectors
        counts += np.bincount(cell * kinds + states, minlength=cells * kinds)
        progress("sectors", first + len(states), sectors)
    table = counts.reshape(cells, kinds)
    total = table.sum(axis=0)
    part = DiskPart(
        path=name,
        bytes=disk.size,
        sha256=sha256,
        sectors=sectors,
        sectors_exact=int(total[SectorState.EXACT]),
        sectors_doubtful=int(total[SectorState.DOUBTFUL]),
        sectors_lost=int(total[SectorState.LOST]),
        sectors_unwritten=int(total[SectorState.UNWRITTEN]),
    )
    return part, table.tolist()


def storable(text: str) -> str:
    r"""Text without lone surrogates, which neither JSON nor SQLite can hold.

    >>> storable("caf\udce9")
    'caf\\udce9'
    """
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
