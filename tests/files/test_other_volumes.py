"""exFAT, NTFS and ext volumes through the worker."""

import struct
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from files_kit import ENVIRONMENT, Made, MemoryDisk, Seen, look, make_exfat, make_ext, make_ntfs, needs, run, sha, spoil

from deadstick.files.ext_record import recorded_size
from deadstick.files.judge_other import exfat_boot_checksum, exfat_set_checksum
from deadstick.files.ntfs_record import fix_record, initialised_size, log_is_clean
from deadstick.files.records import HOLE, FileState
from deadstick.files.volumes import find_volumes
from deadstick.files.walk import read_other
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

Maker = Callable[[], Made]

VOLUMES = [
    pytest.param(lambda: make_ext("ext2"), "ext2", marks=needs("mke2fs", "debugfs"), id="ext2"),
    pytest.param(lambda: make_ext("ext4"), "ext4", marks=needs("mke2fs", "debugfs"), id="ext4"),
    pytest.param(make_ntfs, "NTFS", marks=needs("mkfs.ntfs", "ntfscp"), id="NTFS"),
    pytest.param(make_exfat, "exFAT", marks=needs("mkfs.exfat"), id="exFAT"),
]


def live(seen: list[Seen]) -> dict[str, Seen]:
    return {one.path: one for one in seen if not one.file.deleted}


def sector_of(one: Seen, number: int = 0) -> int:
    solid = [extent for extent in one.file.extents if extent.disk_offset != HOLE]
    return solid[0].disk_offset // SECTOR_BYTES + number


@pytest.mark.parametrize(("make", "kind"), VOLUMES)
def test_a_proven_disk_gives_every_file_exact(make: Maker, kind: str) -> None:
    made = make()
    seen, _ = look(MemoryDisk(made.data))
    assert {path: one.sha256 for path, one in live(seen).items()} == {p: sha(c) for p, c in made.files.items()}
    assert {one.state for one in live(seen).values()} == {FileState.EXACT}
    place = find_volumes(MemoryDisk(made.data)).places[0]
    assert place.kind == kind
    assert read_other(place).label == "harbour"


@pytest.mark.parametrize(("make", "kind"), [v for v in VOLUMES if v.id != "NTFS"])
def test_a_deleted_file_is_found_and_is_never_exact(make: Maker, kind: str) -> None:
    made = make()
    seen, _ = look(MemoryDisk(made.data))
    gone = {one.path: one for one in seen if one.file.deleted}
    for path, content in made.deleted.items():
        assert gone[path].sha256 == sha(content), kind
        assert gone[path].state is FileState.DOUBTFUL
        assert "deleted" in gone[path].reason


@pytest.mark.parametrize(("make", "kind"), VOLUMES)
def test_a_lost_sector_damages_its_file_alone(make: Maker, kind: str) -> None:
    made = make()
    path = max(made.files, key=lambda p: len(made.files[p]) if "holes" not in p else 0)
    sector = sector_of(live(look(MemoryDisk(made.data))[0])[path], 2)
    seen, _ = look(spoil(made.data, {sector: SectorState.LOST}))
    bad = {p: one for p, one in live(seen).items() if one.state is not FileState.EXACT}
    assert set(bad) == {path}, kind
    assert bad[path].state is FileState.DAMAGED
    assert "bytes 1024 to 1535 are lost" in bad[path].reason


@pytest.mark.parametrize(("make", "kind"), VOLUMES)
def test_unproven_sectors_in_the_tables_cost_the_files_that_rest_on_them(make: Maker, kind: str) -> None:
    """All sectors but those of file contents: nothing that lies there may stay exact."""
    made = make()
    seen, _ = look(MemoryDisk(made.data))
    contents = {
        extent.disk_offset // SECTOR_BYTES + i
        for one in seen
        for extent in one.file.extents
        if extent.disk_offset != HOLE
        for i in range(-(-extent.length // SECTOR_BYTES))
    }
    tables = set(range(len(made.data) // SECTOR_BYTES)) - contents
    after, problems = look(spoil(made.data, dict.fromkeys(tables, SectorState.DOUBTFUL), "same"))
    assert len(live(after)) == len(live(seen)), kind
    assert {one.state for one in live(after).values()} == {FileState.DOUBTFUL}
    assert any("not proven" in text for text in problems)


@needs("mke2fs", "debugfs")
def test_one_lost_inode_sector_does_not_taint_the_rest() -> None:
    made = make_ext("ext4")
    seen, _ = look(MemoryDisk(made.data))
    spread = {}
    for sector in _table_sectors(made):
        after, _ = look(spoil(made.data, {sector: SectorState.LOST}))
        spread[sector] = {p for p in made.files if p not in live(after) or live(after)[p].state is not FileState.EXACT}
    assert any(0 < len(bad) < len(live(seen)) for bad in spread.values()), spread


def _table_sectors(made: Made) -> list[int]:
    """Sectors of the first inode table (group descriptor, byte 8: its block)."""
    block = struct.unpack_from("<I", made.data, 2048 + 8)[0]
    return list(range(2 * block + 2, 2 * block + 14, 2))


@needs("mke2fs", "debugfs")
def test_a_journal_that_was_never_replayed_makes_everything_doubtful() -> None:
    made = make_ext("ext4")
    data = bytearray(made.data)
    data[1024 + 96] |= 0x4  # incompat feature "needs recovery" (Linux fs/ext4/ext4.h)
    place = find_volumes(MemoryDisk(bytes(data))).places[0]
    assert "journal" in place.doubts[0]


@needs("mke2fs", "debugfs")
def test_a_lost_superblock_is_replaced_by_a_copy() -> None:
    made = make_ext("ext2")
    seen, problems = look(spoil(made.data, {2: SectorState.LOST, 3: SectorState.LOST}, "flips"))
    assert {p for p, one in live(seen).items() if one.state is FileState.EXACT} == set(made.files)
    assert not any("does not open" in text for text in problems)


@needs("mke2fs", "debugfs")
def test_space_given_to_a_file_but_never_written_reads_as_zeros(tmp_path: Path) -> None:
    """Extents marked so hold what was there before, which is not the file's."""
    made, image = make_ext("ext4"), tmp_path / "ext.img"
    rows = np.frombuffer(made.data, np.uint8).reshape(-1, 1024).copy()
    empty = np.flatnonzero(~rows.any(axis=1))
    empty = empty[empty >= 1_000]
    rows[empty] = np.random.default_rng(3).integers(1, 256, (len(empty), 1024), np.uint8)
    image.write_bytes(rows.tobytes())
    run("debugfs", "-w", "-R", "fallocate empty.dat 0 9", image)
    run("debugfs", "-w", "-R", "set_inode_field empty.dat size 10240", image)
    one = live(look(MemoryDisk(image.read_bytes()))[0])["empty.dat"]
    assert (one.sha256, one.state) == (sha(bytes(10_240)), FileState.EXACT)
    assert "all zeros, which the volume stores nowhere" in one.reason


@needs("mkfs.exfat")
def test_a_lost_exfat_boot_sector_is_replaced_by_its_copy() -> None:
    made = make_exfat()
    seen, _ = look(spoil(made.data, {0: SectorState.LOST}, "flips"))
    assert {p for p, one in live(seen).items() if one.state is FileState.EXACT} == set(made.files)


@needs("mkfs.exfat")
def test_exfat_times_carry_the_zone_that_the_entry_names() -> None:
    file = live(look(MemoryDisk(make_exfat().data))[0])["tide table.txt"].file
    # Stored: 2025-06-01 12:30:20 (+0.5 s), offset 0x84 = four quarters of an hour east of UTC.
    assert file.modified == datetime(2025, 6, 1, 11, 30, 20, 500_000, tzinfo=UTC)


@needs("mkfs.exfat")
def test_what_was_never_written_in_an_exfat_file_is_a_hole() -> None:
    one = live(look(MemoryDisk(make_exfat().data))[0])["half written.bin"]
    assert [(e.file_offset, e.length, e.disk_offset == HOLE) for e in one.file.extents] == [
        (0, 2_500, False),
        (2_500, 3_500, True),
    ]


@needs("mkfs.ntfs", "ntfscp")
def test_a_torn_file_record_costs_its_file() -> None:
    made = make_ntfs()
    data = bytearray(made.data)
    at = made.data.index("small.txt".encode("utf-16-le"))
    record = at - at % 1024
    assert data[record : record + 4] == b"FILE"
    data[record + 1023] ^= 0xFF
    seen, _ = look(MemoryDisk(bytes(data)))
    assert "small.txt" not in live(seen) or live(seen)["small.txt"].state is not FileState.EXACT


def restart_page(*, number: int, in_use: int, flags: int) -> bytes:
    """ntfs-3g include/ntfs-3g/logfile.h, RESTART_PAGE_HEADER and RESTART_AREA."""
    page = bytearray(4096)
    struct.pack_into("<4sHHqIIHhh", page, 0, b"RSTR", 30, 9, 0, 4096, 4096, 0x30, 1, 1)
    struct.pack_into("<qHHHH", page, 0x30, number, 1, 0xFFFF if in_use == 0 else 0, in_use, flags)
    return bytes(page)


OPEN, SHUT_2000, SHUT = (
    restart_page(number=9, in_use=0, flags=0),
    restart_page(number=9, in_use=0xFFFF, flags=0),
    restart_page(number=9, in_use=0, flags=2),
)


@pytest.mark.parametrize(
    ("pages", "clean"),
    [
        (OPEN * 2, False),
        (SHUT * 2, True),
        (SHUT_2000 * 2, True),
        (restart_page(number=3, in_use=0, flags=2) + OPEN, False),
        (restart_page(number=3, in_use=0, flags=0) + SHUT, True),
        (b"\xff" * 8192, True),
        (bytes(8192), False),
        (b"", False),
    ],
)
def test_the_newer_restart_page_says_whether_the_log_is_clean(pages: bytes, *, clean: bool) -> None:
    assert log_is_clean(pages) is clean


@needs("mkfs.ntfs", "ntfscp")
@pytest.mark.parametrize(("pages", "state"), [(OPEN * 2, FileState.DOUBTFUL), (SHUT * 2, FileState.EXACT)])
def test_a_volume_pulled_out_while_it_was_written_is_doubtful(pages: bytes, state: FileState) -> None:
    data = bytearray(make_ntfs().data)
    log = max(range(0, len(data), 4096), key=lambda at: data[at : at + (1 << 20)].count(0xFF))  # made full of ones
    assert data[log : log + 8192].count(0xFF) == 8192
    data[log : log + 8192] = pages
    assert {one.state for one in live(look(MemoryDisk(bytes(data)))[0]).values()} == {state}


@needs("mkfs.ntfs", "ntfscp")
def test_content_behind_a_reparse_point_is_doubtful(tmp_path: Path) -> None:
    """System compression leaves a file of zeros with a reparse point, and the content in a stream of its own."""
    image, source = tmp_path / "ntfs.img", tmp_path / "source"
    image.write_bytes(make_ntfs().data)
    source.write_bytes(struct.pack("<IHH", 0x80000017, 8, 0) + bytes(8))
    run("ntfscp", "-a", "192", image, source, "small.txt")
    found = live(look(MemoryDisk(image.read_bytes()))[0])
    assert "reparse point" in found["small.txt"].reason
    assert found["small.txt"].state is FileState.DOUBTFUL
    assert found["tide table.txt"].state is FileState.EXACT


@needs("mke2fs", "debugfs")
@pytest.mark.parametrize("kind", ["ext2", "ext4"])
def test_lengths_in_records_are_found_without_opening_them(kind: str, tmp_path: Path) -> None:
    made, image = make_ext(kind), tmp_path / "ext.img"
    image.write_bytes(made.data)
    for path, content in made.files.items():
        said = subprocess.run(
            ["debugfs", "-R", f'stat "{path}"', image], env=ENVIRONMENT, capture_output=True, text=True, check=True
        ).stdout
        number = int(said.split()[1])
        size = recorded_size(lambda offset, length: made.data[offset : offset + length], 0, number)
        assert size == len(content)


def test_update_sequence() -> None:
    # Layout as several public readers of NTFS have it: number and array at the offset in byte 4.
    record = bytearray(1024)
    record[:4] = b"FILE"
    struct.pack_into("<HHHHH", record, 4, 48, 3, 0, 0, 0)
    struct.pack_into("<HHH", record, 48, 0x1234, 0xAAAA, 0xBBBB)
    record[510:512] = record[1022:1024] = b"\x34\x12"
    fixed = fix_record(bytes(record))
    assert fixed is not None
    assert (fixed[510:512], fixed[1022:1024]) == (b"\xaa\xaa", b"\xbb\xbb")
    record[1022] ^= 1
    assert fix_record(bytes(record)) is None


@needs("mkfs.ntfs", "ntfscp")
def test_initialised_size_is_read_from_a_real_record() -> None:
    made = make_ntfs()
    at = made.data.index("survey.bin".encode("utf-16-le"))
    record = fix_record(made.data[at - at % 1024 : at - at % 1024 + 1024])
    assert record is not None
    sizes = {initialised_size(record, 0x80, number) for number in range(8)} - {None}
    assert sizes == {40_000}


def test_exfat_checksums() -> None:
    # Computed independently from Linux fs/exfat/misc.c; the last value is what zeroing instead of skipping gives.
    counter = bytes(i & 0xFF for i in range(11 * 512))
    assert exfat_boot_checksum(counter) == 0xFFFBAC1B
    zeroed = bytearray(counter)
    for index in (106, 107, 112):
        zeroed[index] = 0
    assert exfat_boot_checksum(bytes(zeroed)) == exfat_boot_checksum(counter) != 0xFF162BFF
    entries = bytes([0x85, 2, 0, 0, *range(4, 32), 0xC0, *bytes(31), 0xC1, *bytes(31)])
    assert exfat_set_checksum(entries) == 0x0746


@needs("mkfs.exfat")
def test_exfat_boot_checksum_of_a_real_volume() -> None:
    data = make_exfat().data
    stored = np.frombuffer(data[11 * 512 : 12 * 512], "<u4")
    assert set(stored.tolist()) == {exfat_boot_checksum(data[: 11 * 512])}
