"""Content checks of documents, archives and data bases."""

import bz2
import gzip
import json
import lzma
import shutil
import sqlite3
import tarfile
import tempfile
import zipfile
import zlib
from pathlib import Path
from typing import Any

from deadstick.files.finding import ContentCheck, Verdict, first_line

_PIECE = 1 << 20
_TEXT_BYTES = 16 << 20
_TAR_BLOCK = 512
_PDF_FILTERS = frozenset({"/FlateDecode", "/ASCII85Decode", "/ASCIIHexDecode", "/LZWDecode", "/RunLengthDecode"})


def check_zip(path: Path) -> ContentCheck:
    """Unpack every member: each carries a CRC-32. Office documents are such archives."""
    try:
        with zipfile.ZipFile(path) as archive:
            if any(member.flag_bits & 1 for member in archive.infolist()):
                return ContentCheck("ZIP", Verdict.UNKNOWN, "its members are encrypted")
            bad = archive.testzip()
            count = len(archive.infolist())
    except zipfile.BadZipFile as error:
        # Without the directory at its end an archive may only be cut short; a header that differs is damage.
        cut = "not a zip file" in str(error)
        return ContentCheck("ZIP", Verdict.UNKNOWN if cut else Verdict.CONTRADICTS, first_line(error))
    except zlib.error as error:
        return ContentCheck("ZIP", Verdict.CONTRADICTS, f"a member does not unpack: {first_line(error)}")
    except (NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        return ContentCheck("ZIP", Verdict.UNKNOWN, first_line(error))
    if bad is not None:
        return ContentCheck("ZIP", Verdict.CONTRADICTS, f"the checksum of {bad!r} fails")
    return ContentCheck("ZIP", Verdict.VALID, f"the checksums of all {count} members agree")


def check_stream(path: Path) -> ContentCheck:
    """Unpack a gzip, bzip2 or xz stream to its end; each ends in a checksum."""
    with path.open("rb") as file:
        head = file.read(6)
    kind, opener = (
        ("gzip", gzip.open)
        if head[:2] == b"\x1f\x8b"
        else ("xz", lzma.open)
        if head[:1] == b"\xfd"
        else ("bzip2", bz2.open)
    )
    try:
        with opener(path, "rb") as stream:
            total = 0
            while piece := stream.read(_PIECE):
                total += len(piece)
    except EOFError:
        return ContentCheck(kind, Verdict.UNKNOWN, "cut short")
    except gzip.BadGzipFile as error:
        failed = "CRC" in str(error) or "length" in str(error)
        return ContentCheck(kind, Verdict.CONTRADICTS if failed else Verdict.UNKNOWN, first_line(error))
    except (zlib.error, lzma.LZMAError, OSError) as error:
        return ContentCheck(kind, Verdict.CONTRADICTS, first_line(error))
    return ContentCheck(kind, Verdict.VALID, f"unpacks to {total} bytes, the checksum agrees")


def check_tar(path: Path) -> ContentCheck:
    """Read every header of a tar; each has a checksum of its own, the members have none."""
    size = path.stat().st_size
    try:
        with tarfile.open(path, "r:") as archive:
            members = archive.getmembers()
            end = archive.offset
    except (tarfile.TarError, EOFError, OSError, ValueError) as error:
        return ContentCheck("tar", Verdict.UNKNOWN, first_line(error))
    with path.open("rb") as file:
        file.seek(end)
        rest = file.read(_TAR_BLOCK)
    if len(rest) == _TAR_BLOCK and any(rest) and end < size:
        return ContentCheck("tar", Verdict.CONTRADICTS, f"no header where one must stand, at byte {end}")
    if len(rest) < _TAR_BLOCK and not members:
        return ContentCheck("tar", Verdict.UNKNOWN, "cut short")
    return ContentCheck("tar", Verdict.VALID, f"the checksums of {len(members)} headers agree")


def check_sqlite(path: Path) -> ContentCheck:
    """Run the data base's own integrity check on a copy."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.db"
        shutil.copyfile(path, copy)
        try:
            connection = sqlite3.connect(copy)
            try:
                connection.execute("PRAGMA trusted_schema = OFF")
                rows = connection.execute("PRAGMA integrity_check(1)").fetchall()
            finally:
                connection.close()
        except sqlite3.DatabaseError as error:
            broken = "malformed" in str(error) or "not a database" in str(error)
            return ContentCheck("SQLite", Verdict.CONTRADICTS if broken else Verdict.UNKNOWN, first_line(error))
    answer = str(rows[0][0]) if rows else "no answer"
    if answer == "ok":
        return ContentCheck("SQLite", Verdict.VALID, "its integrity check passes")
    return ContentCheck("SQLite", Verdict.CONTRADICTS, answer.splitlines()[0][:200])


def check_pdf(path: Path) -> ContentCheck:
    """Open a PDF and decode all its streams.

    A wrong cross-reference table alone is no contradiction: careless writers make such files by the thousand.
    """
    import pikepdf  # noqa: PLC0415 - 60 ms that only the worker process should pay, and only for a PDF

    broken, streams = "", 0
    try:
        with pikepdf.open(path) as pdf:
            for item in pdf.objects:
                if not isinstance(item, pikepdf.Stream) or not _lossless(item.get("/Filter")):
                    continue
                streams += 1
                try:
                    item.read_bytes()
                except (pikepdf.PdfError, pikepdf.DataDecodingError) as error:
                    broken = broken or first_line(error)
            pages, warnings = len(pdf.pages), pdf.get_warnings()
    except pikepdf.PasswordError:
        return ContentCheck("PDF", Verdict.UNKNOWN, "encrypted")
    except (pikepdf.PdfError, ValueError, OSError) as error:
        return ContentCheck("PDF", Verdict.UNKNOWN, f"does not open: {first_line(error)}")
    if broken:
        return ContentCheck("PDF", Verdict.CONTRADICTS, f"a packed stream does not unpack: {broken}")
    if warnings:
        return ContentCheck("PDF", Verdict.UNKNOWN, f"opens with a warning: {str(warnings[0])[:150]}")
    return ContentCheck("PDF", Verdict.VALID, f"{pages} pages, {streams} streams decode")


def _lossless(filters: Any) -> bool:
    """Whether all filters of a stream are such that wrong data would be noticed or pass through."""
    import pikepdf  # noqa: PLC0415 - as in `check_pdf`

    names = [] if filters is None else [filters] if isinstance(filters, pikepdf.Name) else list(filters)
    return {str(name) for name in names} <= _PDF_FILTERS


def check_text(path: Path, extension: str) -> ContentCheck:
    """Say whether content without any signature is printable UTF-8; never a contradiction."""
    with path.open("rb") as file:
        raw = file.read(_TEXT_BYTES)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        if len(raw) < _TEXT_BYTES or error.start < len(raw) - 4:
            return ContentCheck("", Verdict.UNKNOWN, "no known signature")
        text = raw[: error.start].decode("utf-8")
    if not all(c.isprintable() or c in "\t\r\n\f\v\ufeff\u200b\xad\u2028" for c in text):
        return ContentCheck("", Verdict.UNKNOWN, "no known signature")
    if extension == "json" and len(raw) < _TEXT_BYTES:
        try:
            json.loads(text)
        except (ValueError, RecursionError) as error:
            return ContentCheck("JSON", Verdict.UNKNOWN, first_line(error))
        return ContentCheck("JSON", Verdict.VALID, "parses")
    return ContentCheck("text", Verdict.VALID, "printable UTF-8 throughout")
