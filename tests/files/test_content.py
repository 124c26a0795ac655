"""Content checks: real decoders, and a contradiction only on strong evidence."""

import bz2
import gzip
import io
import json
import lzma
import sqlite3
import struct
import tarfile
import wave
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pikepdf
import pytest
from files_kit import noise
from PIL import Image

from deadstick.files.checker import Checker
from deadstick.files.content import ContentCheck, Verdict, check_content, kind_of_content

VALID, CONTRADICTS, UNKNOWN = Verdict.VALID, Verdict.CONTRADICTS, Verdict.UNKNOWN


def _picture(kind: str, **options: object) -> bytes:
    rng = np.random.default_rng(1)
    smooth = np.cumsum(rng.integers(-2, 3, (160, 160, 3)), axis=1) + 128
    out = io.BytesIO()
    Image.fromarray(smooth.clip(0, 255).astype(np.uint8)).save(out, kind, **options)
    return out.getvalue()


def _pdf() -> bytes:
    out = io.BytesIO()
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.pages[0].Contents = pdf.make_stream(b"0 0 m 10 10 l S\n" * 400)
        pdf.save(out, compress_streams=True)
    return out.getvalue()


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("tide.txt", b"high water\n" * 2_000)
        archive.writestr("depth.bin", noise(1, 3_000))
    return out.getvalue()


def _tar() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for index in range(4):
            member = tarfile.TarInfo(f"log{index}.bin")
            member.size = 1_300
            archive.addfile(member, io.BytesIO(noise(index, 1_300)))
    return out.getvalue()


def _wave() -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(8_000)
        sound.writeframes(noise(3, 4_000))
    return out.getvalue()


def _sqlite(folder: Path) -> bytes:
    path = folder / "made.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE gauge(hour INTEGER PRIMARY KEY, level REAL, note TEXT)")
    connection.executemany("INSERT INTO gauge VALUES (?, ?, ?)", [(i, i / 7, "calm" * 20) for i in range(2_000)])
    connection.commit()
    connection.close()
    return path.read_bytes()


def _boxes() -> bytes:
    box = struct.pack(">I4s4sI4s", 20, b"ftyp", b"isom", 0, b"isom")
    return box + struct.pack(">I4s", 8 + 5_000, b"mdat") + noise(4, 5_000) + struct.pack(">I4s", 16, b"moov") + bytes(8)


MAKERS: dict[str, Callable[[], bytes]] = {
    "jpg": lambda: _picture("JPEG", quality=90),
    "progressive.jpg": lambda: _picture("JPEG", progressive=True),
    "png": lambda: _picture("PNG"),
    "gif": lambda: _picture("GIF"),
    "tif": lambda: _picture("TIFF"),
    "webp": lambda: _picture("WebP"),
    "pdf": _pdf,
    "zip": _zip,
    "docx": _zip,
    "gz": lambda: gzip.compress(noise(4, 4_000) * 2, mtime=0),
    "bz2": lambda: bz2.compress(noise(5, 9_000)),
    "xz": lambda: lzma.compress(noise(6, 9_000)),
    "tar": _tar,
    "wav": _wave,
    "mp4": _boxes,
    "json": lambda: json.dumps({"levels": list(range(50))}).encode(),
    "csv": lambda: "hour,level\n1,2½\n".encode() * 40,
}


def check(folder: Path, name: str, data: bytes) -> ContentCheck:
    path = folder / "content"
    path.write_bytes(data)
    return check_content(name, path)


@pytest.mark.parametrize("extension", MAKERS)
def test_sound_content_is_valid(tmp_path: Path, extension: str) -> None:
    found = check(tmp_path, f"x.{extension}", MAKERS[extension]())
    assert found.verdict is VALID, found


def test_sound_data_base_is_valid(tmp_path: Path) -> None:
    assert check(tmp_path, "x.db", _sqlite(tmp_path)).verdict is VALID


@pytest.mark.parametrize("extension", ["jpg", "progressive.jpg", "png", "pdf", "zip", "docx", "gz", "bz2", "xz", "tar"])
def test_a_foreign_sector_in_the_middle_contradicts(tmp_path: Path, extension: str) -> None:
    data = bytearray(MAKERS[extension]())
    middle = len(data) // 2 // 512 * 512
    if extension == "pdf":
        middle = bytes(data).index(b"stream") + 20
    elif extension == "tar":
        middle = 4_096  # the third header: of the members' own bytes a tar knows nothing
    length = min(512, len(data) - middle - 100) if extension != "pdf" else 30
    data[middle : middle + length] = noise(77, length)
    found = check(tmp_path, f"x.{extension}", bytes(data))
    assert found.verdict is CONTRADICTS, found


def test_a_foreign_page_in_a_data_base_contradicts(tmp_path: Path) -> None:
    data = bytearray(_sqlite(tmp_path))
    data[8_192 : 8_192 + 4_096] = noise(1, 4_096)
    assert check(tmp_path, "x.db", bytes(data)).verdict is CONTRADICTS


@pytest.mark.parametrize("extension", MAKERS)
def test_a_file_cut_short_does_not_contradict(tmp_path: Path, extension: str) -> None:
    """The directory says how long a file is: a short one was short, or its format ends elsewhere."""
    data = MAKERS[extension]()
    found = check(tmp_path, f"x.{extension}", data[: len(data) * 3 // 5])
    assert found.verdict is not CONTRADICTS, found


@pytest.mark.parametrize("extension", [e for e in MAKERS if e != "pdf"])
def test_trailing_zeros_do_not_contradict(tmp_path: Path, extension: str) -> None:
    found = check(tmp_path, f"x.{extension}", MAKERS[extension]() + bytes(700))
    assert found.verdict is not CONTRADICTS, found


@pytest.mark.parametrize("extension", ["jpg", "png", "pdf", "zip", "docx", "gz", "wav"])
@pytest.mark.parametrize("content", [bytes(2_000), noise(9, 2_000)], ids=["zeros", "noise"])
def test_a_strong_format_without_its_signature_contradicts(tmp_path: Path, extension: str, content: bytes) -> None:
    assert check(tmp_path, f"x.{extension}", content).verdict is CONTRADICTS


def test_another_known_format_under_a_wrong_name_is_no_contradiction(tmp_path: Path) -> None:
    assert check(tmp_path, "x.jpg", MAKERS["webp"]()).verdict is VALID
    assert check(tmp_path, "._x.jpg", b"\x00\x05\x16\x07" + bytes(100)).verdict is UNKNOWN


def test_content_without_a_signature_is_unknown(tmp_path: Path) -> None:
    assert check(tmp_path, "x.bin", noise(2, 3_000)).verdict is UNKNOWN
    assert check(tmp_path, "x.txt", b"latin \xe9t\xe9").verdict is UNKNOWN
    assert check(tmp_path, "x.json", b"{not json").verdict is UNKNOWN


def test_a_minimal_jpeg_is_not_called_broken(tmp_path: Path) -> None:
    """Start, application segment, end: no decoder takes it, yet nothing contradicts."""
    data = b"\xff\xd8\xff\xe0\x00\x10JFIF\0\1\1\0\0\1\0\1\0\0\xff\xd9"
    assert check(tmp_path, "x.jpg", data).verdict is UNKNOWN


def test_a_pdf_with_a_wrong_table_is_not_called_broken(tmp_path: Path) -> None:
    data = b"%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[]/Count 0>>endobj\n"
    data += b"trailer<</Root 1 0 R>>\nstartxref\n7\n%%EOF"
    assert check(tmp_path, "x.pdf", data).verdict is not CONTRADICTS


def test_a_picture_of_absurd_size_is_refused_unread(tmp_path: Path) -> None:
    header = b"II*\0\x08\0\0\0" + struct.pack("<H", 2)
    header += struct.pack("<HHII", 256, 4, 1, 400_000) + struct.pack("<HHII", 257, 4, 1, 400_000) + bytes(4)
    assert check(tmp_path, "x.tif", header).verdict is UNKNOWN


def test_signatures() -> None:
    assert [kind_of_content(data) for data in (b"PK\x03\x04", b"\xff\xd8\xff\xe1", b"junk%PDF-1.7", b"")] == [
        "ZIP",
        "JPEG",
        "PDF",
        "",
    ]


@pytest.mark.parametrize("extension", MAKERS)
def test_random_damage_never_raises(tmp_path: Path, extension: str) -> None:
    rng, data = np.random.default_rng(len(extension)), MAKERS[extension]()
    for _ in range(12):
        broken = bytearray(data)
        for at in rng.integers(0, len(data), 8).tolist():
            broken[at] = int(rng.integers(0, 256))
        check(tmp_path, f"x.{extension}", bytes(broken[: int(rng.integers(1, len(data)))]))


def test_one_worker_checks_many_files_and_survives_one_that_hangs(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    path.write_bytes(_zip())
    with Checker() as checker:
        assert checker.check("x.zip", path).verdict is VALID
        worker = checker._worker
        assert checker.check("x.zip", path).verdict is VALID
        assert checker._worker is worker
        assert worker is not None
        worker._process.kill()
        worker._process.wait()
        lost = checker.check("x.zip", path)
        assert (lost.verdict, "came to no end" in lost.detail) == (UNKNOWN, True)
        assert checker.check("x.zip", path).verdict is VALID
    with Checker(base_seconds=0.0) as hasty:
        assert "took too long" in hasty.check("x.zip", path).detail
