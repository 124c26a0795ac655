"""The image file: sparse, hashed, whole or absent, resumable, and clear about a full disk."""

import errno
import hashlib
import multiprocessing
import os
import signal
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.errors import CaseError
from deadstick.rebuild import image
from deadstick.rebuild.disk_protocol import SECTOR_BYTES
from deadstick.rebuild.image import CHUNK_BYTES, write_image

MIB = 1 << 20


class Memory:
    """A disk in memory that counts what is asked of it, and may fail at an offset."""

    def __init__(self, data: bytes, identity: str = "a") -> None:
        self.data, self.identity = data, identity
        self.asked: list[int] = []
        self.fails_at = len(data) + 1

    @property
    def size(self) -> int:
        return len(self.data)

    def read(self, offset: int, length: int) -> bytes:
        self.asked.append(offset)
        if offset >= self.fails_at:
            raise KeyboardInterrupt
        return self.data[offset : offset + length]

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        assert (first_sector + count) * SECTOR_BYTES <= self.size
        return np.zeros(count, np.uint8)


def mostly_empty(size: int, seed: int = 1) -> bytes:
    data = np.zeros(size, np.uint8)
    noise = np.random.default_rng(seed)
    for start in noise.integers(0, size - 9000, 12):
        data[start : start + 9000] = noise.integers(1, 256, 9000)
    data[-1] = 7
    return data.tobytes()


def always_safe(monkeypatch: pytest.MonkeyPatch) -> None:
    """A note after every chunk."""
    monkeypatch.setattr(image, "CHECKPOINT_SECONDS", 0.0)


def test_the_image_is_right_sparse_and_alone(tmp_path: Path) -> None:
    data = mostly_empty(40 * MIB + 1536)
    seen: list[tuple[str, int, int]] = []
    written = write_image(Memory(data), tmp_path / "disk.img", lambda *step: seen.append(step))
    assert (tmp_path / "disk.img").read_bytes() == data
    assert written.sha256 == hashlib.sha256(data).hexdigest()
    assert (written.size, written.resumed_from) == (len(data), 0)
    assert [path.name for path in tmp_path.iterdir()] == ["disk.img"]
    assert (tmp_path / "disk.img").stat().st_blocks * 512 < MIB
    assert seen[-1] == ("image", len(data), len(data))
    assert [done for _, done, _ in seen] == sorted(done for _, done, _ in seen)


@pytest.mark.parametrize("size", [0, 512, 4096, CHUNK_BYTES, CHUNK_BYTES + 512])
def test_odd_sizes(tmp_path: Path, size: int) -> None:
    for data in (bytes(size), b"\x01" * size):
        written = write_image(Memory(data), tmp_path / "disk.img")
        assert (tmp_path / "disk.img").read_bytes() == data
        assert written.sha256 == hashlib.sha256(data).hexdigest()


def test_a_stopped_run_goes_on_where_it_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    always_safe(monkeypatch)
    data = mostly_empty(10 * CHUNK_BYTES)
    disk = Memory(data)
    disk.fails_at = 6 * CHUNK_BYTES
    with pytest.raises(KeyboardInterrupt):
        write_image(disk, tmp_path / "disk.img")
    assert not (tmp_path / "disk.img").exists()
    again = Memory(data)
    written = write_image(again, tmp_path / "disk.img")
    assert min(again.asked) == written.resumed_from == 6 * CHUNK_BYTES
    assert (tmp_path / "disk.img").read_bytes() == data
    assert written.sha256 == hashlib.sha256(data).hexdigest()
    assert [path.name for path in tmp_path.iterdir()] == ["disk.img"]


def killed_run(folder: Path, data: bytes) -> None:
    """Writes until the process kills itself, as `kill -9` would."""
    image.CHECKPOINT_SECONDS = 0.0
    disk = Memory(data)

    def progress(stage: str, done: int, total: int) -> None:
        if stage == "image" and 5 * CHUNK_BYTES <= done < total:
            os.kill(os.getpid(), signal.SIGKILL)

    write_image(disk, folder / "disk.img", progress)


def test_a_killed_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    data = mostly_empty(10 * CHUNK_BYTES, seed=2)
    child = multiprocessing.get_context("fork").Process(target=killed_run, args=(tmp_path, data))
    child.start()
    child.join(60)
    assert child.exitcode == -signal.SIGKILL
    assert not (tmp_path / "disk.img").exists()
    again = Memory(data)
    written = write_image(again, tmp_path / "disk.img")
    assert written.resumed_from == 5 * CHUNK_BYTES
    assert (tmp_path / "disk.img").read_bytes() == data
    assert written.sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("change", ["identity", "size", "note", "no resume", "nameless"])
def test_another_disk_starts_from_the_beginning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str) -> None:
    always_safe(monkeypatch)
    first = Memory(b"\xaa" * (8 * CHUNK_BYTES), identity="" if change == "nameless" else "a")
    first.fails_at = 4 * CHUNK_BYTES
    with pytest.raises(KeyboardInterrupt):
        write_image(first, tmp_path / "disk.img")
    size = 7 if change == "size" else 8
    other = Memory(b"\xbb" * (size * CHUNK_BYTES), identity="b" if change == "identity" else first.identity)
    if change == "note":
        (tmp_path / "disk.img.partial.json").write_text('{"identity": ', encoding="utf-8")
    written = write_image(other, tmp_path / "disk.img", resume=change != "no resume")
    assert written.resumed_from == 0
    assert (tmp_path / "disk.img").read_bytes() == other.data


def test_a_full_disk_is_said_in_one_line_and_can_be_gone_on_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    always_safe(monkeypatch)
    data = mostly_empty(8 * CHUNK_BYTES)
    calls = 0
    fsync = os.fsync

    def full(descriptor: int) -> None:
        nonlocal calls
        calls += 1
        if calls > 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        fsync(descriptor)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(CaseError, match=r"disk\.img: the disk is full after \d+ of \d+ bytes") as caught:
            write_image(Memory(data), tmp_path / "disk.img")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "disk.img").exists()
    written = write_image(Memory(data), tmp_path / "disk.img")
    assert written.resumed_from == 3 * CHUNK_BYTES
    assert (tmp_path / "disk.img").read_bytes() == data


def test_a_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match="cannot be written"):
        write_image(Memory(bytes(512)), tmp_path / "missing" / "disk.img")


def test_an_old_image_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    (tmp_path / "disk.img").write_bytes(b"old")
    disk = Memory(bytes(4 * CHUNK_BYTES))
    disk.fails_at = CHUNK_BYTES
    with pytest.raises(KeyboardInterrupt):
        write_image(disk, tmp_path / "disk.img")
    assert (tmp_path / "disk.img").read_bytes() == b"old"
