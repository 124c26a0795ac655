"""Does the content of a file keep what its format promises?

A format is known by the signature of the content alone; the name only tells what was to be expected. The
verdict `contradicts` costs a file its state `exact`, so it needs strong evidence: a checksum that fails, a
marker that cannot stand where it stands. A file that is merely cut short, or odd, is `unknown`.
"""

from collections.abc import Callable
from pathlib import Path, PurePosixPath

from deadstick.files import content_archives, content_media
from deadstick.files.finding import ContentCheck, Verdict

__all__ = ["ContentCheck", "Verdict", "check_content", "kind_of_content"]

_HEAD = 1024

# (kind, offset, signature), the more telling first. Sources: the formats' own specifications.
SIGNATURES: tuple[tuple[str, int, bytes], ...] = (
    ("JPEG", 0, b"\xff\xd8\xff"),
    ("PNG", 0, b"\x89PNG\r\n\x1a\n"),
    ("GIF", 0, b"GIF87a"),
    ("GIF", 0, b"GIF89a"),
    ("TIFF", 0, b"II*\0"),
    ("TIFF", 0, b"MM\0*"),
    ("PDF", 0, b"%PDF-"),
    ("ZIP", 0, b"PK\x03\x04"),
    ("ZIP", 0, b"PK\x05\x06"),
    ("gzip", 0, b"\x1f\x8b\x08"),
    ("bzip2", 4, b"1AY&SY"),
    ("xz", 0, b"\xfd7zXZ\0"),
    ("SQLite", 0, b"SQLite format 3\0"),
    ("tar", 257, b"ustar"),
    ("WAVE", 8, b"WAVEfmt "),
    ("WebP", 8, b"WEBPVP8"),
    ("AVI", 8, b"AVI LIST"),
    ("ISO media", 4, b"ftyp"),
    ("FLAC", 0, b"fLaC"),
    ("Ogg", 0, b"OggS"),
    ("MP3", 0, b"ID3"),
    ("7z", 0, b"7z\xbc\xaf\x27\x1c"),
    ("RAR", 0, b"Rar!\x1a\x07"),
    ("compound document", 0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"),
    ("AppleDouble", 0, b"\x00\x05\x16\x07"),
    ("RTF", 0, b"{\\rtf"),
    ("Matroska", 0, b"\x1a\x45\xdf\xa3"),
)

EXPECTED: dict[str, str] = {
    "jpg": "JPEG", "jpeg": "JPEG", "png": "PNG", "gif": "GIF", "tif": "TIFF", "tiff": "TIFF", "pdf": "PDF",
    "zip": "ZIP", "docx": "ZIP", "xlsx": "ZIP", "pptx": "ZIP", "odt": "ZIP", "ods": "ZIP", "odp": "ZIP",
    "epub": "ZIP", "jar": "ZIP", "gz": "gzip", "tgz": "gzip", "bz2": "bzip2", "xz": "xz", "sqlite": "SQLite",
    "sqlite3": "SQLite", "wav": "WAVE", "webp": "WebP", "avi": "AVI", "flac": "FLAC", "ogg": "Ogg", "7z": "7z",
    "mkv": "Matroska",
}  # fmt: skip
"""Extensions of formats that cannot be without their signature."""

CHECKS: dict[str, Callable[[Path], ContentCheck]] = {
    "JPEG": content_media.check_jpeg,
    "PNG": content_media.check_png,
    "GIF": content_media.check_picture,
    "TIFF": content_media.check_picture,
    "WebP": content_media.check_picture,
    "PDF": content_archives.check_pdf,
    "ZIP": content_archives.check_zip,
    "gzip": content_archives.check_stream,
    "bzip2": content_archives.check_stream,
    "xz": content_archives.check_stream,
    "tar": content_archives.check_tar,
    "SQLite": content_archives.check_sqlite,
    "WAVE": content_media.check_riff,
    "AVI": content_media.check_riff,
    "ISO media": content_media.check_boxes,
}


def kind_of_content(head: bytes) -> str:
    """The format that the first bytes (1 KiB is enough) announce, empty for none.

    >>> kind_of_content(b"%PDF-1.4")
    'PDF'
    """
    for kind, offset, signature in SIGNATURES:
        if head[offset : offset + len(signature)] == signature:
            return kind
    return "PDF" if b"%PDF-" in head[:_HEAD] else ""  # readers accept it anywhere in the first 1024 bytes


def check_content(name: str, path: Path) -> ContentCheck:
    """Check one file. Runs decoders on hostile input: call it through `deadstick.files.checker.Checker`.

    Args:
        name: as on the volume; only its extension counts.
        path: where the content lies now.
    """
    with path.open("rb") as file:
        head = file.read(_HEAD)
    if not head:
        return ContentCheck("", Verdict.UNKNOWN, "empty")
    kind = kind_of_content(head)
    extension = PurePosixPath(name).suffix.lower().lstrip(".")
    if kind:
        check = CHECKS.get(kind)
        return check(path) if check else ContentCheck(kind, Verdict.UNKNOWN, "no decoder for it here")
    if expected := EXPECTED.get(extension):
        return ContentCheck(expected, Verdict.CONTRADICTS, f"named .{extension}, but its first bytes are no such")
    return content_archives.check_text(path, extension)
