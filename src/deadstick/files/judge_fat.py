"""Consistency of a FAT volume, from a bounded number of reads."""

from dataclasses import dataclass, field
from pathlib import PurePosixPath

import numpy as np

from deadstick.files.check import Check
from deadstick.files.content import EXPECTED, SIGNATURES
from deadstick.files.fat_dirs import DirEntry, parse_directory
from deadstick.files.fat_layout import BOOT_BYTES, DIR_ENTRY_BYTES, FIRST_CLUSTER, FatLayout
from deadstick.files.fat_table import decode_entries
from deadstick.files.volumes import Place
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

MAX_TABLE_BYTES = 4 << 20
MAX_DIRECTORIES = 128
MAX_FILES = 512
MAX_DIRECTORY_BYTES = 64 << 10


TEXT = frozenset({"txt", "csv", "log", "md", "json", "xml", "html", "htm", "ini", "srt"})
_ENDS = {
    "JPEG": b"\xff\xd9",
    "PNG": b"IEND\xae\x42\x60\x82",
    "PDF": b"%%EOF",
    "ZIP": b"PK\x05\x06",
}
_PRINTABLE = bytes(range(32, 127)) + b"\t\r\n" + bytes(range(128, 256))


@dataclass
class _Facts:
    """What a bounded walk over the directories saw."""

    slots: int = 0
    implausible: int = 0
    dots_right: int = 0
    directories: int = 0
    entries: list[DirEntry] = field(default_factory=list)
    """Live entries whose first cluster is one of the volume's."""


def check_fat(place: Place) -> tuple[Check, ...]:
    """Boot sector and copy, both tables, directories, chains, first bytes of files."""
    layout = place.fat
    if layout is None:
        return ()
    count = min(layout.clusters + FIRST_CLUSTER, MAX_TABLE_BYTES * 8 // layout.entry_bits)
    bytes_used = -(-count * layout.entry_bits // 8)
    first = place.disk.read(layout.fat_offset, bytes_used).ljust(bytes_used, b"\0")
    table = decode_entries(first, layout.entry_bits, count)
    facts = _walk(place, layout)
    sound, lasts = _chains(facts, table, layout)
    return (
        Check("boot sector describes a volume", 1, 1, 32.0),
        *_boot_copy(place, layout),
        *_table_copies(place, layout, first),
        _table_head(layout, table),
        Check("directory slots plausible", facts.slots - facts.implausible, facts.slots, 6.0),
        Check("directories that know themselves and their parent", facts.dots_right, facts.directories, 32.0),
        _starts_allocated(facts, table),
        Check("chains that end, meet no other and fit the size", sound, len(lasts), 8.0),
        *_contents(place, layout, lasts),
    )


def _boot_copy(place: Place, layout: FatLayout) -> tuple[Check, ...]:
    if not layout.backup_boot:
        return ()
    boot = place.disk.read(layout.start, BOOT_BYTES)
    copy = place.disk.read(layout.start + layout.backup_boot * layout.bytes_per_sector, BOOT_BYTES)
    return (Check("boot sector equals its copy", int(boot == copy), 1, 64.0),)


def _table_copies(place: Place, layout: FatLayout, first: bytes) -> tuple[Check, ...]:
    """Sectors of the table that say something (are not constant) and agree with the second copy."""
    if layout.fats < 2 or layout.active_fat >= 0:
        return ()
    length = len(first) // SECTOR_BYTES * SECTOR_BYTES
    second = place.disk.read(layout.fat_offset + layout.fat_bytes, length).ljust(length, b"\0")
    mine = np.frombuffer(first, np.uint8, length).reshape(-1, SECTOR_BYTES)
    other = np.frombuffer(second, np.uint8, length).reshape(-1, SECTOR_BYTES)
    telling = (mine != mine[:, :1]).any(axis=1) | (other != other[:, :1]).any(axis=1)
    agree = (mine == other).all(axis=1) & telling
    return (Check("allocation table sectors equal their copy", int(agree.sum()), int(telling.sum()), 16.0),)


def _table_head(layout: FatLayout, table: np.ndarray) -> Check:
    """Entry 0 repeats the media byte below all ones; entry 1 is an end mark, save for two flag bits."""
    mask = (1 << min(layout.entry_bits, 28)) - 1
    zero = int(table[0]) == (mask & ~0xFF | layout.media)
    return Check("allocation table starts with the media byte", int(zero), 1, 16.0)


def _walk(place: Place, layout: FatLayout) -> _Facts:
    facts = _Facts()
    todo, seen = [(layout.root_cluster, 0, True)], set[int]()
    while todo and len(seen) < MAX_DIRECTORIES:
        cluster, parent, root = todo.pop(0)
        if cluster in seen:
            continue
        seen.add(cluster)
        fixed = root and not layout.root_cluster
        offset = layout.root_offset if fixed else layout.cluster_offset(cluster)
        length = layout.root_entries * DIR_ENTRY_BYTES if fixed else layout.cluster_bytes
        content = place.disk.read(offset, min(length, MAX_DIRECTORY_BYTES))
        parsed = parse_directory(content, np.zeros(len(content) // DIR_ENTRY_BYTES, np.uint8), layout)
        facts.slots += len(parsed.entries) + parsed.implausible
        facts.implausible += parsed.implausible
        if not root:
            facts.directories += 1
            facts.dots_right += parsed.dot == cluster and parsed.dotdot == parent
        for entry in parsed.entries:
            if not entry.deleted and layout.holds(entry.cluster):
                facts.entries.append(entry)
                if entry.is_directory:
                    todo.append((entry.cluster, 0 if root else cluster, False))
    return facts


def _starts_allocated(facts: _Facts, table: np.ndarray) -> Check:
    """First clusters must be allocated, and nobody's next: a chain is entered at its head."""
    starts = np.array([e.cluster for e in facts.entries if e.cluster < len(table)], np.int64)
    pointed = np.zeros(len(table), bool)
    pointed[table[table < len(table)].astype(np.int64)] = True
    good = (table[starts] != 0) & ~pointed[starts]
    return Check("first clusters that head a chain", int(good.sum()), len(starts), 3.0)


def _chains(facts: _Facts, table: np.ndarray, layout: FatLayout) -> tuple[int, list[tuple[DirEntry, int]]]:
    """Chains that stay inside the volume, meet no other, and are as long as the size says.

    Returns:
        How many are sound, and for every chain followed its entry and its last cluster (0 where unsound).
    """
    taken, good, lasts = np.zeros(len(table), bool), 0, list[tuple[DirEntry, int]]()
    end_mark = (1 << min(layout.entry_bits, 28)) - 8
    for entry in facts.entries[:MAX_FILES]:
        if entry.cluster >= len(table):
            continue
        wanted = -(-entry.size // layout.cluster_bytes)
        length, sound, here, last = 0, True, entry.cluster, 0
        while sound and layout.holds(here) and here < len(table) and length <= wanted + MAX_FILES:
            sound = not taken[here]
            taken[here] = True
            length, last, here = length + 1, here, int(table[here])
        sound = sound and here >= end_mark and (entry.is_directory or length == wanted)
        good += sound
        lasts.append((entry, last if sound else 0))
    return good, lasts


def _contents(place: Place, layout: FatLayout, lasts: list[tuple[DirEntry, int]]) -> tuple[Check, ...]:
    """First and last bytes of files whose names promise something, as far as something was written there."""
    heads, tails, texts = [], [], []
    for entry, last in lasts:
        extension = PurePosixPath(entry.name).suffix.lower().lstrip(".")
        kind = EXPECTED.get(extension, "")
        if entry.is_directory or not entry.size or not (kind or extension in TEXT):
            continue
        begin, end = layout.cluster_offset(entry.cluster), _end(layout, entry, last)
        head = place.disk.read(begin, min(entry.size, SECTOR_BYTES))
        tail = _tail(place, layout, entry, last) if last else b""
        has_head, has_tail = _is_written(place, begin), not last or _is_written(place, end - 1)
        if kind:
            if has_head:
                heads.append(any(head[o : o + len(t)] == t for name, o, t in SIGNATURES if name == kind))
            if kind in _ENDS and has_tail:
                tails.append(_ENDS[kind] in tail)
        elif has_head and has_tail:
            texts.append(bool(tail) and not (head + tail).translate(None, _PRINTABLE))
    return (
        Check("files that start as their names promise", sum(heads), len(heads), 16.0),
        Check("files that end as their names promise", sum(tails), len(tails), 8.0),
        Check("text files that start and end as text", sum(texts), len(texts), 12.0),
    )


def _tail(place: Place, layout: FatLayout, entry: DirEntry, last: int) -> bytes:
    """Up to the last 64 bytes of a file, as far as they lie in its last cluster."""
    end = _end(layout, entry, last)
    count = min(end - layout.cluster_offset(last), 64)
    return place.disk.read(end - count, count)


def _end(layout: FatLayout, entry: DirEntry, last: int) -> int:
    """Where a file ends on the disk, if this is its last cluster."""
    return layout.cluster_offset(last) + (entry.size - 1) % layout.cluster_bytes + 1


def _is_written(place: Place, offset: int) -> bool:
    """Whether the sector around a byte is not known to be unwritten."""
    if not 0 <= offset < place.disk.size:
        return True
    return int(place.disk.states(offset // SECTOR_BYTES, 1)[0]) != SectorState.UNWRITTEN
