"""What a file record of NTFS says that the library does not hand over.

Offsets: Linux fs/ntfs3/ntfs.h `struct MFT_REC`, `struct ATTRIB` (from memory); they are held by tests on real
volumes.
"""

import struct

SECTOR_BYTES = 512
_END = 0xFFFFFFFF
_PAGE_BYTES, _NO_CLIENT, _CLEAN = 4096, 0xFFFF, 0x0002
LOG_BYTES = 2 * _PAGE_BYTES
"""Of the log, that hold its restart pages."""


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


def log_is_clean(pages: bytes) -> bool:
    """Whether the log says that all changes in it have reached their place.

    The newer of the two restart pages counts: no client may be in use, or the flag of a clean volume is set (Windows
    2000 does the first, later ones the second). A log of ones was emptied on purpose. Offsets and rules: ntfs-3g
    include/ntfs-3g/logfile.h, RESTART_PAGE_HEADER and RESTART_AREA.

    Args:
        pages: the first two pages of the log.
    """
    if pages and pages.count(0xFF) == len(pages):
        return True
    found = []
    for at in range(0, len(pages) - _PAGE_BYTES + 1, _PAGE_BYTES):
        page = pages[at : at + _PAGE_BYTES]
        area = struct.unpack_from("<H", page, 24)[0]
        if page[:4] in (b"RSTR", b"CHKD") and area + 16 <= len(page):
            number, _clients, _free, in_use, flags = struct.unpack_from("<QHHHH", page, area)
            found.append((number, page[:4] == b"CHKD" or in_use == _NO_CLIENT or bool(flags & _CLEAN)))
    return bool(found) and max(found)[1]
