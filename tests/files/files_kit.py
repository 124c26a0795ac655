"""Disks in memory and real volumes made with Debian's tools, for the tests of the file step."""

import hashlib
import os
import shutil
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.files.fat import read_fat
from deadstick.files.finding import ContentCheck, Verdict
from deadstick.files.judge_other import exfat_boot_checksum, exfat_set_checksum
from deadstick.files.records import FileState, Found
from deadstick.files.verdict import judge, sector_facts
from deadstick.files.volumes import find_volumes
from deadstick.files.walk import read_other
from deadstick.files.writing import pieces
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

ENVIRONMENT = {**os.environ, "PATH": f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin", "MTOOLS_SKIP_CHECK": "1"}


def needs(*tools: str) -> pytest.MarkDecorator:
    missing = [tool for tool in tools if shutil.which(tool, path=ENVIRONMENT["PATH"]) is None]
    reason = f"Debian's {', '.join(missing)} not installed: scripts/test-tools.sh installs them as root"
    return pytest.mark.skipif(bool(missing), reason=reason)


def run(*command: str | Path, stdin: bytes = b"") -> None:
    done = subprocess.run(
        [str(part) for part in command], input=stdin, env=ENVIRONMENT, capture_output=True, check=False
    )
    assert done.returncode == 0, f"{command}: {done.stderr.decode(errors='replace')}"


@dataclass
class MemoryDisk:
    data: bytes
    marks: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    reads: int = 0

    def __post_init__(self) -> None:
        assert len(self.data) % SECTOR_BYTES == 0
        if not len(self.marks):
            self.marks = np.zeros(len(self.data) // SECTOR_BYTES, np.uint8)

    @property
    def size(self) -> int:
        return len(self.data)

    def read(self, offset: int, length: int) -> bytes:
        assert offset >= 0
        self.reads += 1
        return self.data[offset : offset + length]

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        assert 0 <= first_sector <= first_sector + count <= len(self.marks)
        return self.marks[first_sector : first_sector + count]


@dataclass(frozen=True)
class Made:
    """An image and what it holds."""

    data: bytes
    files: Mapping[str, bytes]
    deleted: Mapping[str, bytes] = field(default_factory=dict)
    older: bytes = b""
    """The same volume at an earlier time."""


def noise(seed: int, length: int) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, length, np.uint8).tobytes()


def spoil(disk: bytes, sectors: Mapping[int, SectorState], how: str = "noise", older: bytes = b"") -> MemoryDisk:
    """A disk whose `sectors` are in a weaker state and hold something else."""
    data, marks = bytearray(disk), np.zeros(len(disk) // SECTOR_BYTES, np.uint8)
    for sector, state in sectors.items():
        at = slice(sector * SECTOR_BYTES, (sector + 1) * SECTOR_BYTES)
        marks[sector] = state
        if how == "noise":
            data[at] = noise(sector, SECTOR_BYTES)
        elif how == "zeros":
            data[at] = bytes(SECTOR_BYTES)
        elif how == "older":
            data[at] = older[at]
        elif how == "flips":
            for bit in np.random.default_rng(sector).integers(0, SECTOR_BYTES * 8, 3).tolist():
                data[at.start + bit // 8] ^= 1 << bit % 8
        else:
            assert how == "same"
    return MemoryDisk(bytes(data), marks)


@dataclass(frozen=True)
class Seen:
    path: str
    sha256: str
    state: FileState
    reason: str
    file: Found


def look(disk: MemoryDisk) -> tuple[list[Seen], list[str]]:
    """Places and sectors alone, without content checks: what they call exact must stand on its own."""
    seen: list[Seen] = []
    problems: list[str] = []
    for place in find_volumes(disk).places:
        if place.fat is not None:
            fat = read_fat(place.disk, place.fat, place.doubts)
            files, said = fat.files, fat.problems
        else:
            other = read_other(place)
            files, said = other.files, other.problems
        problems += said
        for file in files:
            digest = hashlib.sha256()
            for piece in pieces(place.disk, file):
                digest.update(piece)
            facts = sector_facts(place.disk, file)
            state, reason = judge(file, facts, ContentCheck("", Verdict.UNKNOWN, ""))
            seen.append(Seen(file.path, digest.hexdigest(), state, reason, file))
    return seen, problems


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


TREE: dict[str, bytes] = {
    "readme.txt": b"the tide table of the harbour\n" * 40,
    "empty.dat": b"",
    "soundings/bay north 2024 survey.bin": noise(1, 9_000),
    "soundings/deep/line 7.bin": noise(2, 3_333),
    "soundings/deep/line 8.bin": noise(3, 512),
    "logs/Mareograph long-named log.csv": b"hour,level\n" + b"1,2.5\n" * 900,
}


def _mcopy(image: Path, folder: Path, files: Mapping[str, bytes]) -> None:
    made: set[str] = set()
    for path, content in files.items():
        parts = path.split("/")
        for depth in range(1, len(parts)):
            if (directory := "/".join(parts[:depth])) not in made:
                made.add(directory)
                subprocess.run(
                    ["mmd", "-i", image, f"::{directory}"], env=ENVIRONMENT, capture_output=True, check=False
                )
        source = folder / "source"
        source.write_bytes(content)
        run("mcopy", "-o", "-i", image, source, f"::{path}")


@cache
def make_fat(bits: int, cluster_sectors: int = 1, kib: int = 0) -> Made:
    """A volume whose files are in pieces: it was filled, partly deleted, and filled again."""
    kib = kib or {12: 512, 16: 4_400 * cluster_sectors // 2 + 300, 32: 33_600}[bits]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        image = folder / "fat.img"
        with image.open("wb") as file:
            file.truncate(kib * 1024)
        run("mkfs.fat", "-F", str(bits), "-s", str(cluster_sectors), "-n", "HARBOUR", image)
        fillers = {f"filler{i}.bin": noise(100 + i, 1_500) for i in range(12)}
        _mcopy(image, folder, fillers)
        older = image.read_bytes()
        for i in range(0, 12, 2):
            run("mdel", "-i", image, f"::filler{i}.bin")
        _mcopy(image, folder, TREE)
        deleted = {"soundings/last words of a log.txt": b"nobody reads this any more\n" * 30}
        _mcopy(image, folder, deleted)
        run("mdel", "-i", image, "::soundings/last words of a log.txt")
        live = {**TREE, **{f"filler{i}.bin": fillers[f"filler{i}.bin"] for i in range(1, 12, 2)}}
        return Made(image.read_bytes(), live, deleted, older)


@cache
def make_ext(kind: str) -> Made:
    """`ext2` or `ext4`, with a sparse file, a hard link, a symbolic link and a deleted file."""
    holes = b"start" + bytes(60_000) + b"end"
    gone = b"a log of which nobody wanted to know\n" * 100
    with tempfile.TemporaryDirectory() as name:
        folder, image = Path(name) / "tree", Path(name) / "ext.img"
        for path, content in {**TREE, "gone.txt": gone, "holes.bin": holes}.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(content)
        os.link(folder / "readme.txt", folder / "again.txt")
        (folder / "link").symlink_to("readme.txt")
        with image.open("wb") as file:
            file.truncate(16 << 20)
        run("mke2fs", "-q", "-t", kind, "-b", "1024", "-L", "harbour", "-d", folder, image)
        run("debugfs", "-w", "-R", "rm gone.txt", image)
        live = {**TREE, "holes.bin": holes, "again.txt": TREE["readme.txt"]}
        return Made(image.read_bytes(), live, {"gone.txt": gone})


NTFS_FILES: dict[str, bytes] = {
    "tide table.txt": TREE["readme.txt"],
    "small.txt": b"inside the record\n",
    "survey.bin": noise(5, 40_000),
    "survey 2.bin": noise(6, 4_096),
    "empty.dat": b"",
}


@cache
def make_ntfs() -> Made:
    """Files in the root directory, one with a second stream (ntfscp makes no directories)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        image = folder / "ntfs.img"
        with image.open("wb") as file:
            file.truncate(12 << 20)
        run("mkfs.ntfs", "-F", "-q", "-L", "harbour", image)
        for path, content in NTFS_FILES.items():
            (folder / "source").write_bytes(content)
            run("ntfscp", image, folder / "source", path)
        (folder / "source").write_bytes(b"a second stream")
        run("ntfscp", "-N", "note", image, folder / "source", "survey.bin")
        return Made(image.read_bytes(), {**NTFS_FILES, "survey.bin:note": b"a second stream"})


EXFAT_FILES: dict[str, bytes] = {
    "tide table.txt": TREE["readme.txt"],
    "survey of the northern bay 2024.bin": noise(7, 20_000),
    "in two pieces.bin": noise(8, 10_000),
}


class _Exfat:
    """Puts files into the root directory of a fresh exFAT volume (specification, chapters 6 and 7)."""

    def __init__(self, image: bytes) -> None:
        self.data = bytearray(image)
        fat, _length, heap, _count, root = struct.unpack_from("<IIIII", self.data, 80)
        self.sector = 1 << self.data[108]
        self.cluster = self.sector << self.data[109]
        self.fat, self.heap, self.root = fat * self.sector, heap * self.sector, root
        self.slot = self.at(root)
        while self.data[self.slot]:
            if self.data[self.slot] == 0x81:  # allocation bitmap
                self.bitmap = self.at(struct.unpack_from("<I", self.data, self.slot + 20)[0])
            self.slot += 32
        self.next = root + 1

    def at(self, cluster: int) -> int:
        return int(self.heap + (cluster - 2) * self.cluster)

    def add(
        self, name: str, content: bytes, *, gap: bool = False, deleted: bool = False, valid: int | None = None
    ) -> None:
        count = -(-len(content) // self.cluster)
        clusters = [self.next + i + (2 * (i > 0) if gap else 0) for i in range(count)]
        self.next = clusters[-1] + 1
        for i, cluster in enumerate(clusters):
            piece = content[i * self.cluster : (i + 1) * self.cluster]
            self.data[self.at(cluster) : self.at(cluster) + len(piece)] = piece
            if not deleted:
                self.data[self.bitmap + (cluster - 2) // 8] |= 1 << (cluster - 2) % 8
            if gap:
                struct.pack_into("<I", self.data, self.fat + 4 * cluster, (*clusters, 0xFFFFFFFF)[i + 1])
        text = name.encode("utf-16-le")
        names = [text[i : i + 30].ljust(30, b"\0") for i in range(0, len(text), 30)]
        stamp = (2025 - 1980) << 25 | 6 << 21 | 1 << 16 | 12 << 11 | 30 << 5 | 10
        file = bytearray(
            struct.pack(
                "<BBHHHIIIBBBBB7x", 0x85, 1 + len(names), 0, 0x20, 0, stamp, stamp, stamp, 0, 50, 0x84, 0x84, 0x84
            )
        )
        size = len(content)
        stream = struct.pack(
            "<BBBBHHQIIQ",
            0xC0,
            1 if gap else 3,
            0,
            len(name),
            0,
            0,
            size if valid is None else valid,
            0,
            clusters[0],
            size,
        )
        entries = file + stream + b"".join(b"\xc1\0" + part for part in names)
        struct.pack_into("<H", entries, 2, exfat_set_checksum(bytes(entries)))
        if deleted:
            for i in range(0, len(entries), 32):
                entries[i] &= 0x7F
        self.data[self.slot : self.slot + len(entries)] = entries
        self.slot += len(entries)


@cache
def make_exfat() -> Made:
    """Files without and with an allocation chain, one deleted, one of which only the start was ever written."""
    with tempfile.TemporaryDirectory() as name:
        image = Path(name) / "exfat.img"
        with image.open("wb") as file:
            file.truncate(8 << 20)
        run("mkfs.exfat", "-L", "harbour", image)
        volume = _Exfat(image.read_bytes())
    for path, content in EXFAT_FILES.items():
        volume.add(path, content, gap=path == "in two pieces.bin")
    deleted = {"gone.bin": noise(9, 5_000)}
    volume.add("gone.bin", deleted["gone.bin"], deleted=True)
    part = noise(10, 6_000)
    volume.add("half written.bin", part, valid=2_500)
    live = {**EXFAT_FILES, "half written.bin": part[:2_500] + bytes(3_500)}
    assert exfat_boot_checksum(bytes(volume.data[: 11 * volume.sector]))  # untouched: no byte of it was changed
    return Made(bytes(volume.data), live, deleted)


def mbr(*slots: tuple[int, int, int], boot: bytes = b"") -> bytes:
    sector = bytearray(boot.ljust(512, b"\0"))
    for index, (kind, first, count) in enumerate(slots):
        struct.pack_into("<B3xB3xII", sector, 446 + 16 * index, 0, kind, first, count)
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)


def disk_with(*parts: tuple[int, bytes], sectors: int, first: bytes) -> bytes:
    data = bytearray(sectors * SECTOR_BYTES)
    data[: len(first)] = first
    for start, content in parts:
        data[start * SECTOR_BYTES : start * SECTOR_BYTES + len(content)] = content
    return bytes(data)


def gpt(start: int, count: int, sectors: int, volume: bytes) -> bytes:
    """A disk with one partition and both headers (UEFI specification, GPT Header)."""
    entries = bytearray(128 * 128)
    struct.pack_into("<16s16sQQ", entries, 0, b"\x01" * 16, b"\x02" * 16, start, start + count - 1)
    data = bytearray(disk_with((start, volume), sectors=sectors, first=mbr((0xEE, 1, sectors - 1))))
    for mine, other, table in ((1, sectors - 1, 2), (sectors - 1, 1, sectors - 33)):
        header = bytearray(92)
        struct.pack_into(
            "<8sIII4xQQQQ16sQIII",
            header,
            0,
            b"EFI PART",
            0x10000,
            92,
            0,
            mine,
            other,
            34,
            sectors - 34,
            b"\3" * 16,
            table,
            128,
            128,
            zlib.crc32(entries),
        )
        struct.pack_into("<I", header, 16, zlib.crc32(header))
        data[mine * 512 : mine * 512 + 92] = header
        data[table * 512 : table * 512 + len(entries)] = entries
    return bytes(data)
