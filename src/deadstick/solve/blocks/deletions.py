"""Which of two copies of a directory is the newer one, told by the files that were deleted or added since.

A FAT file system deletes a file by a mark in the first byte of its directory entry; all else of the entry stays until
another file takes its place. Nothing takes the mark away again: a file that is saved anew in the same slot has other
times, clusters or sizes. (A file that was moved and moved back is the exception.) So of two copies of an entry that
differ in that byte alone, the one with the mark is the later. The slots of long names are no such witnesses: a file
that is saved anew under its old name has the very same ones.

A new file takes a slot that was deleted, or the first one that nobody has used yet, behind which all are zeros. So of
two copies of a sector that have the same slots in use, but for some at its end, the one with more of them is the later.
A single file leaves fewer bytes than tell anything of other data. (A directory that is packed anew is the exception.)

Source: Microsoft, FAT: General Overview of On-Disk Format, rev. 1.03, of the directory entry.
"""

import numpy as np
from numpy.typing import NDArray

SLOT_BYTES, SECTOR_BYTES, DELETED = 32, 512, 0xE5
NAME = slice(1, 11)
ATTRIBUTES, NO_FILE = 11, 0xC8
"""Place of the attributes, and the bits that no file has: reserved ones, and that of volume labels and long names."""
LONG_NAME = 0x0F
"""The attributes of a slot that holds a part of a long name."""
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


def additions(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> int:
    """How many entries of files stand in one copy where the other has slots that nobody has used yet.

    Args:
        before: `uint8[pages, data_bytes]`; directories begin at whole sectors of a page.
        after: the same pages of the other copy.

    >>> entry = b"NOTES   TXT" + bytes(11) + bytes([0x00, 0x60, 0x21, 0x5A, 3, 0, 9, 0, 0, 0])
    >>> one, two = (np.frombuffer((count * entry).ljust(512, bytes(1)), np.uint8)[None] for count in (1, 2))
    >>> additions(one, two), additions(two, one)
    (1, 0)
    """
    whole = before.shape[1] // SECTOR_BYTES * SECTOR_BYTES
    old, new = (some[:, :whole].reshape(-1, SECTOR_BYTES // SLOT_BYTES, SLOT_BYTES) for some in (before, after))
    # Few sectors have used slots, then unused ones to the end, and even fewer have more of the first in the other copy.
    ends = np.flatnonzero((old[:, 0] != 0).any(axis=1) & ~old[:, -1].any(axis=1))
    ends = ends[(old[ends] != new[ends]).any(axis=(1, 2))]
    old, new = old[ends], new[ends]
    was, used = old.any(axis=2), new.any(axis=2)
    in_front = (was[:, :-1] >= was[:, 1:]).all(axis=1) & (used[:, :-1] >= used[:, 1:]).all(axis=1)
    # The first byte of those that were in use may be a mark by now.
    kept = ((old[:, :, 1:] == new[:, :, 1:]).all(axis=2) | ~was).all(axis=1)
    added = used & ~was
    files = _are_files(new.reshape(-1, SLOT_BYTES)).reshape(used.shape)
    entries = (files | (new[:, :, ATTRIBUTES] == LONG_NAME) | ~added).all(axis=1)
    return int((files & added)[in_front & kept & entries].sum())


def _are_files(entries: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """`bool[entries]`: which of `uint8[entries, 32]` can be live entries of a file or folder, with a legal time."""
    named = _IN_NAME[entries[:, 0]] & (_IN_NAME[entries[:, NAME]] | (entries[:, NAME] == ord(" "))).all(axis=1)
    time, date = (np.ascontiguousarray(entries[:, place]).view("<u2")[:, 0] for place in (TIME, DATE))
    day, month = date & 31, date >> 5 & 15
    dated = (day >= 1) & (month >= 1) & (month <= 12)
    timed = (time >> 11 < 24) & (time >> 5 & 63 < 60) & (time & 31 < 30)
    known: NDArray[np.bool_] = named & (entries[:, ATTRIBUTES] & NO_FILE == 0) & dated & timed
    return known
