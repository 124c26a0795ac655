"""The property that matters most: a file called exact holds the true bytes, whatever the unproven sectors hold."""

import numpy as np
import pytest
from files_kit import Made, look, make_exfat, make_ext, make_fat, make_ntfs, needs, sha, spoil
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.files.fat_layout import parse_boot
from deadstick.files.records import FileState
from deadstick.files.volumes import find_volumes
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

STATES = st.sampled_from([SectorState.UNWRITTEN, SectorState.DOUBTFUL, SectorState.LOST])


def _used_sectors(made: Made) -> int:
    """Sectors up to the last that holds anything: damage elsewhere teaches nothing."""
    used = np.flatnonzero(np.frombuffer(made.data, np.uint8))
    return int(used[-1]) // SECTOR_BYTES + 1


def _check(made: Made, sectors: dict[int, SectorState], how: str) -> None:
    disk = spoil(made.data, sectors, how, made.older or made.data)
    seen, _ = look(disk)
    for one in seen:
        if one.state is FileState.EXACT:
            assert one.path in made.files, f"{one.path} was never there: {one.reason}"
            assert one.sha256 == sha(made.files[one.path]), f"{one.path}: {one.reason}"


def _fat_areas(made: Made) -> tuple[int, int]:
    """First sector of the allocation table, first of the data."""
    layout = parse_boot(made.data[:512])
    assert layout is not None
    return layout.fat_offset // SECTOR_BYTES, layout.data_offset // SECTOR_BYTES


@needs("mkfs.fat", "mcopy")
@pytest.mark.parametrize("bits", [12, 16])
@given(data=st.data())
@settings(max_examples=80, deadline=None)
def test_fat(bits: int, data: st.DataObject) -> None:
    _draw_fat(make_fat(bits), data)


@needs("mkfs.fat", "mcopy")
@given(data=st.data())
@settings(max_examples=20, deadline=None)
def test_fat32(data: st.DataObject) -> None:
    _draw_fat(make_fat(32), data)


def _draw_fat(made: Made, data: st.DataObject) -> None:
    table, first_data = _fat_areas(made)
    last = min(_used_sectors(made), first_data + 220)
    places = st.one_of(
        st.integers(0, 8),
        st.integers(table, table + 3),
        st.integers(max(0, first_data - 40), first_data + 8),
        st.integers(0, last),
    )
    sectors = data.draw(st.dictionaries(places, STATES, max_size=25))
    how = data.draw(st.sampled_from(["noise", "zeros", "older", "flips", "same"]))
    _check(made, sectors, how)


@needs("mkfs.fat", "mcopy")
@pytest.mark.parametrize("bits", [12, 16, 32])
@pytest.mark.parametrize("how", ["noise", "zeros", "older"])
def test_fat_every_sector_of_the_tables_in_turn(bits: int, how: str) -> None:
    made = make_fat(bits)
    table, first_data = _fat_areas(made)
    step = 4 if bits == 32 else 1  # 33 MB a time
    for sector in (*range(10), *range(table, table + 6), *range(max(0, first_data - 32), first_data + 60, step)):
        _check(made, {sector: SectorState.LOST}, how)


@needs("mke2fs", "debugfs")
@pytest.mark.parametrize("kind", ["ext2", "ext4"])
@given(data=st.data())
@settings(max_examples=8, deadline=None)
def test_ext(kind: str, data: st.DataObject) -> None:
    _draw(make_ext(kind), data)


@needs("mkfs.ntfs", "ntfscp")
@given(data=st.data())
@settings(max_examples=10, deadline=None)
def test_ntfs(data: st.DataObject) -> None:
    _draw(make_ntfs(), data)


@needs("mkfs.exfat")
@given(data=st.data())
@settings(max_examples=10, deadline=None)
def test_exfat(data: st.DataObject) -> None:
    _draw(make_exfat(), data)


def _draw(made: Made, data: st.DataObject) -> None:
    filled = np.frombuffer(made.data, np.uint8).reshape(-1, SECTOR_BYTES).any(axis=1)
    places = st.sampled_from(np.flatnonzero(filled).tolist())
    sectors = data.draw(st.dictionaries(places, STATES, max_size=12))
    _check(made, sectors, data.draw(st.sampled_from(["noise", "zeros", "flips"])))


@needs("mkfs.fat", "mcopy")
def test_the_property_can_fail() -> None:
    """Damage that nobody marks must show: else the checks above would pass on anything."""
    made = make_fat(16)
    place = find_volumes(spoil(made.data, {}, "same")).places[0]
    assert place.fat is not None
    disk = spoil(made.data, dict.fromkeys(range(place.fat.data_offset // 512, len(made.data) // 512), SectorState.LOST))
    disk.marks[:] = SectorState.EXACT
    seen, _ = look(disk)
    assert any(one.state is FileState.EXACT and one.sha256 != sha(made.files.get(one.path, b"?")) for one in seen)
