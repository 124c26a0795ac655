"""Consistency of exFAT, NTFS and ext volumes: the checksums and copies that are cheap to look at."""

import struct
from itertools import pairwise

import numpy as np

from deadstick.files.check import Check
from deadstick.files.ntfs_record import fix_record
from deadstick.files.volumes import EXT_MAGIC, Place
from deadstick.rebuild.disk_protocol import SECTOR_BYTES

MAX_RECORDS = 256
MAX_DIRECTORY_BYTES = 1 << 20


def exfat_boot_checksum(sectors: bytes) -> int:
    """Checksum over the first 11 sectors of an exFAT boot region, bytes 106, 107 and 112 left out.

    Source: exFAT file system specification, 3.4; Linux fs/exfat/misc.c.

    Args:
        sectors: 11 sectors.
    """
    total = 0
    for index, byte in enumerate(sectors):
        if index not in (106, 107, 112):
            total = ((total << 31 | total >> 1) + byte) & 0xFFFFFFFF
    return total


def exfat_set_checksum(entries: bytes) -> int:
    """Checksum of a set of directory entries, bytes 2 and 3 of the first left out (specification, 6.3.3)."""
    total = 0
    for index, byte in enumerate(entries):
        if index not in (2, 3):
            total = ((total << 15 | total >> 1) + byte) & 0xFFFF
    return total


def check_exfat(place: Place) -> tuple[Check, ...]:
    """Boot checksum, the second boot region, the checksums of the root directory's entries."""
    start = place.first_sector * SECTOR_BYTES
    boot = place.disk.read(start, SECTOR_BYTES)
    shift = boot[108] if len(boot) > 108 else 0
    if not 9 <= shift <= 12:
        return (Check("boot sector describes a volume", 0, 1, 32.0),)
    region = place.disk.read(start, 12 << shift)
    copy = place.disk.read(start + (12 << shift), 12 << shift)
    stored = np.frombuffer(region[11 << shift :], "<u4")
    right = len(stored) and bool((stored == exfat_boot_checksum(region[: 11 << shift])).all())
    good, total = _exfat_sets(place, boot)
    return (
        Check("boot sector describes a volume", 1, 1, 32.0),
        Check("boot region's checksum fits", int(right), 1, 32.0),
        Check("boot region equals its copy", int(_flagless(region) == _flagless(copy)), 1, 64.0),
        Check("root directory entries whose checksum fits", good, total, 16.0),
    )


def _flagless(region: bytes) -> bytes:
    """The bytes that both boot regions share: the volume's flags and its fill level live in the first alone."""
    return region[:106] + region[108:112] + region[113:]


def _exfat_sets(place: Place, boot: bytes) -> tuple[int, int]:
    heap, _count, root = struct.unpack_from("<III", boot, 88)
    shift = boot[108]
    cluster = 1 << (shift + boot[109]) if boot[109] <= 25 - shift else 1 << 12
    offset = place.first_sector * SECTOR_BYTES + (heap << shift) + (root - 2) * cluster
    if root < 2 or offset >= place.disk.size:
        return 0, 0
    content = place.disk.read(offset, min(cluster, MAX_DIRECTORY_BYTES))
    good = total = 0
    for at in range(0, len(content) - 31, 32):
        if content[at] == 0x85:
            total += 1
            entries = content[at : at + 32 * (1 + content[at + 1])]
            good += exfat_set_checksum(entries) == struct.unpack_from("<H", entries, 2)[0]
    return good, total


def check_ntfs(place: Place) -> tuple[Check, ...]:
    """File records: magic, update sequence, own number; the copy of the first four."""
    start = place.first_sector * SECTOR_BYTES
    boot = place.disk.read(start, SECTOR_BYTES)
    sector, per_cluster = struct.unpack_from("<HB", boot, 11)
    table, mirror, size = struct.unpack_from("<QQb", boot, 0x30)
    cluster = sector * (per_cluster if per_cluster <= 0x80 else 1 << (256 - per_cluster))
    record = 1 << -size if size < 0 else size * cluster
    if not cluster or not 512 <= record <= 1 << 16:
        return (Check("boot sector describes a volume", 0, 1, 32.0),)
    first = place.disk.read(start + table * cluster, MAX_RECORDS * record)
    copy = place.disk.read(start + mirror * cluster, 4 * record)
    whole = numbered = used = 0
    for index in range(len(first) // record):
        text = first[index * record : (index + 1) * record]
        if not any(text[:4]):
            continue
        used += 1
        fixed = fix_record(text) if text[:4] == b"FILE" else None
        whole += fixed is not None
        numbered += fixed is not None and struct.unpack_from("<I", fixed, 44)[0] == index
    same = sum(first[i * record : (i + 1) * record] == copy[i * record : (i + 1) * record] for i in range(4))
    last = place.disk.read(start + place.sectors * SECTOR_BYTES, SECTOR_BYTES)
    return (
        Check("boot sector describes a volume", 1, 1, 32.0),
        Check("boot sector equals its copy", int(last == boot), 1, 64.0),
        Check("file records whole", whole, used, 24.0),
        Check("file records that know their number", numbered, used, 8.0),
        Check("first file records equal their copy", same if len(copy) == 4 * record else 0, 4, 32.0),
    )


def check_ext(place: Place) -> tuple[Check, ...]:
    """Superblock copies, and block groups whose bitmaps and tables lie where a volume has them."""
    start = place.first_sector * SECTOR_BYTES
    block = place.disk.read(start + 1024, 1024)
    shift, per_group = struct.unpack_from("<I", block, 24)[0], struct.unpack_from("<I", block, 32)[0]
    blocks, first_block = struct.unpack_from("<I", block, 4)[0], struct.unpack_from("<I", block, 20)[0]
    if shift > 6 or not per_group:
        return (Check("superblock describes a volume", 0, 1, 32.0),)
    size, groups = 1024 << shift, -(-blocks // per_group)
    wide = struct.unpack_from("<I", block, 96)[0] & 0x80
    width = struct.unpack_from("<H", block, 254)[0] if wide else 32
    good = total = 0
    for group in (1, 3, 5, 7, 9, 25, 27, 49):
        if group < groups:
            total += 1
            copy = place.disk.read(start + (group * per_group + first_block) * size, 1024)
            same = copy[56:58] == EXT_MAGIC and copy[104:120] == block[104:120]
            good += same and struct.unpack_from("<H", copy, 90)[0] == group
    table = place.disk.read(start + (first_block + 1) * size, min(groups, MAX_RECORDS) * width)
    tables = [struct.unpack_from("<I", table, at + 8)[0] for at in range(0, len(table) - width + 1, width)]
    inside = sum(0 < t < blocks for t in tables)
    ordered = sum(a < b for a, b in pairwise(tables))
    return (
        Check("superblock describes a volume", 1, 1, 32.0),
        Check("superblock copies that agree", good, total, 64.0),
        Check("inode tables inside the volume", inside, len(tables), 8.0),
        Check("inode tables in order", ordered, max(0, len(tables) - 1), 8.0),
    )
