"""Where the volumes of a disk lie, of which kind they are, and whether the sectors that say so are proven."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from deadstick.files.fat_layout import FatLayout, parse_boot
from deadstick.files.partitions import Partition, read_partitions
from deadstick.files.sectors import PatchedDisk, worst_state
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState

COMMON_STARTS = (1, 16, 32, 56, 62, 63, 64, 128, 135, 240, 256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 65536)
"""Sectors at which the first partition of a stick or card commonly starts, tried when its table is lost."""

EXT_MAGIC = b"\x53\xef"
_HEAD_BYTES = 4096
_FAT32_BACKUP = 6
_EXFAT_BACKUP = 12
_BOOT_PARAMETERS = 120
"""Bytes of a boot sector that differ between volumes; most of the others are code."""
_EXT_UUID = 104
_EXT_JOURNAL_PENDING = 0x4  # incompat feature "needs recovery"
_EXT_KNOWN = 0x2 | 0x4 | 0x10 | 0x40 | 0x80 | 0x100 | 0x200 | 0x400 | 0x2000 | 0x4000
"""Incompat features that the reader bears: filetype, recover, meta_bg, extents, 64bit, mmp, flex_bg, ea_inode,
csum_seed, largedir (Linux fs/ext4/ext4.h). With others, such as inline_data or encrypt, content would be misread."""


@dataclass(frozen=True)
class Place:
    """A volume found: where, what, and the disk through which to read it (copies stand in for lost sectors)."""

    disk: PatchedDisk
    kind: str
    first_sector: int
    sectors: int
    fat: FatLayout | None = None
    doubts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    label: str = ""
    """As far as the boot sector or superblock tells it."""

    @property
    def claimed(self) -> int:
        """Sectors that the volume claims for itself, which may be more than its partition has."""
        return self.fat.size // SECTOR_BYTES if self.fat is not None else self.sectors


@dataclass(frozen=True)
class Places:
    """All volumes of a disk and what was odd on the way."""

    scheme: str
    places: tuple[Place, ...]
    problems: tuple[str, ...]


def find_volumes(disk: Disk) -> Places:
    """Look for a volume over the whole disk, then for those that the partition tables name.

    Where there is neither, the usual first sectors of a partition are tried; what is found so is doubtful.
    """
    whole = Partition(0, disk.size // SECTOR_BYTES)
    over_all, table = identify(disk, whole), read_partitions(disk)
    # A superblock in the gap behind a partition table is left from earlier times; a boot sector leaves no room for one.
    if over_all is not None and not (over_all.kind.startswith("ext") and table.partitions):
        return Places("", (over_all,), ())
    problems, places = list(table.problems), []
    for partition in table.partitions:
        place = identify(disk, partition) or next((copy for copy, _ in _by_backup(disk, partition)), None)
        if place is None:
            problems.append(f"no file system that can be read in the partition at sector {partition.first_sector}")
        else:
            places.append(place)
    if not places:
        places = [over_all] if over_all else [copy for copy, _ in _by_backup(disk, whole)][:1]
    if not places and not table.partitions:
        places = _common_starts(disk, problems)
    return Places(table.scheme, tuple(_apart(places)), tuple(problems))


def _apart(places: list[Place]) -> list[Place]:
    """Volumes that claim sectors of each other are doubtful: at most one of them can be right."""
    out = []
    for place in places:
        others = [other for other in places if other is not place]
        first, end = place.first_sector, place.first_sector + place.claimed
        if any(other.first_sector < end and first < other.first_sector + other.claimed for other in others):
            out.append(replace(place, doubts=(*place.doubts, "another volume claims some of its sectors")))
        else:
            out.append(place)
    return out


def _common_starts(disk: Disk, problems: list[str]) -> list[Place]:
    total = disk.size // SECTOR_BYTES
    doubts = ("no partition table: the volume was found at a usual place",)
    for start in COMMON_STARTS:
        place = identify(disk, Partition(start, total - start, doubts)) if start < total else None
        if place is not None:
            problems.append(f"no partition table; a volume starts at sector {start}")
            return [place]
    problems.append("no partition table and no volume was found")
    return []


def identify(disk: Disk, partition: Partition) -> Place | None:
    """Say which file system starts at a partition's first sector, None for none that we know.

    A boot sector that is lost is read from its proven copy, if what is left of it says that the copy is its own.
    """
    start = partition.first_sector * SECTOR_BYTES
    head = disk.read(start, _HEAD_BYTES)
    own = next((copy for copy, vouched in _by_backup(disk, partition) if vouched), None)
    return own or _by_boot_sector(disk, partition, head) or _by_superblock(disk, partition, head)


def _by_boot_sector(disk: Disk, partition: Partition, boot: bytes, backup: int = 0) -> Place | None:
    """Judge a boot sector; `backup` is the sector of the partition that it was read from."""
    start = partition.first_sector
    doubts, notes, source = partition.doubts, tuple[str, ...](), dict[int, int]()
    if backup:
        count = _EXFAT_BACKUP if boot[3:11] == b"EXFAT   " else 1
        source = {start + i: start + backup + i for i in range(count)}
        notes = (f"the boot sector was taken from its copy in sector {start + backup}",)
    elif worst_state(disk, start * SECTOR_BYTES, SECTOR_BYTES) != SectorState.EXACT:
        doubts = (*doubts, "the boot sector is not proven")
    view = PatchedDisk(disk, source)
    if boot[3:11] == b"EXFAT   " and boot[510:512] == b"\x55\xaa":
        (sectors,) = struct.unpack_from("<Q", boot, 72)
        shift = boot[108]
        return Place(view, "exFAT", start, _cut(sectors << max(0, shift - 9), partition), None, doubts, notes)
    if boot[3:11] == b"NTFS    " and boot[510:512] == b"\x55\xaa":
        (sectors,) = struct.unpack_from("<Q", boot, 0x28)
        unit = struct.unpack_from("<H", boot, 11)[0] // SECTOR_BYTES
        return Place(view, "NTFS", start, _cut(sectors * max(1, unit), partition), None, doubts, notes)
    layout = parse_boot(boot, start * SECTOR_BYTES)
    if layout is None:
        return None
    sectors = layout.size // SECTOR_BYTES
    if sectors > partition.sectors:
        notes = (*notes, f"the volume claims {sectors} sectors, its place has {partition.sectors}")
    return Place(view, layout.kind, start, _cut(sectors, partition), layout, doubts, notes)


def _cut(sectors: int, partition: Partition) -> int:
    return min(sectors, partition.sectors)


def _by_backup(disk: Disk, partition: Partition) -> Iterator[tuple[Place, bool]]:
    """Volumes that proven copies of a boot sector describe, and whether the lost sector vouches for the copy.

    FAT32 keeps it in sector 6, exFAT from sector 12 on, NTFS in the last sector of the partition. A copy alone may be
    of an older volume, for a later format does not overwrite it everywhere.
    """
    start = partition.first_sector * SECTOR_BYTES
    for backup, signature in (
        (_FAT32_BACKUP, None),
        (_EXFAT_BACKUP, b"EXFAT   "),
        (partition.sectors - 1, b"NTFS    "),
    ):
        offset = start + backup * SECTOR_BYTES
        if not 0 < backup < partition.sectors or worst_state(disk, offset, SECTOR_BYTES) != SectorState.EXACT:
            continue
        boot = disk.read(offset, SECTOR_BYTES)
        if signature is not None and boot[3:11] != signature:
            continue
        vouched = _vouches(disk, start, boot[:_BOOT_PARAMETERS])
        doubt = () if vouched else ("the boot sector was taken from a copy that may be of an older volume",)
        own = Partition(partition.first_sector, partition.sectors, partition.doubts + doubt)
        place = _by_boot_sector(disk, own, boot, backup)
        if place is not None and (place.fat is None or place.fat.backup_boot == backup):
            yield place, vouched


def _vouches(disk: Disk, offset: int, copy: bytes) -> bool:
    """Whether a lost sector says, as far as it can be read, that a copy is its own.

    It differs from its copy by bit errors only: by a quarter of the copy's ones at most. Boot sectors of other file
    systems and empty sectors differ by as many bits as the copy has ones, or nearly so. A doubtful sector says
    nothing, for it may itself be of an older volume.
    """
    if worst_state(disk, offset, len(copy)) != SectorState.LOST:
        return False
    ours, theirs = np.frombuffer(disk.read(offset, len(copy)), np.uint8), np.frombuffer(copy, np.uint8)
    differ, ones = np.bitwise_count(ours ^ theirs).sum(), np.bitwise_count(theirs).sum()
    return bool(4 * int(differ) <= int(ones))


def _by_superblock(disk: Disk, partition: Partition, head: bytes) -> Place | None:
    """An ext volume: superblock at byte 1024 (U-Boot include/ext_common.h), else one of its copies."""
    start, source, notes = partition.first_sector, dict[int, int](), tuple[str, ...]()
    at, doubts = start * SECTOR_BYTES + 1024, partition.doubts
    proven = worst_state(disk, at, 1024) == SectorState.EXACT
    block = head[1024:2048]
    if block[56:58] != EXT_MAGIC or not proven:
        copy = _superblock_copy(disk, partition)
        if copy:
            block = disk.read(copy * SECTOR_BYTES, 1024)
            source = {start + 2: copy, start + 3: copy + 1}
            notes = (f"the superblock was taken from its copy in sector {copy}",)
            if not _vouches(disk, at + _EXT_UUID, block[_EXT_UUID : _EXT_UUID + 16]):
                doubts = (*doubts, "the superblock was taken from a copy that may be of an older volume")
    if len(block) < 1024 or block[56:58] != EXT_MAGIC:
        return None
    blocks, shift = struct.unpack_from("<I", block, 4)[0], struct.unpack_from("<I", block, 24)[0]
    compat, incompat = struct.unpack_from("<II", block, 92)
    if shift > 6 or blocks == 0:
        return None
    kind = "ext4" if incompat & 0x2C0 else "ext3" if compat & 0x4 else "ext2"
    if not proven and not source:
        doubts = (*doubts, "the superblock is not proven")
    if worst_state(disk, start * SECTOR_BYTES, 1024) != SectorState.EXACT:
        doubts = (*doubts, "what stands before the superblock is not proven: it may be of a newer volume")
    if strange := incompat & ~_EXT_KNOWN:
        doubts = (*doubts, f"the volume uses features that are not known here ({strange:#x})")
    if incompat & _EXT_JOURNAL_PENDING:
        doubts = (*doubts, "the journal holds changes that were never written to their place")
    sectors = _cut(blocks << (shift + 1), partition)
    label = block[120:136].split(b"\0", 1)[0].decode("utf-8", "replace")
    return Place(PatchedDisk(disk, source), kind, start, sectors, None, doubts, notes, label)


def _superblock_copy(disk: Disk, partition: Partition) -> int:
    """Sector of a proven copy of the superblock, 0 for none.

    Copies start block groups 1, 3, 5, 7 ...; a group has 8 blocks per byte of a block unless told otherwise.
    """
    for block_bytes, first in ((4096, 0), (1024, 1), (2048, 0)):
        for group in (1, 3, 5, 7, 9):
            sector = (group * 8 * block_bytes + first) * block_bytes // SECTOR_BYTES
            if sector + 2 > partition.sectors:
                break
            at = (partition.first_sector + sector) * SECTOR_BYTES
            if worst_state(disk, at, 1024) == SectorState.EXACT:
                block = disk.read(at, 1024)
                if block[56:58] == EXT_MAGIC and struct.unpack_from("<H", block, 90)[0] == group:
                    return partition.first_sector + sector
    return 0
