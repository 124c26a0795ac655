"""Where the volumes of a disk lie, of which kind they are, and whether the sectors that say so are proven."""

import struct
from dataclasses import dataclass

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
_EXT_JOURNAL_PENDING = 0x4  # incompat feature "needs recovery"


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
    if (place := identify(disk, whole)) is not None:
        return Places("", (place,), ())
    table = read_partitions(disk)
    problems, places = list(table.problems), []
    for partition in table.partitions:
        place = identify(disk, partition) or _from_backup(disk, partition)
        if place is None:
            problems.append(f"no file system that can be read in the partition at sector {partition.first_sector}")
        else:
            places.append(place)
    if not places and (place := _from_backup(disk, whole)) is not None:
        places = [place]
    if not places and not table.partitions:
        places = _common_starts(disk, problems)
    return Places(table.scheme, tuple(places), tuple(problems))


def _from_backup(disk: Disk, partition: Partition) -> Place | None:
    """A volume whose boot sector is gone but has a copy. A proven sector in its place makes that doubtful."""
    if worst_state(disk, partition.first_sector * SECTOR_BYTES, SECTOR_BYTES) == SectorState.EXACT:
        doubts = (*partition.doubts, "another sector stands in place of the boot sector, a copy was used")
        partition = Partition(partition.first_sector, partition.sectors, doubts)
    return _by_backup(disk, partition)


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

    A proven copy is preferred to a boot sector that is not proven; it is not looked for where there is none.
    """
    start = partition.first_sector * SECTOR_BYTES
    head = disk.read(start, _HEAD_BYTES)
    place = _by_boot_sector(disk, partition, head)
    if place is not None and worst_state(disk, start, SECTOR_BYTES) != SectorState.EXACT:
        place = _by_backup(disk, partition) or place
    return place or _by_superblock(disk, partition, head)


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


def _by_backup(disk: Disk, partition: Partition) -> Place | None:
    """The volume that a proven copy of a boot sector describes.

    FAT32 keeps it in sector 6, exFAT from sector 12 on, NTFS in the last sector of the partition.
    """
    for backup, signature in (
        (_FAT32_BACKUP, None),
        (_EXFAT_BACKUP, b"EXFAT   "),
        (partition.sectors - 1, b"NTFS    "),
    ):
        offset = (partition.first_sector + backup) * SECTOR_BYTES
        if not 0 < backup < partition.sectors or worst_state(disk, offset, SECTOR_BYTES) != SectorState.EXACT:
            continue
        boot = disk.read(offset, SECTOR_BYTES)
        if signature is not None and boot[3:11] != signature:
            continue
        place = _by_boot_sector(disk, partition, boot, backup)
        if place is not None and (place.fat is None or place.fat.backup_boot == backup):
            return place
    return None


def _by_superblock(disk: Disk, partition: Partition, head: bytes) -> Place | None:
    """An ext volume: superblock at byte 1024 (U-Boot include/ext_common.h), else one of its copies."""
    start, source, notes = partition.first_sector, dict[int, int](), tuple[str, ...]()
    at = start * SECTOR_BYTES + 1024
    proven = worst_state(disk, at, 1024) == SectorState.EXACT
    block = head[1024:2048]
    if block[56:58] != EXT_MAGIC or not proven:
        copy = _superblock_copy(disk, partition)
        if copy:
            block = disk.read(copy * SECTOR_BYTES, 1024)
            source = {start + 2: copy, start + 3: copy + 1}
            notes = (f"the superblock was taken from its copy in sector {copy}",)
    if len(block) < 1024 or block[56:58] != EXT_MAGIC:
        return None
    blocks, shift = struct.unpack_from("<I", block, 4)[0], struct.unpack_from("<I", block, 24)[0]
    compat, incompat = struct.unpack_from("<II", block, 92)
    if shift > 6 or blocks == 0:
        return None
    kind = "ext4" if incompat & 0x2C0 else "ext3" if compat & 0x4 else "ext2"
    doubts = partition.doubts
    if not proven and not source:
        doubts = (*doubts, "the superblock is not proven")
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
