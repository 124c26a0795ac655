"""Partition tables: where volumes may start, and which sectors say so.

MBR: four entries of 16 bytes at 446, signature 55 AA at 510. GPT: UEFI specification, chapter "GUID Partition
Table (GPT) Disk Layout". Read here and not by a library because a file can be exact only when the sectors that
placed its volume are proven, and because a library does not fall back on the second header.
"""

import struct
import zlib
from dataclasses import dataclass, replace

from deadstick.files.sectors import worst_state
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState

_EXTENDED = frozenset({0x05, 0x0F, 0x85})
_PROTECTIVE = 0xEE
_MAX_LOGICAL = 64
_MAX_ENTRIES = 1024


@dataclass(frozen=True)
class Partition:
    """A stretch of sectors that a table names."""

    first_sector: int
    sectors: int
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class PartitionTable:
    """What the partition tables tell; `scheme` is `MBR`, `GPT` or empty for none."""

    scheme: str
    partitions: tuple[Partition, ...]
    problems: tuple[str, ...] = ()


def _slots(sector: bytes) -> list[tuple[int, int, int, int]]:
    """(boot flag, type, first sector, sectors) of the four slots."""
    rows = [struct.unpack_from("<B3xB3xII", sector, 446 + 16 * i) for i in range(4)]
    return [(int(a), int(b), int(c), int(d)) for a, b, c, d in rows]


def _is_mbr(sector: bytes, disk_sectors: int) -> bool:
    if len(sector) < SECTOR_BYTES or sector[510:512] != b"\x55\xaa":
        return False
    slots = _slots(sector)
    used = [s for s in slots if s[1] and s[3] and 0 < s[2] < disk_sectors]
    return bool(used) and all(s[0] in (0x00, 0x80) for s in slots)


def first_partition_sector(sector: bytes, disk_sectors: int) -> int:
    """The first sector that a partition table in sector 0 names; 0 where the sector holds none.

    Whatever lies before it belongs to no volume. Under a GPT that is the header behind the table.

    Args:
        sector: the first one of the disk, or what may be it.
        disk_sectors: of the disk at the most.
    """
    if not _is_mbr(sector, disk_sectors):
        return 0
    return min(first for _flag, kind, first, _count in _slots(sector) if kind and first)


def read_partitions(disk: Disk) -> PartitionTable:
    """Read GPT (first header, else the second) or MBR with its logical partitions."""
    sector, total = disk.read(0, SECTOR_BYTES), disk.size // SECTOR_BYTES
    doubts = _table_doubts(disk, 0)
    gpt = _read_gpt(disk, 1) or _read_gpt(disk, total - 1)
    is_mbr = _is_mbr(sector, total)
    announced = is_mbr and any(kind == _PROTECTIVE for _, kind, _, _ in _slots(sector))
    if gpt is not None and (doubts or announced or not is_mbr):
        # Without the table that announces it, a GPT may be a leftover of earlier times.
        unsure = () if announced and not doubts else ("no proven sector 0 announces the partition table",)
        return replace(gpt, partitions=tuple(replace(p, doubts=p.doubts + unsure) for p in gpt.partitions))
    if not is_mbr:
        return PartitionTable("", ())
    problems = ["a GPT that the MBR does not announce is taken for a leftover"] if gpt else []
    out: list[Partition] = []
    for _flag, kind, first, count in _slots(sector):
        if kind in _EXTENDED:
            out += _logical(disk, first, doubts, problems)
        elif kind == _PROTECTIVE:
            problems.append("the partition table announces a GPT, but neither of its headers is whole")
        elif kind and count and first < total:
            out.append(Partition(first, min(count, total - first), doubts))
            if first + count > total:
                problems.append(f"the partition at sector {first} reaches beyond the end of the disk")
        elif kind:
            problems.append(f"a partition at sector {first} lies beyond the end of the disk: left out")
    return PartitionTable("MBR", tuple(out), tuple(problems))


def _table_doubts(disk: Disk, sector: int, count: int = 1) -> tuple[str, ...]:
    state = worst_state(disk, sector * SECTOR_BYTES, count * SECTOR_BYTES)
    return () if state == SectorState.EXACT else ("the partition table is not proven",)


def _logical(disk: Disk, base: int, doubts: tuple[str, ...], problems: list[str]) -> list[Partition]:
    """Logical partitions: a linked list of tables, each with one partition and the way to the next."""
    out: list[Partition] = []
    total, here, seen = disk.size // SECTOR_BYTES, base, set[int]()
    while 0 < here < total and here not in seen and len(seen) < _MAX_LOGICAL:
        seen.add(here)
        sector = disk.read(here * SECTOR_BYTES, SECTOR_BYTES)
        doubts = doubts or _table_doubts(disk, here)
        if sector[510:512] != b"\x55\xaa":
            problems.append(f"the chain of logical partitions breaks off at sector {here}")
            break
        (_, kind, first, count), (_, next_kind, step, _), *_ = _slots(sector)
        if kind and count and here + first < total:
            out.append(Partition(here + first, min(count, total - here - first), doubts))
        if next_kind not in _EXTENDED:
            break
        here = base + step
    return out


def _read_gpt(disk: Disk, lba: int) -> PartitionTable | None:
    """The table that the header in sector `lba` describes; None unless both checksums fit."""
    total = disk.size // SECTOR_BYTES
    header = disk.read(lba * SECTOR_BYTES, SECTOR_BYTES) if 0 < lba < total else b""
    if len(header) < SECTOR_BYTES or header[:8] != b"EFI PART":
        return None
    size, stored = struct.unpack_from("<II", header, 12)
    entries_lba, count, width, entries_sum = struct.unpack_from("<QIII", header, 72)
    if not 92 <= size <= SECTOR_BYTES or width < 128 or width > 4096 or count > _MAX_ENTRIES:
        return None
    if zlib.crc32(header[:16] + bytes(4) + header[20:size]) != stored:
        return None
    table = disk.read(entries_lba * SECTOR_BYTES, count * width) if entries_lba < total else b""
    if len(table) != count * width or zlib.crc32(table) != entries_sum:
        return None
    sectors = -(-count * width // SECTOR_BYTES)
    doubts = _table_doubts(disk, lba) or _table_doubts(disk, entries_lba, sectors)
    out, problems = [], []
    for index in range(count):
        kind, first, last = struct.unpack_from("<16s16xQQ", table, index * width)
        if kind == bytes(16):
            continue
        if first >= total or last < first:
            problems.append(f"GPT entry {index} lies beyond the end of the disk: left out")
            continue
        out.append(Partition(first, min(last, total - 1) - first + 1, doubts))
    note = () if lba == 1 else ("the first GPT header is not whole: the second was used",)
    return PartitionTable("GPT", tuple(out), (*note, *problems))
