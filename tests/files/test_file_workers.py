"""Worker processes that die, hang or read nonsense: told as a problem, with what was found before kept."""

import io
import time
from collections.abc import Callable

import numpy as np
import pytest
from files_kit import Made, MemoryDisk, look, make_exfat, make_ext, make_fat, make_ntfs, needs

from deadstick.files import walk
from deadstick.files.scan import list_files
from deadstick.files.volumes import find_volumes
from deadstick.files.wire import read_frame, write_frame
from deadstick.files.worker import Worker, WorkerGoneError

MAKERS = [
    pytest.param(lambda: make_fat(12), marks=needs("mkfs.fat", "mcopy"), id="FAT12"),
    pytest.param(lambda: make_fat(16), marks=needs("mkfs.fat", "mcopy"), id="FAT16"),
    pytest.param(lambda: make_ext("ext2"), marks=needs("mke2fs", "debugfs"), id="ext2"),
    pytest.param(lambda: make_ext("ext4"), marks=needs("mke2fs", "debugfs"), id="ext4"),
    pytest.param(make_ntfs, marks=needs("mkfs.ntfs", "ntfscp"), id="NTFS"),
    pytest.param(make_exfat, marks=needs("mkfs.exfat"), id="exFAT"),
]


def test_a_worker_that_ends_is_noticed() -> None:
    with Worker("deadstick.files.records") as worker, pytest.raises(WorkerGoneError, match="status 0"):
        worker.receive(time.monotonic() + 30)


def test_a_worker_that_is_silent_is_stopped() -> None:
    with Worker("deadstick.files.checker") as worker:
        with pytest.raises(WorkerGoneError, match="took too long"):
            worker.receive(time.monotonic() + 0.05)
        with pytest.raises(WorkerGoneError):
            _talk_to(worker)


def _talk_to(worker: Worker) -> None:
    """More than a pipe holds, so that writing must notice that nobody reads."""
    for _ in range(1_000):
        worker.send({"name": "x", "path": "y"}, bytes(1 << 16))


def test_a_worker_that_prints_no_frames_is_stopped() -> None:
    with Worker("this") as worker, pytest.raises(WorkerGoneError):
        worker.receive(time.monotonic() + 30)


def test_a_frame_too_long_is_refused() -> None:
    with pytest.raises(ValueError, match="lost its way"):
        read_frame(io.BytesIO(b"\xff" * 64))
    stream = io.BytesIO()
    write_frame(stream, {"a": 1}, b"xyz")
    assert read_frame(io.BytesIO(stream.getvalue()[:-1])) is None


@needs("mke2fs", "debugfs")
def test_what_was_found_before_a_crash_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    made = make_ext("ext4")
    started: list[Worker] = []

    class Watched(Worker):
        def __init__(self, module: str) -> None:
            super().__init__(module)
            started.append(self)

    monkeypatch.setattr(walk, "Worker", Watched)
    place = find_volumes(MemoryDisk(made.data)).places[0]
    whole = walk.read_other(place)
    found = walk._found

    def dies(message: dict[str, object], payload: bytes) -> object:
        started[-1]._process.kill()
        return found(message, payload)

    monkeypatch.setattr(walk, "_found", dies)
    broken = walk.read_other(place)
    assert 0 < len(broken.files) <= len(whole.files)
    assert broken.files[0].path == whole.files[0].path
    assert len(broken.files) == len(whole.files) or any("signal 9" in text for text in broken.problems)


@needs("mkfs.exfat")
def test_a_search_that_takes_too_long_keeps_the_live_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(walk, "SEARCH_S", -1.0)
    place = find_volumes(MemoryDisk(make_exfat().data)).places[0]
    other = walk.read_other(place)
    assert {file.path for file in other.files if not file.deleted} == set(make_exfat().files)
    assert any("files that no directory lists" in text for text in other.problems)


@pytest.mark.parametrize("make", MAKERS)
def test_tables_gone_mad_never_raise_and_never_hang(make: Callable[[], Made]) -> None:
    """Everything is marked proven, so the readers get nonsense without a warning."""
    data = make().data
    used = np.flatnonzero(np.frombuffer(data, np.uint8))
    rng = np.random.default_rng(11)
    for round_ in range(12):
        broken = bytearray(data)
        for at in rng.choice(used, 60 * (1 + round_)).tolist():
            if at >= 90:  # else most rounds would end at the signature
                broken[at] = int(rng.integers(0, 256))
        look(MemoryDisk(bytes(broken)))


@needs("mkfs.fat", "mcopy")
def test_a_broken_volume_goes_through_the_whole_step() -> None:
    data = bytearray(make_fat(16).data)
    rng = np.random.default_rng(6)
    for at in rng.choice(np.flatnonzero(np.frombuffer(bytes(data), np.uint8))[60:], 400).tolist():
        data[at] = int(rng.integers(0, 256))
    listing = list_files(MemoryDisk(bytes(data)))
    assert all(record.reason for record in (*listing.files, *listing.deleted))
