"""What earlier formats leave on a stick: volumes and tables that are whole, proven, and no longer true."""

from pathlib import Path

import numpy as np
import pytest
from files_kit import (
    MemoryDisk,
    disk_with,
    gpt,
    look,
    make_exfat,
    make_ext,
    make_fat,
    make_ntfs,
    mbr,
    needs,
    run,
    sha,
    spoil,
)

from deadstick.files import volumes
from deadstick.files.partitions import read_partitions
from deadstick.files.records import FileState
from deadstick.files.volumes import find_volumes
from deadstick.rebuild.disk_protocol import SectorState

START = 63
LOST = SectorState.LOST


def over(old: bytes, new: bytes) -> bytes:
    """A disk with an old volume on which a new, smaller one was made."""
    used = int(np.flatnonzero(np.frombuffer(new, np.uint8))[-1]) // 512 * 512 + 512
    return new[:used] + old[used:]


def exact(disk: MemoryDisk) -> dict[str, str]:
    return {one.path: one.sha256 for one in look(disk)[0] if one.state is FileState.EXACT}


@needs("mkfs.fat", "mcopy", "mkfs.ntfs", "ntfscp")
@pytest.mark.parametrize("how", ["noise", "zeros", "flips"])
@pytest.mark.parametrize("bits", [12, 16])
def test_an_old_volume_does_not_rise_when_the_new_boot_sector_is_lost(bits: int, how: str) -> None:
    """The last sector still holds the copy of the old boot sector, and the old file records still stand."""
    data = over(make_ntfs().data, make_fat(bits).data)
    assert not exact(spoil(data, {0: LOST}, how))


@needs("mkfs.fat", "mcopy", "mkfs.ntfs", "ntfscp")
def test_the_old_volume_would_rise_if_its_copy_were_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(volumes, "_vouches", lambda *_: True)
    data = over(make_ntfs().data, make_fat(12).data)
    assert [place.kind for place in find_volumes(spoil(data, {0: LOST})).places] == ["NTFS"]


@needs("mkfs.fat", "mcopy", "mke2fs", "debugfs")
@pytest.mark.parametrize("how", ["noise", "zeros", "flips"])
def test_an_old_superblock_behind_a_lost_boot_sector_proves_nothing(how: str) -> None:
    """A volume may leave the second kilobyte alone, and copies of superblocks further on in any case."""
    old, new = make_ext("ext2").data, make_fat(16).data
    data = bytearray(over(old, new))
    data[1024:2048] = old[1024:2048]
    assert not exact(spoil(bytes(data), {0: LOST}, how))
    assert not exact(spoil(bytes(data), {0: LOST, 2: LOST, 3: LOST}, how))


@needs("mkfs.fat", "mcopy", "mke2fs", "debugfs")
def test_a_superblock_in_the_gap_behind_a_partition_table_is_old() -> None:
    made, old = make_fat(12), make_ext("ext2").data
    data = bytearray(old)
    data[:512] = mbr((0x01, START, len(made.data) // 512))
    data[START * 512 : START * 512 + len(made.data)] = made.data
    assert [(p.kind, p.first_sector) for p in find_volumes(MemoryDisk(bytes(data))).places] == [("FAT12", START)]
    assert not exact(spoil(bytes(data), {0: LOST}))


@needs("mkfs.exfat", "mkfs.fat", "mcopy")
def test_a_partition_table_of_earlier_times_is_not_followed() -> None:
    """The stick was partitioned anew, and only its first sector was written: the old GPT is whole."""
    old, made = make_exfat(), make_fat(12)
    data = bytearray(gpt(128, len(old.data) // 512, 32_768, old.data))
    data[:512] = mbr((0x01, 20_000, len(made.data) // 512))
    data[20_000 * 512 : 20_000 * 512 + len(made.data)] = made.data
    disk = MemoryDisk(bytes(data))
    assert exact(disk) == {path: sha(content) for path, content in made.files.items()}
    assert "leftover" in read_partitions(disk).problems[0]
    assert not exact(spoil(bytes(data), {0: LOST}, "zeros"))


@needs("mkfs.fat", "mcopy")
def test_partitions_that_overlap_are_doubtful() -> None:
    made = make_fat(12)
    sectors = len(made.data) // 512
    table = mbr((0x01, START, sectors), (0x01, START + sectors - 100, sectors))
    data = disk_with((START, made.data), (START + sectors - 100, made.data), sectors=4096, first=table)
    places = find_volumes(MemoryDisk(data)).places
    assert len(places) == 2
    assert all("another volume claims some of its sectors" in place.doubts for place in places)
    assert not exact(MemoryDisk(data))


@needs("mke2fs")
def test_a_feature_that_is_not_known_makes_a_volume_doubtful(tmp_path: Path) -> None:
    """With inline data small files lie in their own records, where a reader without it sees block numbers."""
    image, tree = tmp_path / "ext.img", tmp_path / "tree"
    tree.mkdir()
    (tree / "small.txt").write_bytes(b"low water 04:10")
    image.write_bytes(bytes(8 << 20))
    run("mke2fs", "-q", "-t", "ext4", "-O", "inline_data", "-I", "256", "-d", tree, image)
    disk = MemoryDisk(image.read_bytes())
    assert "features that are not known here (0x8000)" in find_volumes(disk).places[0].doubts[0]
    assert not exact(disk)
