"""The layout of a FAT volume from its boot sector.

Offsets: U-Boot include/fat.h `struct boot_sector`. Which FAT it is follows from the number of clusters alone
(Microsoft, FAT: General Overview of On-Disk Format, rev. 1.03; the type string is informational).
"""

import struct
from dataclasses import dataclass

BOOT_BYTES = 512
DIR_ENTRY_BYTES = 32
MAX_FAT12_CLUSTERS = 4084  # U-Boot fs/fat/fat.c MAX_FAT12 = 0xFF4
MAX_FAT16_CLUSTERS = 65524
FIRST_CLUSTER = 2
MEDIA = frozenset({0xF0, *range(0xF8, 0x100)})


@dataclass(frozen=True)
class FatLayout:
    """Where the parts of a FAT volume lie; all offsets are bytes from the start of the disk."""

    kind: str
    start: int
    bytes_per_sector: int
    cluster_bytes: int
    fats: int
    fat_bytes: int
    """Bytes of one copy of the table."""
    fat_offset: int
    root_offset: int
    """Start of the fixed root directory; unused by FAT32."""
    root_entries: int
    root_cluster: int
    """First cluster of the root directory; 0 where it has a fixed place."""
    data_offset: int
    clusters: int
    size: int
    hidden_sectors: int
    media: int
    active_fat: int
    """The only valid copy where mirroring is off, else -1."""
    backup_boot: int
    """Sector of the boot sector's copy from the start of the volume, 0 for none."""
    label: str

    @property
    def entry_bits(self) -> int:
        """Bits of one entry of the table."""
        return {"FAT12": 12, "FAT16": 16}.get(self.kind, 32)

    def cluster_offset(self, cluster: int) -> int:
        """Byte of the disk at which `cluster` starts."""
        return self.data_offset + (cluster - FIRST_CLUSTER) * self.cluster_bytes

    def holds(self, cluster: int) -> bool:
        """Whether `cluster` is one of the volume's data clusters."""
        return FIRST_CLUSTER <= cluster < FIRST_CLUSTER + self.clusters


def parse_boot(boot: bytes, start: int = 0) -> FatLayout | None:
    """Read a boot sector; None where it describes no possible FAT volume.

    Args:
        boot: 512 bytes or more of the boot sector.
        start: byte of the disk at which the volume starts.

    >>> parse_boot(bytes(512)) is None
    True
    """
    if len(boot) < BOOT_BYTES or boot[510:512] != b"\x55\xaa" or boot[3:11] in (b"EXFAT   ", b"NTFS    "):
        return None
    sector, per_cluster, reserved, fats, root_entries, total16, media, fat16 = struct.unpack_from("<HBHBHHBH", boot, 11)
    hidden, total32, fat32 = struct.unpack_from("<III", boot, 28)
    total, fat_sectors = total16 or total32, fat16 or fat32
    if sector not in (512, 1024, 2048, 4096) or per_cluster == 0 or per_cluster & (per_cluster - 1):
        return None
    if not (reserved and 1 <= fats <= 4 and fat_sectors and total and media in MEDIA):
        return None
    root_sectors = -(-root_entries * DIR_ENTRY_BYTES // sector)
    first_data = reserved + fats * fat_sectors + root_sectors
    clusters = (total - first_data) // per_cluster
    kind = kind_of(clusters)
    if clusters < 1 or (kind == "FAT32") != (fat16 == 0) or (kind != "FAT32" and root_entries == 0):
        return None
    wide = kind == "FAT32"
    bits = {"FAT12": 12, "FAT16": 16}.get(kind, 32)
    if fat_sectors * sector * 8 < (clusters + FIRST_CLUSTER) * bits:
        return None
    flags, _version, root_cluster, _info, backup = struct.unpack_from("<HHIHH", boot, 40)
    label = boot[71:82] if wide else boot[43:54]
    signed = boot[66 if wide else 38] == 0x29  # extended boot signature: the label field is filled
    return FatLayout(
        kind=kind,
        start=start,
        bytes_per_sector=sector,
        cluster_bytes=per_cluster * sector,
        fats=fats,
        fat_bytes=fat_sectors * sector,
        fat_offset=start + reserved * sector,
        root_offset=start + (reserved + fats * fat_sectors) * sector,
        root_entries=root_entries,
        root_cluster=root_cluster if wide else 0,
        data_offset=start + first_data * sector,
        clusters=clusters,
        size=total * sector,
        hidden_sectors=hidden,
        media=media,
        active_fat=flags & 0xF if wide and flags & 0x80 else -1,
        backup_boot=backup if wide and 0 < backup < reserved else 0,
        label=label.decode("cp437").strip() if signed else "",
    )


def kind_of(clusters: int) -> str:
    """Which FAT a volume of so many clusters is.

    >>> [kind_of(n) for n in (4084, 4085, 65524, 65525)]
    ['FAT12', 'FAT16', 'FAT16', 'FAT32']
    """
    if clusters <= MAX_FAT12_CLUSTERS:
        return "FAT12"
    return "FAT16" if clusters <= MAX_FAT16_CLUSTERS else "FAT32"
