"""Partition tables and the volumes behind them."""

import zlib

from files_kit import MemoryDisk, disk_with, gpt, look, make_fat, mbr, needs, noise, spoil

from deadstick.files.partitions import first_partition_sector, read_partitions
from deadstick.files.records import FileState
from deadstick.files.scan import list_files
from deadstick.files.volumes import find_volumes
from deadstick.rebuild.disk_protocol import SectorState

START, SECOND = 63, 8192


@needs("mkfs.fat", "mcopy")
def test_one_partition_is_read_and_exact() -> None:
    made = make_fat(12)
    count = len(made.data) // 512
    data = disk_with((START, made.data), sectors=2048, first=mbr((0x01, START, count)))
    seen, _ = look(MemoryDisk(data))
    exact = {one.path for one in seen if one.state is FileState.EXACT}
    assert exact == set(made.files)


@needs("mkfs.fat", "mcopy")
def test_two_partitions_give_prefixed_paths() -> None:
    small, large = make_fat(12), make_fat(16)
    table = mbr((0x01, START, len(small.data) // 512), (0x06, SECOND, len(large.data) // 512))
    data = disk_with((START, small.data), (SECOND, large.data), sectors=16_384, first=table)
    listing = list_files(MemoryDisk(data))
    assert [v.kind for v in listing.volumes] == ["FAT12", "FAT16"]
    assert {f.path for f in listing.files} == {
        f"volume-{i}/{path}" for i, m in ((1, small), (2, large)) for path in m.files
    }
    assert {f.state for f in listing.files} == {FileState.EXACT}


@needs("mkfs.fat", "mcopy")
def test_a_logical_partition_is_found() -> None:
    made = make_fat(12)
    count = len(made.data) // 512
    data = disk_with((200, mbr((0x01, 63, count))), (263, made.data), sectors=4096, first=mbr((0x05, 200, 3000)))
    assert [(p.first_sector, p.sectors) for p in read_partitions(MemoryDisk(data)).partitions] == [(263, count)]


@needs("mkfs.fat", "mcopy")
def test_the_second_gpt_header_stands_in_for_a_lost_first() -> None:
    made = make_fat(12)
    data = gpt(128, len(made.data) // 512, 4096, made.data)
    table = read_partitions(MemoryDisk(data))
    assert (table.scheme, table.problems) == ("GPT", ())
    assert [(p.first_sector, p.sectors) for p in table.partitions] == [(128, len(made.data) // 512)]
    broken = spoil(data, {1: SectorState.LOST, 2: SectorState.LOST})
    assert [p.first_sector for p in read_partitions(broken).partitions] == [128]
    assert {one.state for one in look(broken)[0] if not one.file.deleted} == {FileState.EXACT}


def test_a_table_tells_where_its_first_partition_begins() -> None:
    table = mbr((0x06, SECOND, 400), (0x01, START, 400))
    assert first_partition_sector(table, 16_384) == START
    assert first_partition_sector(table, START) == 0
    assert first_partition_sector(mbr(), 16_384) == 0
    assert first_partition_sector(mbr((0x01, START, 400), boot=b"\x55" * 446), 16_384) == START
    assert first_partition_sector(table[:446] + b"\x55" * 64 + table[510:], 16_384) == 0


def test_crc_32_of_an_empty_gpt() -> None:
    # CRC-32/ISO-HDLC, check value of the catalogues, and the empty table of 128 entries.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert zlib.crc32(bytes(16_384)) == 0xAB54D286


@needs("mkfs.fat", "mcopy")
def test_without_its_partition_table_a_volume_is_still_found_but_doubtful() -> None:
    made = make_fat(12)
    data = disk_with((START, made.data), sectors=2048, first=mbr((0x01, START, len(made.data) // 512)))
    seen, _ = look(spoil(data, {0: SectorState.LOST}, "zeros"))
    live = [one for one in seen if not one.file.deleted]
    assert {one.path for one in live} == set(made.files)
    assert {one.state for one in live} == {FileState.DOUBTFUL}


@needs("mkfs.fat", "mcopy")
def test_an_old_boot_sector_copy_in_the_gap_is_not_taken_for_the_disk() -> None:
    old, made = make_fat(32), make_fat(12)
    table = mbr((0x01, START, len(made.data) // 512))
    data = disk_with((6, old.data[6 * 512 : 7 * 512]), (START, made.data), sectors=70_000, first=table)
    assert [(p.kind, p.first_sector) for p in find_volumes(MemoryDisk(data)).places] == [("FAT12", START)]


def test_a_partition_beyond_the_end_is_a_problem_not_an_error() -> None:
    data = disk_with(sectors=100, first=mbr((0x06, 5_000, 10), (0x06, 50, 5_000)))
    listing = list_files(MemoryDisk(data))
    assert listing.files == ()
    assert any("beyond the end of the disk: left out" in text for text in listing.problems)
    assert any("reaches beyond the end" in text for text in listing.problems)


def test_a_disk_of_noise_gives_an_empty_listing_with_a_problem() -> None:
    listing = list_files(MemoryDisk(noise(1, 8 << 20)))
    assert (listing.volumes, listing.files, listing.deleted) == ((), (), ())
    assert listing.problems == ("no partition table and no volume was found",)


def test_an_empty_disk_is_no_error() -> None:
    assert list_files(MemoryDisk(b"")).problems
    assert list_files(MemoryDisk(bytes(512))).problems
