"""What a directory entry set of exFAT says that the library does not hand over.

Source: exFAT file system specification, 7.4 (file) and 7.6 (stream extension); Linux fs/exfat/exfat_raw.h.
"""

import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

ENTRY_BYTES = 32
_FILE, _STREAM, _IN_USE = 0x05, 0x40, 0x80
_OFFSET_VALID = 0x80


@dataclass(frozen=True)
class ExfatEntry:
    """Times and sizes of one file."""

    modified: str
    created: str
    accessed: str
    """ISO 8601; with a zone where the entry tells its offset from UTC. Empty where it names no moment."""
    valid_bytes: int | None
    """Bytes that were ever written, the rest reads as zeros; None where the stream extension is elsewhere."""


def parse_entry(pair: bytes) -> ExfatEntry | None:
    """Read a file entry and the stream extension behind it; None where there is no file entry.

    Args:
        pair: 64 bytes.
    """
    if len(pair) < 2 * ENTRY_BYTES or pair[0] & ~_IN_USE != _FILE:
        return None
    created, modified, accessed = struct.unpack_from("<III", pair, 8)
    stream = pair[ENTRY_BYTES:]
    valid = struct.unpack_from("<Q", stream, 8)[0] if stream[0] & ~_IN_USE == _STREAM else None
    return ExfatEntry(
        modified=_time(modified, pair[21], pair[23]),
        created=_time(created, pair[20], pair[22]),
        accessed=_time(accessed, 0, pair[24]),
        valid_bytes=valid,
    )


def _time(stamp: int, hundredths: int, offset: int) -> str:
    try:
        moment = datetime(  # noqa: DTZ001 - the zone follows below, if the entry has one
            1980 + (stamp >> 25),
            stamp >> 21 & 15,
            stamp >> 16 & 31,
            stamp >> 11 & 31,
            stamp >> 5 & 63,
            (stamp & 31) * 2,
        ) + timedelta(milliseconds=10 * min(hundredths, 199))
    except ValueError:
        return ""
    if offset & _OFFSET_VALID:
        quarters = (offset & 0x7F) - (0x80 if offset & 0x40 else 0)  # a signed 7-bit count of 15 minutes
        zone = timezone(timedelta(minutes=15 * quarters))
        moment = moment.replace(tzinfo=zone).astimezone(UTC)
    return moment.isoformat()
