"""The state of one file, from the states of its sectors, the doubts about its place, and its content."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from deadstick.files.content import ContentCheck, Verdict
from deadstick.files.records import HOLE, Extent, FileState, Found, SectorRun
from deadstick.files.sectors import range_states
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState


@dataclass(frozen=True)
class SectorFacts:
    """How many sectors of a file are in which state, and which of its bytes are lost."""

    runs: tuple[SectorRun, ...]
    counts: dict[SectorState, int]
    lost_ranges: tuple[tuple[int, int], ...]


def sector_facts(disk: Disk, file: Found) -> SectorFacts:
    """Look up the state of every sector under a file."""
    counts = dict.fromkeys(SectorState, 0)
    runs: list[SectorRun] = []
    lost: list[tuple[int, int]] = []
    for extent in file.extents:
        count = -(-extent.length // SECTOR_BYTES)
        if extent.disk_offset == HOLE:
            runs.append(SectorRun(HOLE, count))
            continue
        runs.append(
            SectorRun(
                extent.disk_offset // SECTOR_BYTES,
                (extent.disk_offset + extent.length - 1) // SECTOR_BYTES - extent.disk_offset // SECTOR_BYTES + 1,
            )
        )
        states = range_states(disk, extent.disk_offset, extent.length)
        for state, number in zip(*np.unique(states, return_counts=True), strict=True):
            counts[SectorState(int(state))] += int(number)
        lost += _lost_bytes(states, extent)
    if file.inline is not None:  # packed content has no bytes of its own under a sector
        lost = [(0, file.size)] if counts[SectorState.LOST] else []
    else:
        lost += _gaps(file)
    return SectorFacts(tuple(runs), counts, _merge(lost))


def _gaps(file: Found) -> list[tuple[int, int]]:
    """Byte ranges of a file that no extent holds."""
    out, done = [], 0
    for extent in file.extents:
        if extent.file_offset > done:
            out.append((done, extent.file_offset))
        done = extent.file_offset + extent.length
    if done < file.size:
        out.append((done, file.size))
    return out


def _lost_bytes(states: np.ndarray, extent: Extent) -> list[tuple[int, int]]:
    """Byte ranges of the file under the lost sectors of one extent, which may start inside a sector."""
    bad = np.flatnonzero(states == SectorState.LOST)
    if not len(bad):
        return []
    lead = extent.disk_offset % SECTOR_BYTES
    out = []
    for run in np.split(bad, np.flatnonzero(np.diff(bad) != 1) + 1):
        begin = max(0, int(run[0]) * SECTOR_BYTES - lead)
        end = min(extent.length, (int(run[-1]) + 1) * SECTOR_BYTES - lead)
        out.append((extent.file_offset + begin, extent.file_offset + end))
    return out


def _merge(ranges: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    out: list[tuple[int, int]] = []
    for begin, end in sorted(ranges):
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((begin, end))
    return tuple(out)


def judge(file: Found, facts: SectorFacts, content: ContentCheck) -> tuple[FileState, str]:
    """State and reason of a file: lost bytes make it damaged, any doubt doubtful, nothing else exact."""
    reasons: list[str] = []
    if facts.lost_ranges:
        reasons.append(_lost_text(file, facts))
    elif file.missing:
        reasons.append(file.missing)
    if number := facts.counts[SectorState.DOUBTFUL]:
        reasons.append(f"{number} of its sectors {_are(number)} doubtful")
    if number := facts.counts[SectorState.UNWRITTEN]:
        reasons.append(f"{number} of its sectors {_were(number)} never written on the chip")
    reasons += file.doubts
    if content.verdict is Verdict.CONTRADICTS:
        reasons.append(f"its content is not sound {content.kind}: {content.detail}")
    said = _content_text(content)
    if not reasons:
        number = facts.counts[SectorState.EXACT]
        proof = _proof(number) if number else _no_sectors(file)
        return FileState.EXACT, f"{proof}; {said}" if said else proof
    if said:
        reasons.append(said)
    state = FileState.DAMAGED if facts.lost_ranges or file.missing else FileState.DOUBTFUL
    return state, "; ".join(dict.fromkeys(reasons))


def _content_text(content: ContentCheck) -> str:
    """What the content check adds to a reason, empty where it has nothing to say (a contradiction says more)."""
    if content.verdict is Verdict.VALID:
        return f"its content is sound {content.kind} ({content.detail})"
    if content.verdict is Verdict.UNKNOWN and (content.kind or content.failed):
        return f"its content is undecided: {content.kind + ', ' if content.kind else ''}{content.detail}"
    return ""


def _proof(number: int) -> str:
    if number == 1:
        return "its one sector and the entries that place it are proven"
    return f"all {number} sectors and the entries that place them are proven"


def _no_sectors(file: Found) -> str:
    if file.size == 0:
        return "empty, and its entry is proven"
    if file.inline is not None:
        return "it lies inside its file record, which is proven"
    return "all zeros, which the volume stores nowhere, and its record is proven"


def _lost_text(file: Found, facts: SectorFacts) -> str:
    begin, end = facts.lost_ranges[0]
    total = sum(b - a for a, b in facts.lost_ranges)
    text = f"bytes {begin} to {end - 1} are lost"
    if len(facts.lost_ranges) > 1:
        text += f", the first of {len(facts.lost_ranges)} ranges ({total} of {file.size} bytes)"
    if number := facts.counts[SectorState.LOST]:
        text = f"{number} of its sectors {_are(number)} lost: {text}"
    return f"{text} ({file.missing})" if file.missing else text


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _were(number: int) -> str:
    return "was" if number == 1 else "were"
