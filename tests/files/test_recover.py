"""The whole step: listing, writing, hashing, judging."""

import errno
import hashlib
import struct
from datetime import UTC, datetime
from pathlib import Path

import pytest
from files_kit import MemoryDisk, make_ext, make_fat, make_ntfs, needs, noise, run, sha, spoil

from deadstick.files.fat_layout import parse_boot
from deadstick.files.overlaps import mark_namesakes
from deadstick.files.records import Extent, FileState, Found
from deadstick.files.scan import list_files, recover_files
from deadstick.files.writing import Writer, numbered, safe_name, safe_path
from deadstick.rebuild.disk_protocol import Disk, SectorState

with_fat = needs("mkfs.fat", "mcopy", "mdel")


@with_fat
def test_files_are_written_with_their_content_and_time(tmp_path: Path) -> None:
    made = make_fat(16)
    calls: list[tuple[int, int, str]] = []
    listing = recover_files(MemoryDisk(made.data), tmp_path, progress=lambda *call: calls.append(call))
    for path, content in made.files.items():
        assert (tmp_path / "files" / path).read_bytes() == content
    for path, content in made.deleted.items():
        assert (tmp_path / "deleted" / path).read_bytes() == content
    record = next(f for f in listing.files if f.path == "readme.txt")
    assert record.modified is not None
    stamp = (tmp_path / "files" / "readme.txt").stat().st_mtime
    assert datetime.fromtimestamp(stamp, UTC).replace(tzinfo=None) == record.modified
    assert record.sha256 == sha(made.files["readme.txt"])
    assert "sound text" in record.reason
    assert len(calls) == len(listing.files) + len(listing.deleted)
    assert calls[-1][0] == calls[-1][1]
    assert not list(tmp_path.rglob(".part*"))


@with_fat
def test_listing_and_recovery_agree_and_a_second_run_changes_nothing(tmp_path: Path) -> None:
    disk = MemoryDisk(make_fat(12).data)
    first = recover_files(disk, tmp_path)
    before = sorted(str(p) for p in tmp_path.rglob("*"))
    assert recover_files(disk, tmp_path) == first == list_files(disk)
    assert sorted(str(p) for p in tmp_path.rglob("*")) == before


@with_fat
def test_a_file_with_other_content_is_never_overwritten(tmp_path: Path) -> None:
    made = make_fat(12)
    mine = tmp_path / "files" / "readme.txt"
    mine.parent.mkdir()
    mine.write_bytes(b"notes of the engineer")
    recover_files(MemoryDisk(made.data), tmp_path)
    assert mine.read_bytes() == b"notes of the engineer"
    assert (tmp_path / "files" / "readme (2).txt").read_bytes() == made.files["readme.txt"]


@with_fat
def test_content_that_contradicts_its_format_costs_the_state_exact() -> None:
    made = make_fat(16)
    data = bytearray(made.data)
    at = data.index(b"README  TXT")
    data[at + 8 : at + 11] = b"PNG"
    listing = list_files(MemoryDisk(bytes(data)))
    record = next(f for f in listing.files if f.path == "readme.png")
    assert record.state is FileState.DOUBTFUL
    assert record.reason.startswith("its content is not sound PNG: named .png")


@with_fat
def test_every_record_has_a_reason_and_runs_that_hold_its_bytes() -> None:
    made = make_fat(16)
    for record in list_files(MemoryDisk(made.data)).files:
        assert record.reason
        content = b"".join(made.data[r.first_sector * 512 : (r.first_sector + r.count) * 512] for r in record.runs)
        assert content[: record.size] == made.files[record.path]
        assert len(content) - record.size < 512


@needs("mkfs.ntfs", "ntfscp")
def test_a_second_stream_is_a_file_of_its_own(tmp_path: Path) -> None:
    listing = recover_files(MemoryDisk(make_ntfs().data), tmp_path)
    record = next(f for f in listing.files if f.path == "survey.bin:note")
    assert (record.state, record.size) == (FileState.EXACT, 15)
    assert (tmp_path / "files" / "survey.bin_note").read_bytes() == b"a second stream"
    assert listing.volumes[0].label == "harbour"


HOSTILE = [
    "../../escape.txt",
    "/etc/shadow",
    "..",
    ".",
    "a/../../b",
    "con",
    "NUL.txt",
    "nul",
    "x:y|z?.txt",
    "line\nbreak\x1b[31m.txt",
    "trailing. . ",
    "n" * 300 + ".jpeg",
    "\N{SNOWMAN}" * 200,
    "c:\\windows\\x",
    "\ud800 half a pair",
    "",
    "   ",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_below_their_folder(tmp_path: Path, name: str) -> None:
    root = tmp_path / "files"
    place, digest = Writer(root).write(MemoryDisk(noise(1, 512)), Found(name, 300, (Extent(0, 0, 300),)))
    assert place.resolve().is_relative_to(root.resolve())
    assert place.read_bytes() == noise(1, 512)[:300]
    assert digest == hashlib.sha256(noise(1, 512)[:300]).hexdigest()
    for part in place.relative_to(root).parts:
        assert part not in ("", ".", "..")
        assert len(part.encode()) <= 255
        assert not part.endswith((" ", "."))
        assert not set(part) & set('<>:"|?*\\\n\x1b')


def test_names_that_clash_get_numbers(tmp_path: Path) -> None:
    disk, writer = MemoryDisk(noise(2, 1024)), Writer(tmp_path)
    paths = [
        writer.write(disk, Found(name, 10, (Extent(0, at, 10),)))[0].name
        for name, at in (("a.txt", 0), ("A.TXT", 100), ("a.txt", 0), ("a:txt", 5), ("a_txt", 9))
    ]
    assert paths == ["a.txt", "A (2).TXT", "a (3).txt", "a_txt", "a_txt (2)"]


def test_a_file_and_a_folder_of_one_name_both_come_through(tmp_path: Path) -> None:
    disk, writer = MemoryDisk(noise(3, 512)), Writer(tmp_path)
    writer.write(disk, Found("log", 5, (Extent(0, 0, 5),)))
    below, _ = writer.write(disk, Found("log/day.txt", 6, (Extent(0, 0, 6),)))
    assert below == tmp_path / "log (2)" / "day.txt"


def test_a_link_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    outside, root = tmp_path / "outside", tmp_path / "files"
    outside.mkdir()
    root.mkdir()
    (root / "log").symlink_to(outside)
    place, _ = Writer(root).write(MemoryDisk(noise(4, 512)), Found("log/day.txt", 6, (Extent(0, 0, 6),)))
    assert not list(outside.iterdir())
    assert place == root / "log (2)" / "day.txt"


def test_safe_names_are_kept_as_they_are() -> None:
    assert [safe_name(n) for n in ("Übersicht 2024.tar.gz", "a b (2).txt")] == ["Übersicht 2024.tar.gz", "a b (2).txt"]
    assert safe_path(Path("r"), "a//b") == Path("r/a/b")
    assert numbered(Path("a/b.txt"), 3) == Path("a/b (3).txt")


@with_fat
def test_hostile_names_on_a_volume_end_up_below_the_folder(tmp_path: Path) -> None:
    made = make_fat(16)
    layout = parse_boot(made.data[:512])
    assert layout is not None
    data = bytearray(made.data)
    slot = data.index(b"FILLER1 BIN")
    name = "../../../x\n.bin".encode("utf-16-le").ljust(26, b"\xff")
    checksum = 0
    for byte in data[slot : slot + 11]:
        checksum = ((checksum & 1) << 7) + (checksum >> 1) + byte & 0xFF
    free = layout.root_offset
    while data[free]:
        free += 32
    long = [name[:26], name[26:]]
    parts = []
    for index, text in reversed(list(enumerate(long, 1))):
        full = (text + b"\0\0" if index == 2 else text).ljust(26, b"\xff")
        order = index | (0x40 if index == 2 else 0)
        parts.append(struct.pack("<B10sBBB12sH4s", order, full[:10], 0x0F, 0, checksum, full[10:22], 0, full[22:26]))
    entry = bytes(data[slot : slot + 32])
    data[slot] = 0xE5
    data[free : free + 96] = b"".join(parts) + entry
    listing = recover_files(MemoryDisk(bytes(data)), tmp_path)
    assert any(f.path == "../../../x\n.bin" and f.state is FileState.EXACT for f in listing.files)
    assert (tmp_path / "files" / "_" / "_" / "_" / "x_.bin").read_bytes() == made.files["filler1.bin"]
    assert {p.name for p in tmp_path.iterdir()} == {"files", "deleted"}


@with_fat
def test_a_damaged_file_is_written_as_far_as_it_is_there(tmp_path: Path) -> None:
    made = make_fat(16)
    clean = next(f for f in list_files(MemoryDisk(made.data)).files if f.path == "logs/Mareograph long-named log.csv")
    lost = clean.runs[0].first_sector
    listing = recover_files(spoil(made.data, {lost: SectorState.LOST}), tmp_path)
    record = next(f for f in listing.files if f.path == clean.path)
    assert (record.state, record.lost_ranges) == (FileState.DAMAGED, ((0, 512),))
    assert (tmp_path / "files" / clean.path).read_bytes()[512:] == made.files[clean.path][512:]


@needs("mke2fs", "debugfs")
def test_a_hole_larger_than_the_world_is_listed_but_not_written(tmp_path: Path) -> None:
    made = make_ext("ext4")
    image = tmp_path / "holes.img"
    image.write_bytes(made.data)
    run("debugfs", "-w", "-R", "set_inode_field readme.txt size 4398046511104", image)
    listing = recover_files(MemoryDisk(image.read_bytes()), tmp_path)
    record = next(f for f in listing.files if f.path == "readme.txt")
    assert (record.size, record.sha256, record.state) == (4 << 40, "", FileState.DOUBTFUL)
    assert "not written: the volume claims more" in record.reason
    assert any("readme.txt" in text and "not written" in text for text in listing.problems)
    assert (tmp_path / "files" / "soundings/deep/line 8.bin").read_bytes() == made.files["soundings/deep/line 8.bin"]


@with_fat
def test_a_file_that_cannot_be_written_is_listed_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = make_fat(12)
    write = Writer.write

    def full(self: Writer, disk: Disk, file: Found) -> tuple[Path, str]:
        if file.path == "readme.txt":
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(self, disk, file)

    monkeypatch.setattr(Writer, "write", full)
    listing = recover_files(MemoryDisk(made.data), tmp_path)
    assert len(listing.files) == len(made.files)
    record = next(f for f in listing.files if f.path == "readme.txt")
    assert (record.state, record.sha256) == (FileState.DOUBTFUL, "")
    assert listing.problems == ("'readme.txt': could not be written: No space left on device",)


def test_two_files_of_one_name_are_doubtful() -> None:
    files = [Found("tides.txt", 1), Found("Tides.TXT", 2), Found("log.txt", 3), Found("log.txt", 3, deleted=True)]
    told = "another live file has the same name"
    assert [told in one.doubts for one in mark_namesakes(files, case_counts=False)] == [True, True, False, False]
    assert not any(one.doubts for one in mark_namesakes(files, case_counts=True))


@needs("mkfs.fat", "mcopy")
def test_a_directory_that_lists_a_name_twice() -> None:
    data = bytearray(make_fat(16).data)
    first, second = data.index(b"FILLER1 BIN"), data.index(b"FILLER3 BIN")
    data[second : second + 11] = data[first : first + 11]
    found = [one for one in list_files(MemoryDisk(bytes(data))).files if one.path.casefold() == "filler1.bin"]
    assert [one.state for one in found] == [FileState.DOUBTFUL] * 2
