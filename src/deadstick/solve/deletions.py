"""Which of two copies of a directory is the newer one, told by the files that were deleted since.

A FAT file system deletes a file by a mark in the first byte of its directory entry; all else of the entry stays until
another file takes its place. Nothing takes the mark away again: a file that is saved anew in the same slot has other
times, clusters or sizes. (A file that was moved and moved back is the exception.) So of two copies of an entry that
differ in that byte alone, the one with the mark is the later. The slots of long names are no such witnesses: a file
that is saved anew under its old name has the very same ones.

Source: Microsoft, FAT: General Overview of On-Disk Format, rev. 1.03, of the directory entry.
"""

import numpy as np
from numpy.typing import NDArray

SLOT_BYTES, DELETED = 32, 0xE5
NAME = slice(1, 11)
ATTRIBUTES, NO_FILE = 11, 0xC8
"""Place of the attributes, and the bits that no file has: reserved ones, and that of volume labels and long names."""
TIME, DATE = slice(22, 24), slice(24, 26)
_IN_NAME = np.zeros(256, np.bool_)
_IN_NAME[list(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789!#$%&'()-@^_`{}~")] = True
_IN_NAME[0x80:] = True


def deletions(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> int:
    """How many entries of files were live in one copy and are deleted in the other, and are the same otherwise.

    Args:
        before: `uint8[pages, data_bytes]`; directories begin at whole sectors of a page.
        after: the same pages of the other copy.

    >>> entry = b"NOTES   TXT" + bytes(11) + bytes([0x00, 0x60, 0x21, 0x5A, 3, 0, 9, 0, 0, 0])
    >>> live, deleted = (np.frombuffer(first + entry[1:], np.uint8)[None] for first in (b"N", bytes([0xE5])))
    >>> deletions(live, deleted), deletions(deleted, live)
    (1, 0)
    """
    whole = before.shape[1] // SLOT_BYTES * SLOT_BYTES
    changed = (before[:, :whole:SLOT_BYTES] != DELETED) & (after[:, :whole:SLOT_BYTES] == DELETED)
    page, slot = np.nonzero(changed)
    columns = slot[:, None] * SLOT_BYTES + np.arange(SLOT_BYTES)
    live, marked = before[page[:, None], columns], after[page[:, None], columns]
    same = (live[:, 1:] == marked[:, 1:]).all(axis=1)
    return int((same & _are_files(live)).sum())


def _are_files(entries: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """`bool[entries]`: which of `uint8[entries, 32]` can be live entries of a file or folder, with a legal time."""
    named = _IN_NAME[entries[:, 0]] & (_IN_NAME[entries[:, NAME]] | (entries[:, NAME] == ord(" "))).all(axis=1)
    time, date = (np.ascontiguousarray(entries[:, place]).view("<u2")[:, 0] for place in (TIME, DATE))
    day, month = date & 31, date >> 5 & 15
    dated = (day >= 1) & (month >= 1) & (month <= 12)
    timed = (time >> 11 < 24) & (time >> 5 & 63 < 60) & (time & 31 < 30)
    known: NDArray[np.bool_] = named & (entries[:, ATTRIBUTES] & NO_FILE == 0) & dated & timed
    return known
