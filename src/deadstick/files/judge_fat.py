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
from deadstick.rebuild.disk_protocol import SECTOR_BYTES

MAX_TABLE_BYTES = 4 << 20
MAX_DIRECTORIES = 128
MAX_FILES = 512
MAX_DIRECTORY_BYTES = 64 << 10


@dataclass
class _Facts:
    """What a bounded walk over the directories saw."""

    slots: int = 0
    implausible: int = 0
    dots_right: int = 0
    directories: int = 0
    starts: list[tuple[int, bool]] = field(default_factory=list)
    """(first cluster, is a directory) of every live entry."""
    wanted: list[int] = field(default_factory=list)
    """Clusters that the size of each asks for, 0 for directories."""
    heads_right: int = 0
    heads: int = 0


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
    return (
        Check("boot sector describes a volume", 1, 1, 32.0),
        *_boot_copy(place, layout),
        *_table_copies(place, layout, first),
        _table_head(layout, table),
        Check("directory slots plausible", facts.slots - facts.implausible, facts.slots, 6.0),
        Check("directories that know themselves and their parent", facts.dots_right, facts.directories, 32.0),
        _starts_allocated(facts, table),
        _chains(facts, table, layout),
        Check("files that start as their names promise", facts.heads_right, facts.heads, 16.0),
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
            if not entry.deleted:
                _note_entry(place, layout, facts, entry)
                if entry.is_directory and layout.holds(entry.cluster):
                    todo.append((entry.cluster, 0 if root else cluster, False))
    return facts


def _note_entry(place: Place, layout: FatLayout, facts: _Facts, entry: DirEntry) -> None:
    if not layout.holds(entry.cluster):
        return
    facts.starts.append((entry.cluster, entry.is_directory))
    facts.wanted.append(0 if entry.is_directory else -(-entry.size // layout.cluster_bytes))
    kind = EXPECTED.get(PurePosixPath(entry.name).suffix.lower().lstrip("."))
    if kind and not entry.is_directory and entry.size and facts.heads < MAX_FILES:
        facts.heads += 1
        head = place.disk.read(layout.cluster_offset(entry.cluster), SECTOR_BYTES)
        facts.heads_right += any(
            head[offset : offset + len(text)] == text for name, offset, text in SIGNATURES if name == kind
        )


def _starts_allocated(facts: _Facts, table: np.ndarray) -> Check:
    """First clusters must be allocated, and nobody's next: a chain is entered at its head."""
    starts = np.array([c for c, _ in facts.starts if c < len(table)], np.int64)
    pointed = np.zeros(len(table), bool)
    pointed[table[table < len(table)].astype(np.int64)] = True
    good = (table[starts] != 0) & ~pointed[starts]
    return Check("first clusters that head a chain", int(good.sum()), len(starts), 3.0)


def _chains(facts: _Facts, table: np.ndarray, layout: FatLayout) -> Check:
    """Chains that stay inside the volume, meet no other, and are as long as the size says."""
    taken, good, total = np.zeros(len(table), bool), 0, 0
    for (cluster, is_directory), wanted in zip(facts.starts, facts.wanted, strict=True):
        if cluster >= len(table) or total >= MAX_FILES:
            continue
        total += 1
        length, sound, here = 0, True, cluster
        while sound and layout.holds(here) and here < len(table) and length <= wanted + MAX_FILES:
            sound = not taken[here]
            taken[here] = True
            length, here = length + 1, int(table[here])
        ended = here >= (1 << min(layout.entry_bits, 28)) - 8
        good += sound and ended and (is_directory or length == wanted)
    return Check("chains that end, meet no other and fit the size", good, total, 8.0)
