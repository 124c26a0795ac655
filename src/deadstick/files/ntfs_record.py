"""What a file record of NTFS says that the library does not hand over.

Offsets: Linux fs/ntfs3/ntfs.h `struct MFT_REC`, `struct ATTRIB` (from memory); they are held by tests on real
volumes.
"""

import struct

SECTOR_BYTES = 512
_END = 0xFFFFFFFF


def fix_record(record: bytes) -> bytes | None:
    """Undo the update sequence of a record; None where a sector does not end in its number (a torn write).

    The last two bytes of every 512 were replaced by a number of this write; the true ones stand in the array
    that `usa_ofs` (byte 4) and `usa_count` (byte 6) describe. A torn record is reported, never repaired.
    """
    if len(record) < SECTOR_BYTES:
        return None
    offset, count = struct.unpack_from("<HH", record, 4)
    if count < 2 or offset + 2 * count > len(record) or (count - 1) * SECTOR_BYTES > len(record):
        return None
    out = bytearray(record)
    for index in range(1, count):
        at = index * SECTOR_BYTES - 2
        if record[at : at + 2] != record[offset : offset + 2]:
            return None
        out[at : at + 2] = record[offset + 2 * index : offset + 2 * index + 2]
    return bytes(out)


def initialised_size(record: bytes, kind: int, identifier: int) -> int | None:
    """Bytes of a non-resident attribute that were ever written; the rest reads as zeros.

    Args:
        record: a fixed record.
        kind: type of the attribute (0x80 for data).
        identifier: its number inside the record.

    Returns:
        None where the record itself holds no such attribute (it may lie in a further record).
    """
    at = struct.unpack_from("<H", record, 20)[0]
    while at + 64 <= len(record):
        own, length = struct.unpack_from("<II", record, at)
        if own == _END or length < 24:
            return None
        if own == kind and struct.unpack_from("<H", record, at + 14)[0] == identifier and record[at + 8]:
            return int(struct.unpack_from("<Q", record, at + 56)[0])
        at += length
    return None
