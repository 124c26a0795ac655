"""Directory entries of a FAT volume: short and long names, times, live and deleted.

Sources: Microsoft, FAT: General Overview of On-Disk Format, rev. 1.03; U-Boot include/fat.h `struct dir_entry`
and `struct dir_slot` for the offsets.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from deadstick.files.fat_layout import DIR_ENTRY_BYTES, FatLayout
from deadstick.rebuild.disk_protocol import SectorState

ATTR_LABEL, ATTR_DIRECTORY, ATTR_LONG = 0x08, 0x10, 0x0F
DELETED = 0xE5
_LEGAL_SHORT = frozenset(
    b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 !#$%&'()-@^_`{}~+,;=[].abcdefghijklmnopqrstuvwxyz"
) | frozenset(range(0x80, 0x100))


@dataclass(frozen=True)
class DirEntry:
    """One entry with its long name resolved."""

    name: str
    attributes: int
    cluster: int
    size: int
    modified: datetime | None
    created: datetime | None
    accessed: datetime | None
    deleted: bool
    doubts: tuple[str, ...]
    """Phrases: why name, size or place are not proven."""

    @property
    def is_directory(self) -> bool:
        """Whether it names a directory."""
        return bool(self.attributes & ATTR_DIRECTORY)


@dataclass(frozen=True)
class DirContent:
    """The entries of one directory."""

    entries: tuple[DirEntry, ...]
    label: str
    dot: int | None
    """Cluster that the entry `.` names, None without such an entry."""
    dotdot: int | None
    implausible: int
    """Slots that are in use but hold nothing that could be an entry."""


def short_checksum(name: bytes) -> int:
    """Checksum of an 11-byte short name that its long-name slots carry.

    >>> hex(short_checksum(b"README  TXT"))
    '0x73'
    """
    total = 0
    for byte in name:
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    return total


def fat_time(date: int, time: int, hundredths: int = 0) -> datetime | None:
    """Local time of a FAT date and time, None where they name no moment.

    >>> fat_time(0x5A21, 0x6000)
    datetime.datetime(2025, 1, 1, 12, 0)
    """
    try:
        moment = datetime(  # noqa: DTZ001 - FAT holds local time of an unnamed zone
            1980 + (date >> 9), date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2
        )
    except ValueError:
        return None
    return moment + timedelta(milliseconds=10 * hundredths)


def short_name(raw: bytes, case_flags: int = 0) -> str:
    """The 8.3 name as shown; `case_flags` are the bits 3 and 4 of byte 12 that ask for small letters.

    >>> short_name(b"README  TXT", 0x18)
    'readme.txt'
    """
    first = bytes([0xE5]) if raw[0] == 0x05 else raw[:1]
    base = (first + raw[1:8]).decode("cp437").rstrip(" ")
    extension = raw[8:11].decode("cp437").rstrip(" ")
    base = base.lower() if case_flags & 0x08 else base
    extension = extension.lower() if case_flags & 0x10 else extension
    return f"{base}.{extension}" if extension else base


def plausible(slot: bytes, layout: FatLayout) -> bool:
    """Whether a slot can be a short entry: legal name, known attributes, a place and a size that fit."""
    first = 0x41 if slot[0] in (0x05, DELETED) else slot[0]
    if first == 0x20 or first not in _LEGAL_SHORT or any(b not in _LEGAL_SHORT for b in slot[1:11]):
        return False
    attributes, cluster, size = slot[11], slot_cluster(slot, layout), int.from_bytes(slot[28:32], "little")
    if attributes & 0xC0:
        return False
    if attributes & ATTR_LABEL:
        return cluster == 0 and not attributes & ATTR_DIRECTORY
    if cluster and not layout.holds(cluster):
        return False
    if attributes & ATTR_DIRECTORY:
        return size == 0
    return size <= layout.clusters * layout.cluster_bytes and (size == 0 or cluster != 0)


def slot_cluster(slot: bytes, layout: FatLayout) -> int:
    """First cluster that a short entry names; the upper half counts on FAT32 alone."""
    high, low = struct.unpack_from("<H", slot, 20)[0], struct.unpack_from("<H", slot, 26)[0]
    return int(low | high << 16) if layout.kind == "FAT32" else int(low)


def _slot_text(slot: bytes) -> bytes:
    return slot[1:11] + slot[14:26] + slot[28:32]


def _long_name(slots: Sequence[bytes], short: bytes, *, deleted: bool) -> tuple[str, bool]:
    """The long name from slots in reading order (last part first), and whether they fit the short name."""
    if not slots:
        return "", True
    text = b"".join(_slot_text(slot) for slot in reversed(slots)).decode("utf-16-le", "replace")
    name = text.split("\0", 1)[0].rstrip("\uffff")
    if deleted:
        # The first character of the short name is gone; the checksum tells it, or names no match.
        fits = any(short_checksum(bytes([c]) + short[1:]) == slots[0][13] for c in _LEGAL_SHORT)
        return name, fits and len({slot[13] for slot in slots}) == 1
    order = [slot[0] for slot in slots]
    expected = [len(slots) | 0x40, *range(len(slots) - 1, 0, -1)]
    checksum = short_checksum(short)
    return name, order == expected and all(slot[13] == checksum for slot in slots)


class _Reader:
    """Walks the slots of one directory and gathers entries; one instance per directory."""

    def __init__(self, layout: FatLayout, states: NDArray[np.uint8], *, all_deleted: bool) -> None:
        self.layout, self.states, self.all_deleted = layout, states, all_deleted
        self.entries: list[DirEntry] = []
        self.label, self.dot, self.dotdot, self.implausible = "", None, None, 0
        self._long: list[bytes] = []
        self._long_proven, self._last_proven, self._all_proven = True, True, True

    dot: int | None
    dotdot: int | None

    def take(self, slot: bytes, *, proven: bool) -> None:
        deleted = slot[0] == DELETED
        if slot[0] == 0:  # an end mark in a sector that is not proven: what follows may still be alive
            self._long = []
        elif slot[11] & 0x3F == ATTR_LONG:
            if self._long and (deleted != (self._long[-1][0] == DELETED) or (slot[0] & 0x40 and not deleted)):
                self._long = []
            self._long_proven = proven and (self._long_proven or not self._long)
            self._long.append(slot)
        else:
            if plausible(slot, self.layout) or slot[:2] in (b". ", b".."):
                self._short(slot, deleted=deleted, proven=proven)
            else:
                self.implausible += 1
            self._long, self._long_proven = [], True
        self._last_proven, self._all_proven = proven, self._all_proven and proven

    def _short(self, slot: bytes, *, deleted: bool, proven: bool) -> None:
        cluster, attributes = slot_cluster(slot, self.layout), slot[11]
        if slot[:11] == b".          ":
            self.dot = cluster
        elif slot[:11] == b"..         ":
            self.dotdot = cluster
        elif attributes & ATTR_LABEL:
            self.label = self.label if deleted else slot[:11].decode("cp437").strip()
        else:
            self.entries.append(self._entry(slot, cluster, deleted=deleted, proven=proven))

    def _entry(self, slot: bytes, cluster: int, *, deleted: bool, proven: bool) -> DirEntry:
        raw, doubts = slot[:11], []
        mine = [s for s in self._long if (s[0] == DELETED) == deleted]
        long, fits = _long_name(mine, raw, deleted=deleted)
        if not proven:
            doubts.append("its directory entry lies in a sector that is not proven")
        elif mine and not self._long_proven:
            doubts.append("its long name lies in a sector that is not proven")
        elif not fits:
            doubts.append("its long name does not fit its short name")
        elif not mine and not self._last_proven:
            doubts.append("its long name may have stood in a sector that is not proven")
        size = int.from_bytes(slot[28:32], "little")
        if proven and not size and not self._all_proven and not slot[11] & ATTR_DIRECTORY:
            # Behind a lost end mark it would be a leftover, and an empty file has no chain to speak for it.
            doubts.append("an earlier sector of its directory is not proven, so the name may be a leftover")
        short = short_name(b"_" + raw[1:] if deleted else raw, slot[12])
        tenths, ctime, cdate, adate = struct.unpack_from("<BHHH", slot, 13)
        mtime, mdate = struct.unpack_from("<HH", slot, 22)
        return DirEntry(
            name=long if long and fits else short,
            attributes=slot[11],
            cluster=cluster,
            size=size,
            modified=fat_time(mdate, mtime),
            created=fat_time(cdate, ctime, min(tenths, 199)),
            accessed=fat_time(adate, 0),
            deleted=deleted or self.all_deleted,
            doubts=tuple(doubts),
        )


def parse_directory(
    content: bytes, states: NDArray[np.uint8], layout: FatLayout, *, all_deleted: bool = False
) -> DirContent:
    """Read the slots of a directory.

    Args:
        content: the directory's bytes.
        states: `uint8[slots]`: the `SectorState` under each slot.
        layout: of its volume.
        all_deleted: the directory itself is deleted, so its entries are.
    """
    reader = _Reader(layout, states, all_deleted=all_deleted)
    for index in range(len(content) // DIR_ENTRY_BYTES):
        slot = content[index * DIR_ENTRY_BYTES : (index + 1) * DIR_ENTRY_BYTES]
        proven = bool(states[index] == SectorState.EXACT)
        if slot[0] == 0 and proven:
            break
        reader.take(slot, proven=proven)
    return DirContent(tuple(reader.entries), reader.label, reader.dot, reader.dotdot, reader.implausible)
