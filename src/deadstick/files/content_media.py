"""Content checks of pictures, sound and film."""

import struct
import warnings
import zlib
from pathlib import Path
from typing import BinaryIO

from deadstick.files.finding import ContentCheck, Verdict, first_line

MAX_PIXELS = 300_000_000
_PIECE = 1 << 20
_MAX_STEPS = 1_000_000
_AFTER_A_SCAN = frozenset({0xC4, 0xDA, 0xDB, 0xDC, 0xDD, 0xFE, *range(0xE0, 0xF0)})
"""Markers that may follow a scan inside one frame: tables, a further scan, line count, comments, applications."""


def check_picture(path: Path, kind: str = "") -> ContentCheck:
    """Decode a picture whole. A decoder that gives up proves little, so that is `unknown`."""
    from PIL import Image  # noqa: PLC0415 - only the worker process loads decoders

    Image.MAX_IMAGE_PIXELS = MAX_PIXELS
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # oddities of metadata are not our question
            with Image.open(path) as image:
                kind = kind or str(image.format)
                image.load()
                size = image.size
    except Exception as error:  # noqa: BLE001 - its plug-ins raise whatever they like on hostile input
        return ContentCheck(kind or "picture", Verdict.UNKNOWN, first_line(error))
    return ContentCheck(kind, Verdict.VALID, f"decodes to {size[0]} x {size[1]} pixels")


def check_jpeg(path: Path) -> ContentCheck:
    """Walk the markers, then decode.

    In entropy-coded data 0xFF is followed by 00, a restart, or a marker that may end a scan (ITU-T T.81, B.1.1);
    a sector of other content breaks that rule soon. The decoder alone would paint grey and say nothing.
    """
    fault, complete = jpeg_fault(path.read_bytes())
    if fault:
        return ContentCheck("JPEG", Verdict.CONTRADICTS, fault)
    if not complete:
        return ContentCheck("JPEG", Verdict.UNKNOWN, "cut short: no end marker")
    return check_picture(path, "JPEG")


def jpeg_fault(data: bytes) -> tuple[str, bool]:
    """(what is impossible in the marker structure or empty, whether the end marker was reached)."""
    at, steps, scans = 2, 0, 0
    while at + 2 <= len(data) and steps < _MAX_STEPS:
        steps += 1
        marker = data[at + 1]
        if data[at] != 0xFF:
            return f"no marker where one must stand, at byte {at}", False
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0xD9:
            return "", True
        elif 0xD0 <= marker <= 0xD7 or marker == 0x01:
            at += 2
        elif marker < 0xC0 or (scans and marker not in _AFTER_A_SCAN):
            return f"a marker FF {marker:02X} that cannot stand at byte {at}", False
        else:
            length = int.from_bytes(data[at + 2 : at + 4], "big") if at + 4 <= len(data) else 2
            if length < 2:
                return f"a segment of impossible length at byte {at}", False
            scans += marker == 0xDA
            here, at = at, at + 2 + length
            if scans and at > len(data) and data.rstrip(b"\0").endswith(b"\xff\xd9"):
                return f"a segment at byte {here} that reaches beyond the end marker", False
            at = _skip_scan(data, at) if marker == 0xDA else at
    return "", False


def _skip_scan(data: bytes, at: int) -> int:
    """Where the entropy-coded data from `at` on ends: at the first 0xFF that is neither stuffed nor a restart."""
    while (at := data.find(b"\xff", at)) >= 0 and at + 1 < len(data):
        if data[at + 1] == 0 or 0xD0 <= data[at + 1] <= 0xD7:
            at += 2
        else:
            return at
    return len(data)


def check_png(path: Path) -> ContentCheck:
    """Check the CRC-32 of every chunk (PNG specification, 5.3), then decode."""
    with path.open("rb") as file:
        file.seek(8)
        fault, complete = _png_fault(file)
    if fault:
        return ContentCheck("PNG", Verdict.CONTRADICTS, fault)
    if not complete:
        return ContentCheck("PNG", Verdict.UNKNOWN, "cut short: no end chunk")
    return check_picture(path, "PNG")


def _png_fault(file: BinaryIO) -> tuple[str, bool]:
    while len(head := file.read(8)) == 8:
        length, kind = int.from_bytes(head[:4], "big"), head[4:]
        if not kind.isalpha():
            return f"no chunk where one must stand, at byte {file.tell() - 8}", False
        total, left = zlib.crc32(kind), length
        while left and (piece := file.read(min(left, _PIECE))):
            total, left = zlib.crc32(piece, total), left - len(piece)
        stored = file.read(4)
        if left or len(stored) < 4:
            return "", False
        if int.from_bytes(stored, "big") != total:
            return f"the checksum of a chunk {kind.decode('ascii')} fails", False
        if kind == b"IEND":
            return "", True
    return "", False


def check_riff(path: Path) -> ContentCheck:
    """Walk the chunks of a RIFF file (WAVE, AVI): no checksum, but sizes that must fit each other."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        kind = "WAVE" if head[8:12] == b"WAVE" else "AVI"
        end, at, count = int.from_bytes(head[4:8], "little") + 8, 12, 0
        while at + 8 <= min(end, size) and count < _MAX_STEPS:
            file.seek(at)
            chunk, length = struct.unpack("<4sI", file.read(8))
            if not all(0x20 <= c < 0x7F for c in chunk):
                return ContentCheck(kind, Verdict.CONTRADICTS, f"no chunk where one must stand, at byte {at}")
            at, count = at + 8 + length + (length & 1), count + 1
    if at > size + 1 or end > size + 1:
        return ContentCheck(kind, Verdict.UNKNOWN, "cut short, or its sizes were never filled in")
    return ContentCheck(kind, Verdict.VALID, f"{count} chunks fill it to its end")


def check_boxes(path: Path) -> ContentCheck:
    """Walk the top boxes of an ISO base media file (ISO/IEC 14496-12, 4.2): MP4, MOV, HEIF."""
    size, at, count = path.stat().st_size, 0, 0
    kinds: list[bytes] = []
    with path.open("rb") as file:
        while at + 8 <= size and count < _MAX_STEPS:
            file.seek(at)
            head = file.read(16).ljust(16, b"\0")
            length, kind = int.from_bytes(head[:4], "big"), head[4:8]
            if not all(0x20 <= c < 0x7F or c == 0xA9 for c in kind):
                if not any(head):
                    return ContentCheck("ISO media", Verdict.UNKNOWN, f"zeros from byte {at} on")
                detail = f"no box where one must stand, at byte {at}"
                return ContentCheck("ISO media", Verdict.CONTRADICTS, detail)
            length = int.from_bytes(head[8:16], "big") if length == 1 else length or size - at
            if length < 8:
                return ContentCheck("ISO media", Verdict.CONTRADICTS, f"a box of impossible size at byte {at}")
            kinds.append(kind)
            at, count = at + length, count + 1
    if at != size:
        return ContentCheck("ISO media", Verdict.UNKNOWN, "cut short, or followed by other data")
    return ContentCheck("ISO media", Verdict.VALID, f"{count} boxes fill it to its end")
