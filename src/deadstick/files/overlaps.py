"""Files that claim the same bytes of the disk, or the same name: at most one of them can be right."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from deadstick.files.records import HOLE, Found


def mark_overlaps(files: Sequence[tuple[int, Found]]) -> list[Found]:
    """Add a doubt to every file of which bytes belong to another live file too.

    Args:
        files: (number of the file's record, file); names of one record (hard links) may share all.
    """
    live = [
        (extent.disk_offset, extent.disk_offset + extent.length, number)
        for number, file in files
        if not file.deleted
        for extent in file.extents
        if extent.disk_offset != HOLE
    ]
    table = np.array(sorted(set(live)), np.int64).reshape(-1, 3)
    if not len(table):
        return [file for _, file in files]
    reach = np.maximum.accumulate(table[:, 1])
    return [_marked(number, file, table, reach) for number, file in files]


def _marked(number: int, file: Found, table: np.ndarray, reach: np.ndarray) -> Found:
    for extent in file.extents:
        if extent.disk_offset == HOLE:
            continue
        begin, end = extent.disk_offset, extent.disk_offset + extent.length
        # Rows before `low` all end at or before `begin`; rows from `high` on start at or after `end`.
        low, high = int(np.searchsorted(reach, begin, "right")), int(np.searchsorted(table[:, 0], end, "left"))
        rows = table[low:high]
        if ((rows[:, 1] > begin) & (rows[:, 2] != number)).any():
            text = (
                "a live file lies on some of its sectors"
                if file.deleted
                else "another live file claims some of its sectors"
            )
            return replace(file, doubts=(*file.doubts, text))
    return file


def mark_namesakes(files: Iterable[Found], *, case_counts: bool) -> list[Found]:
    """Add a doubt to every live file whose path another one has too: no sound volume holds two.

    Args:
        files: of one volume.
        case_counts: whether names that differ in capitals alone are different.
    """
    files = list(files)
    keys = [file.path if case_counts else file.path.casefold() for file in files]
    live = Counter(key for key, file in zip(keys, files, strict=True) if not file.deleted)
    return [
        replace(file, doubts=(*file.doubts, "another live file has the same name"))
        if not file.deleted and live[key] > 1
        else file
        for key, file in zip(keys, files, strict=True)
    ]
