import os
import shutil
import subprocess
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import pytsk3
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.simulate import fat
from deadstick.simulate.contents import SimFile, scenario_files
from deadstick.simulate.volume import FatVolume, fat_volume

ImageInfo = Callable[[NDArray[np.uint8]], pytsk3.Img_Info]
ListFiles = Callable[[pytsk3.FS_Info], list[tuple[str, bytes, bool]]]
TOOLS = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
FSCK = shutil.which("fsck.fat", path=TOOLS)
MCOPY = shutil.which("mcopy", path=TOOLS)
MOMENT = datetime(2020, 2, 29, 23, 58, 58)  # noqa: DTZ001 - FAT knows local time only

needs_fsck = pytest.mark.skipif(FSCK is None, reason="Debian's dosfstools are not installed")
needs_mtools = pytest.mark.skipif(MCOPY is None, reason="Debian's mtools are not installed")

# size, cluster_sectors, partitioned, type
VOLUMES = [
    pytest.param(3 << 20, None, False, 12, id="fat12"),
    pytest.param(3 << 20, 8, True, 12, id="fat12-mbr64"),
    pytest.param(12 << 20, None, False, 16, id="fat16"),
    pytest.param(24 << 20, None, True, 16, id="fat16-mbr2048"),
    pytest.param(36 << 20, 1, False, 32, id="fat32"),
    pytest.param(40 << 20, 1, True, 32, id="fat32-mbr2048"),
]


@pytest.fixture(scope="module")
def live() -> list[SimFile]:
    return scenario_files(seed=21, total_bytes=1_200_000)


@pytest.fixture(scope="module")
def gone() -> list[SimFile]:
    return [SimFile(f"Drafts/{f.path}", f.data, f.modified) for f in scenario_files(22, 150_000)]


def first_sector(image: NDArray[np.uint8], *, partitioned: bool) -> int:
    if not partitioned:
        return 0
    assert image[510:512].tobytes() == b"\x55\xaa"
    return int.from_bytes(image[446 + 8 : 446 + 12].tobytes(), "little")


@pytest.mark.parametrize(("size", "cluster_sectors", "partitioned", "bits"), VOLUMES)
def test_another_reader_finds_live_and_deleted_files(
    size: int, cluster_sectors: int | None, partitioned: bool, bits: int, live: list[SimFile], gone: list[SimFile],
    image_info: ImageInfo, list_files: ListFiles,
) -> None:  # fmt: skip
    image = fat_volume(live, size, 5, deleted=gone, partitioned=partitioned, cluster_sectors=cluster_sectors)
    start = first_sector(image, partitioned=partitioned)
    assert start in ({64, 2048} if partitioned else {0})
    disk = image_info(image)
    if partitioned:
        parts = [part.start for part in pytsk3.Volume_Info(disk) if part.flags == pytsk3.TSK_VS_PART_FLAG_ALLOC]
        assert parts == [start]
    volume = pytsk3.FS_Info(disk, offset=start * 512)
    types = {12: pytsk3.TSK_FS_TYPE_FAT12, 16: pytsk3.TSK_FS_TYPE_FAT16, 32: pytsk3.TSK_FS_TYPE_FAT32}
    assert volume.info.ftype == types[bits]
    found = list_files(volume)
    assert {path: data for path, data, used in found if used} == {f.path: f.data for f in live}
    deleted = [data for _, data, used in found if not used]
    assert sorted(deleted) == sorted(f.data for f in gone)


@needs_fsck
@pytest.mark.parametrize(("size", "cluster_sectors", "partitioned", "bits"), VOLUMES)
def test_the_file_system_checker_has_no_complaint(
    size: int, cluster_sectors: int | None, partitioned: bool, bits: int, live: list[SimFile], gone: list[SimFile],
    tmp_path: Path,
) -> None:  # fmt: skip
    image = fat_volume(live, size, 6, deleted=gone, partitioned=partitioned, cluster_sectors=cluster_sectors)
    start = first_sector(image, partitioned=partitioned) * 512
    image[start:].tofile(tmp_path / "volume.img")
    assert FSCK is not None
    run = subprocess.run([FSCK, "-n", "-v", tmp_path / "volume.img"], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    assert f"{bits} bit entries" in run.stdout
    # Nothing but the figures: a complaint would stand between the count of clusters and the last line.
    assert "differ" not in run.stdout
    assert "Leaving file system unchanged" not in run.stdout


@needs_mtools
def test_mtools_copies_the_same_bytes(live: list[SimFile], tmp_path: Path) -> None:
    image = fat_volume(live, 12 << 20, 7)
    image.tofile(tmp_path / "volume.img")
    assert MCOPY is not None
    out = tmp_path / "out"
    out.mkdir()
    subprocess.run(
        [MCOPY, "-s", "-n", "-m", "-i", tmp_path / "volume.img", "::*", out],
        check=True,
        capture_output=True,
        env={"MTOOLS_SKIP_CHECK": "0", "LC_ALL": "C.UTF-8", "TZ": "UTC"},
    )
    copied = {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    assert copied == {f.path: f.data for f in live}
    modified = datetime.fromtimestamp((out / live[0].path).stat().st_mtime)  # noqa: DTZ006 - local time on both sides
    assert abs(modified - live[0].modified) < timedelta(hours=15)


def test_equal_arguments_give_equal_images(live: list[SimFile], gone: list[SimFile]) -> None:
    first = fat_volume(live, 3 << 20, 8, deleted=gone)
    assert (first == fat_volume(live, 3 << 20, 8, deleted=gone)).all()
    assert (first != fat_volume(live, 3 << 20, 9, deleted=gone)).any()


def test_some_files_are_fragmented_and_extents_say_where(live: list[SimFile]) -> None:
    volume = FatVolume(3 << 20, 1)
    for file in live[:20]:
        volume.write(file, fragments=3)
    image = volume.image()
    broken = 0
    for file in live[:20]:
        places = volume.extents(file.path)
        size = volume.shape.cluster_bytes
        stored = b"".join(image[place : place + size].tobytes() for place in places)
        assert stored[: len(file.data)] == file.data
        broken += any(b - a != size for a, b in pairwise(places))
    assert broken >= 10


def test_overwriting_keeps_the_old_content_on_the_disk(image_info: ImageInfo, list_files: ListFiles) -> None:
    volume = FatVolume(2 << 20, 1)
    volume.write(SimFile("log.txt", b"first state of the log " * 100, MOMENT))
    before = volume.extents("log.txt")
    volume.write(SimFile("log.txt", b"second, shorter state", MOMENT))
    image = volume.image()
    assert list_files(pytsk3.FS_Info(image_info(image))) == [("log.txt", b"second, shorter state", True)]
    assert image[before[0] : before[0] + 11].tobytes() == b"first state"


def test_a_volume_that_was_filled_deleted_and_filled_again_is_sound(
    tmp_path: Path, image_info: ImageInfo, list_files: ListFiles
) -> None:
    volume = FatVolume(1 << 20, 3)
    rng = np.random.default_rng(3)
    state: dict[str, bytes] = {}
    for step in range(300):
        path = f"Folder {step % 7}/measurement number {int(rng.integers(40))}.dat"
        if path in state and rng.random() < 0.5:
            volume.delete(path)
            del state[path]
        elif sum(map(len, state.values())) < 600_000:
            state[path] = rng.bytes(int(rng.integers(0, 20_000)))
            volume.write(SimFile(path, state[path], MOMENT), fragments=int(rng.integers(1, 4)))
    image = volume.image()
    listing = list_files(pytsk3.FS_Info(image_info(image)))
    assert {path: data for path, data, used in listing if used} == state
    if FSCK is not None:
        image.tofile(tmp_path / "volume.img")
        run = subprocess.run([FSCK, "-n", tmp_path / "volume.img"], capture_output=True, text=True, check=False)
        assert run.returncode == 0, run.stdout


def test_wrong_calls_say_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="full"):
        fat_volume([SimFile("big.bin", bytes(3 << 20), MOMENT)], 2 << 20, 1)
    with pytest.raises(ValueError, match="root directory is full"):
        fat_volume([SimFile(f"LINE{i}.TXT", b"", MOMENT) for i in range(600)], 2 << 20, 1)
    with pytest.raises(ValueError, match="whole number of sectors"):
        FatVolume(1_000_001, 1)
    with pytest.raises(ValueError, match="No FAT volume"):
        FatVolume(20 * 512, 1)
    volume = FatVolume(1 << 20, 1)
    volume.write(SimFile("a/b.txt", b"x", MOMENT))
    with pytest.raises(ValueError, match="is a folder"):
        volume.write(SimFile("a", b"x", MOMENT))
    with pytest.raises(ValueError, match="is a file"):
        volume.write(SimFile("a/b.txt/c", b"x", MOMENT))
    with pytest.raises(KeyError):
        volume.delete("a/c.txt")


# fatgen103, "FAT type determination": thresholds as in U-Boot fs/fat/fat.c (MAX_FAT12 = 0xFF4) and Microsoft's text.
def test_the_type_follows_from_the_count_of_clusters_alone() -> None:
    assert [fat.fat_bits(n) for n in (1, 4084, 4085, 65524, 65525)] == [12, 12, 16, 16, 32]


# The algorithm from memory of Microsoft's text; these four values were recomputed independently.
@pytest.mark.parametrize(
    ("name", "checksum"), [(b"README  TXT", 0x73), (b"FILE    BIN", 0x07), (b"ABCDEFGHIJK", 0xA4), (b" " * 11, 0xF7)]
)
def test_short_name_checksums(name: bytes, checksum: int) -> None:
    assert fat.short_name_checksum(name) == checksum


@settings(deadline=None, max_examples=60)
@given(sectors=st.integers(64, 3 << 20), cluster_sectors=st.sampled_from([None, 1, 2, 4, 8, 64]))
def test_a_shape_fills_the_volume(sectors: int, cluster_sectors: int | None) -> None:
    try:
        shape = fat.FatShape.fit(sectors, cluster_sectors)
    except ValueError:
        return
    end = shape.data_sector + shape.clusters * shape.cluster_sectors
    assert end <= sectors < end + shape.cluster_sectors + 2
    assert shape.bits == fat.fat_bits(shape.clusters)
    assert shape.fat_sectors * 512 * 8 >= (shape.clusters + 2) * shape.bits


@settings(deadline=None, max_examples=60)
@given(entries=st.lists(st.integers(0, 0xFFF), max_size=40))
def test_twelve_bit_tables_read_back(entries: list[int]) -> None:
    packed = fat.table_bytes(np.array(entries, np.uint32), 12).tobytes() + b"\0"
    # U-Boot fs/fat/fat.c: entry n is the 16 bits at 3n/2, shifted right by 4 for odd n.
    read = [
        (int.from_bytes(packed[3 * n // 2 : 3 * n // 2 + 2], "little") >> 4 * (n % 2)) & 0xFFF
        for n in range(len(entries))
    ]
    assert read == entries


@settings(deadline=None, max_examples=100)
@given(names=st.lists(st.text("aäB9. ~+é", min_size=1, max_size=30), unique=True, max_size=30))
def test_short_names_are_legal_and_unique(names: list[str]) -> None:
    taken: set[bytes] = set()
    for name in names:
        short = fat.short_name(name, taken)
        assert len(short) == 11
        assert short not in taken
        assert set(short.decode("ascii")) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_~ ")
        assert short[:1] != b" "
        taken.add(short)
