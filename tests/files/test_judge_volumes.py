"""The figure that ranks hypotheses: right above wrong, less scrambled above more, and quick."""

from collections.abc import Callable

import numpy as np
import pytest
from files_kit import Made, MemoryDisk, make_exfat, make_ext, make_fat, make_ntfs, needs, noise

from deadstick.files.fat_layout import parse_boot
from deadstick.files.judge import volume_consistency
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

BLOCK = 2 << 10


def scrambled(data: bytes, share: float, seed: int, block: int = BLOCK) -> bytes:
    """Blocks in random order; a larger `share` moves all that a smaller one moves, and more."""
    rng = np.random.default_rng(seed)
    rows = np.frombuffer(data, np.uint8)[: len(data) // block * block].reshape(-1, block)
    filled = rng.permutation(np.flatnonzero(rows.any(axis=1)))
    moved = filled[: int(len(filled) * share)]
    out = rows.copy()
    if len(moved):
        out[moved] = rows[np.roll(moved, 1)]
    return out.tobytes()


MAKERS = [
    pytest.param(lambda: make_fat(12), marks=needs("mkfs.fat", "mcopy"), id="FAT12"),
    pytest.param(lambda: make_fat(16), marks=needs("mkfs.fat", "mcopy"), id="FAT16"),
    pytest.param(lambda: make_fat(32), marks=needs("mkfs.fat", "mcopy"), id="FAT32"),
    pytest.param(lambda: make_ext("ext4"), marks=needs("mke2fs", "debugfs"), id="ext4"),
    pytest.param(make_ntfs, marks=needs("mkfs.ntfs", "ntfscp"), id="NTFS"),
    pytest.param(make_exfat, marks=needs("mkfs.exfat"), id="exFAT"),
]


@pytest.mark.parametrize("make", MAKERS)
def test_every_fact_holds_on_a_sound_volume(make: Callable[[], Made]) -> None:
    judged = volume_consistency(MemoryDisk(make().data))
    assert judged.score > 60
    for check in judged.checks:
        if check.name != "file records that know their number":  # the reserved records 16 to 23 hold no number
            assert check.passed == check.total, check


@pytest.mark.parametrize("make", MAKERS)
def test_more_scrambled_scores_lower(make: Callable[[], Made]) -> None:
    data = make().data
    scores = np.array(
        [
            [volume_consistency(MemoryDisk(scrambled(data, share, seed))).score for share in (0, 0.5, 1)]
            for seed in range(8)
        ]
    )
    assert (scores[:, 0] >= scores[:, 2]).all()
    assert (scores[:, 0] > scores[:, 2]).mean() > 0.7
    assert (np.diff(scores.mean(axis=0)) < 0).all(), scores.mean(axis=0)


@needs("mkfs.fat", "mcopy")
def test_one_swap_of_blocks_that_matter_is_seen() -> None:
    data = make_fat(16).data
    layout = parse_boot(data[:512])
    assert layout is not None
    right = volume_consistency(MemoryDisk(data)).score
    rows = np.frombuffer(data, np.uint8)[: len(data) // 1024 * 1024].reshape(-1, 1024)
    last = len(rows) - 1
    assert not rows[last].any()
    copy = layout.fat_offset + layout.fat_bytes
    for offset in (0, copy, layout.root_offset, data.index(b".          \x10"), data.index(b"hour,level")):
        wrong = rows.copy()
        wrong[[offset // 1024, last]] = rows[[last, offset // 1024]]
        assert volume_consistency(MemoryDisk(wrong.tobytes())).score < right, offset


def test_noise_scores_nothing_and_never_fails() -> None:
    for seed in range(30):
        assert volume_consistency(MemoryDisk(noise(seed, 256 << 10))).score == 0.0
    assert volume_consistency(MemoryDisk(b"")).score == 0.0


@pytest.mark.parametrize("make", MAKERS)
def test_noise_behind_a_right_boot_sector_never_fails(make: Callable[[], Made]) -> None:
    data = make().data
    for seed in range(6):
        for keep in (512, 2048, 16 << 10):
            broken = data[:keep] + noise(seed, min(len(data), 4 << 20) - keep)
            assert volume_consistency(MemoryDisk(broken)).score >= 0


@pytest.mark.parametrize("make", MAKERS)
def test_reads_are_few(make: Callable[[], Made]) -> None:
    disk = MemoryDisk(make().data)
    volume_consistency(disk)
    assert disk.reads < 300


@needs("mkfs.fat", "mcopy")
def test_a_volume_in_the_middle_is_not_anchored() -> None:
    """All its facts hold there, and where it belongs they do not say."""
    data = bytes(make_fat(16).data)
    assert volume_consistency(MemoryDisk(data)).is_anchored
    shifted = volume_consistency(MemoryDisk(bytes(1 << 20) + data))
    assert shifted.score > 0
    assert not shifted.is_anchored
    assert volume_consistency(MemoryDisk(b"")).is_anchored


@needs("mkfs.fat", "mcopy")
def test_what_was_never_written_breaks_no_promise() -> None:
    data = make_fat(16).data
    begin = data.index(b"hour,level") // SECTOR_BYTES
    lost = data[: begin * SECTOR_BYTES] + bytes(SECTOR_BYTES) + data[(begin + 1) * SECTOR_BYTES :]
    marks = np.zeros(len(data) // SECTOR_BYTES, np.uint8)
    assert volume_consistency(MemoryDisk(lost, marks)).share < 1
    marks[begin] = SectorState.UNWRITTEN
    assert volume_consistency(MemoryDisk(lost, marks)).share == 1
