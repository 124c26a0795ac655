"""The structures of a FAT volume: its shape, its first sectors, its directory entries, its short names.

After Microsoft's "FAT: General Overview of On-Disk Format" (fatgen103, 2000). The type of a volume is determined
solely by its count of clusters.
"""

import struct
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

SECTOR = 512
ENTRY = 32
FREE_ENTRY = 0xE5
ATTRIBUTE_DIRECTORY, ATTRIBUTE_ARCHIVE, ATTRIBUTE_LABEL, ATTRIBUTE_LONG_NAME = 0x10, 0x20, 0x08, 0x0F
_UNITS_PER_NAME_ENTRY = 13
_SHORT_NAME_CHARACTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789!#$%&'()-@^_`{}~")


def fat_bits(clusters: int) -> int:
    """12, 16 or 32: the type that a count of data clusters determines.

    >>> [fat_bits(clusters) for clusters in (4084, 4085, 65524, 65525)]
    [12, 16, 16, 32]
    """
    if clusters < 4085:
        return 12
    return 16 if clusters < 65525 else 32


@dataclass(frozen=True, slots=True)
class FatShape:
    """Where the areas of a volume lie, in sectors of 512 bytes from its first one.

    Attributes:
        sectors: Sectors of the volume.
        bits: 12, 16 or 32.
        cluster_sectors: Sectors in one cluster.
        reserved: Sectors before the first allocation table.
        fat_sectors: Sectors of one allocation table; there are two.
        root_entries: Entries of the fixed root directory; 0 for FAT32.
        clusters: Data clusters; they are numbered from 2.
    """

    sectors: int
    bits: int
    cluster_sectors: int
    reserved: int
    fat_sectors: int
    root_entries: int
    clusters: int

    @classmethod
    def fit(cls, sectors: int, cluster_sectors: int | None = None) -> "FatShape":
        """Lay out a volume of `sectors` sectors.

        Args:
            sectors: Sectors of the volume.
            cluster_sectors: Sectors in one cluster, a power of two; chosen by size if None.

        Raises:
            ValueError: No type of FAT fits.
        """
        for size in (cluster_sectors,) if cluster_sectors else (_usual_cluster(sectors),):
            for bits in (12, 16, 32):
                shape = cls._with_bits(sectors, size, bits)
                if shape is not None and shape.bits == fat_bits(shape.clusters):
                    return shape
        raise ValueError(
            f"No FAT volume of {sectors} sectors has clusters of {cluster_sectors or 'the usual'} sectors; "
            "change one of them."
        )

    @classmethod
    def _with_bits(cls, sectors: int, cluster_sectors: int, bits: int) -> "FatShape | None":
        reserved = 32 if bits == 32 else 1
        root_entries = 0 if bits == 32 else 512
        left = sectors - reserved - root_entries * ENTRY // SECTOR
        fat_sectors = 1
        while True:
            clusters = (left - 2 * fat_sectors) // cluster_sectors
            if clusters < 1:
                return None
            needed = -(-(clusters + 2) * bits // (8 * SECTOR))
            if needed <= fat_sectors:
                return cls(sectors, bits, cluster_sectors, reserved, fat_sectors, root_entries, clusters)
            fat_sectors += 1 if needed - fat_sectors < 4 else (needed - fat_sectors) // 2

    @property
    def root_sector(self) -> int:
        """First sector of the fixed root directory, or of the data area if there is none."""
        return self.reserved + 2 * self.fat_sectors

    @property
    def data_sector(self) -> int:
        """First sector of cluster 2."""
        return self.root_sector + self.root_entries * ENTRY // SECTOR

    @property
    def cluster_bytes(self) -> int:
        """Bytes in one cluster."""
        return self.cluster_sectors * SECTOR

    @property
    def end_mark(self) -> int:
        """The entry that ends a chain."""
        return (1 << min(self.bits, 28)) - 1


def _usual_cluster(sectors: int) -> int:
    """Small volumes become FAT12 or FAT16, those above 512 MiB FAT32, with clusters of the usual size."""
    if sectors > 1 << 20:
        return 8
    least = 1
    # Few clusters below 4 MiB, at most 65,524 above, and away from the borders between the types.
    most = 4000 if sectors <= 8400 else 65_000
    while sectors // least > most:
        least *= 2
    return least if sectors <= 8400 else max(least, 1 if sectors < 32_680 else 4)


def boot_sector(shape: FatShape, *, hidden: int, serial: int, label: str) -> bytes:
    """The first sector, with the BIOS parameter block."""
    wide = shape.bits == 32
    small = shape.sectors < 1 << 16 and not wide
    sector = bytearray(SECTOR)
    sector[0:3] = bytes.fromhex("eb5890" if wide else "eb3c90")
    sector[3:11] = b"SALTMRSH"
    struct.pack_into(
        "<HBHBHHBHHHII", sector, 11,
        SECTOR, shape.cluster_sectors, shape.reserved, 2, shape.root_entries, shape.sectors if small else 0, 0xF8,
        0 if wide else shape.fat_sectors, 63, 255, hidden, 0 if small else shape.sectors,
    )  # fmt: skip
    at = 36
    if wide:
        # FAT size, flags, version, root cluster, FSInfo sector, backup of the boot sector.
        struct.pack_into("<IHHIHH", sector, 36, shape.fat_sectors, 0, 0, 2, 1, 6)
        at = 64
    struct.pack_into("<BBBI", sector, at, 0x80, 0, 0x29, serial)
    sector[at + 7 : at + 18] = label_bytes(label)
    sector[at + 18 : at + 26] = f"FAT{shape.bits}".ljust(8).encode()
    sector[at + 26 : at + 30] = bytes.fromhex("faf4ebfd")  # halt: nothing can be started from this volume
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)


def info_sector(free_clusters: int, next_free: int) -> bytes:
    """The FSInfo sector of FAT32."""
    sector = bytearray(SECTOR)
    struct.pack_into("<I", sector, 0, 0x41615252)
    struct.pack_into("<III", sector, 484, 0x61417272, free_clusters, next_free)
    struct.pack_into("<I", sector, 508, 0xAA550000)
    return bytes(sector)


def partition_sector(first: int, sectors: int, bits: int, signature: int) -> bytes:
    """A master boot record with one partition, addressed by LBA."""
    sector = bytearray(SECTOR)
    kind = {12: 0x01, 16: 0x06, 32: 0x0C}[bits]
    beyond_chs = bytes.fromhex("feffff")
    struct.pack_into("<I", sector, 440, signature)
    struct.pack_into("<B3sB3sII", sector, 446, 0, beyond_chs, kind, beyond_chs, first, sectors)
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)


def table_bytes(entries: NDArray[np.uint32], bits: int) -> NDArray[np.uint8]:
    """Pack an allocation table.

    Args:
        entries: `uint32[clusters + 2]`.
        bits: 12, 16 or 32. FAT12 packs two entries into three bytes, the first one in the lower 12 bits.

    Returns:
        `uint8[bytes]`.

    >>> table_bytes(np.array([0xFF8, 0xFFF, 0x003], np.uint32), 12).tobytes().hex()
    'f8ffff0300'
    """
    if bits != 12:
        return entries.astype("<u4" if bits == 32 else "<u2").view(np.uint8)
    even = entries[0::2]
    odd = np.zeros_like(even)
    odd[: entries.size // 2] = entries[1::2]
    packed = np.stack([even & 0xFF, (even >> 8) | ((odd & 0xF) << 4), odd >> 4], axis=1).astype(np.uint8)
    return packed.reshape(-1)[: (entries.size * 3 + 1) // 2]


def label_bytes(label: str) -> bytes:
    """A volume label as 11 bytes."""
    return label.upper().encode("ascii", "replace")[:11].ljust(11)


def name_entries(name: str, short: bytes) -> bytes:
    """The long-name entries that stand before the short entry, last part first; none for a plain short name."""
    if short_text(short) == name:
        return b""
    units = name.encode("utf-16-le")
    count = -(-len(units) // (2 * _UNITS_PER_NAME_ENTRY))
    if len(units) < count * 2 * _UNITS_PER_NAME_ENTRY:
        units = (units + b"\0\0").ljust(count * 2 * _UNITS_PER_NAME_ENTRY, b"\xff")
    checksum = short_name_checksum(short)
    entries = []
    for order in range(count, 0, -1):
        part = units[(order - 1) * 26 : order * 26]
        mark = order | (0x40 if order == count else 0)
        head = struct.pack("<B10sBBB", mark, part[:10], ATTRIBUTE_LONG_NAME, 0, checksum)
        entries.append(head + part[10:22] + b"\0\0" + part[22:26])
    return b"".join(entries)


def short_entry(short: bytes, attributes: int, moment: datetime, cluster: int, size: int) -> bytes:
    """The 32 bytes of a directory entry."""
    time = moment.hour << 11 | moment.minute << 5 | moment.second // 2
    date = (moment.year - 1980) << 9 | moment.month << 5 | moment.day
    return struct.pack(
        "<11sBBBHHHHHHHI", short, attributes, 0, 0, time, date, date, cluster >> 16, time, date, cluster & 0xFFFF, size
    )


def short_name_checksum(short: bytes) -> int:
    """The checksum by which long-name entries know their short entry: rotate right, add, for 11 bytes.

    >>> hex(short_name_checksum(b"README  TXT")), hex(short_name_checksum(b"FILE    BIN"))
    ('0x73', '0x7')
    """
    total = 0
    for byte in short:
        total = (((total & 1) << 7) + (total >> 1) + byte) & 0xFF
    return total


def short_text(short: bytes) -> str:
    """A short name as people write it.

    >>> short_text(b"README  TXT"), short_text(b"MAPS       ")
    ('README.TXT', 'MAPS')
    """
    text = short.decode("ascii")
    base, extension = text[:8].rstrip(), text[8:].rstrip()
    return f"{base}.{extension}" if extension else base


def short_name(name: str, taken: set[bytes]) -> bytes:
    """A short name that nobody in the directory has: the name itself if it is one, else with a numeric tail.

    Args:
        name: The long name.
        taken: Short names of the directory; not changed here.

    >>> short_name("Field diary 2016.txt", set()), short_name("README.TXT", set())
    (b'FIELDD~1TXT', b'README  TXT')
    """
    stem, dot, extension = name.rpartition(".")
    if not dot or not stem:
        stem, extension = name, ""
    base, tail = _legal(stem), _legal(extension)[:3]
    plain = (base[:8].ljust(8) + tail.ljust(3)).encode("ascii")
    if short_text(plain) == name and plain not in taken:
        return plain
    for number in range(1, 1_000_000):
        mark = f"~{number}"
        candidate = (base[: 8 - len(mark)] + mark).ljust(8).encode("ascii") + tail.ljust(3).encode("ascii")
        if candidate not in taken:
            return candidate
    raise ValueError(f"The folder has too many names like {name!r}.")


def _legal(text: str) -> str:
    upper = text.upper().replace(" ", "").replace(".", "")
    return "".join(letter if letter in _SHORT_NAME_CHARACTERS else "_" for letter in upper)
