"""The rebuilt disk: bytes, states, provenance, cache, and use from a forked process."""

import io
import multiprocessing
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from chip_kit import IDENTITY, RECIPE, Chip
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.rebuild.disk import RebuiltDisk
from deadstick.rebuild.disk_file import DiskFile
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState
from deadstick.rebuild.mapping import BlockTable
from deadstick.rebuild.page_table import PageKind
from deadstick.rebuild.pages import decode_dump
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part, bit_packed, in_line
from deadstick.recipe.recipe import Recipe

EXACT, UNWRITTEN, DOUBTFUL, LOST = (int(state) for state in SectorState)


def scattered() -> tuple[Chip, NDArray[np.uint8]]:
    """A chip with logical blocks 0 to 9, out of order; 3 and 7 were never written."""
    chip = Chip(blocks=14)
    content = np.zeros((10, 4, 1024), np.uint8)
    for block, logical in enumerate([4, 9, 0, 2, 8, 1, 6, 5]):
        content[logical] = chip.content(logical)
        chip.write(13 - block, logical, 1, content[logical])
    return chip, content.reshape(-1)


CHIP, CONTENT = scattered()
DISK = CHIP.disk()


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.integers(0, 10 * 4096 + 600), st.integers(0, 30_000))
def test_reads_at_any_place(offset: int, length: int) -> None:
    assert DISK.read(offset, length) == CONTENT[offset : offset + length].tobytes()


def test_reads_of_every_size_agree() -> None:
    small = b"".join(DISK.read(offset, 512) for offset in range(0, DISK.size, 512))
    assert small == DISK.read(0, DISK.size) == CONTENT.tobytes()
    with pytest.raises(ValueError, match="negative"):
        DISK.read(-1, 5)


def test_it_is_a_disk() -> None:
    disk: Disk = DISK
    assert disk.size == 10 * 4096
    assert disk.read(disk.size, 10) == b""


def test_blocks_that_nobody_holds_are_unwritten() -> None:
    states = DISK.states(0, 80).reshape(10, 8)
    assert (states[[3, 7]] == UNWRITTEN).all()
    assert (np.delete(states, [3, 7], axis=0) == EXACT).all()
    assert DISK.provenance(3 * 8).block == -1
    with pytest.raises(ValueError, match="leave the disk"):
        DISK.states(79, 2)


def test_the_cache_is_bounded() -> None:
    chip = Chip(blocks=64)
    for block in range(64):
        chip.write(block, block, 1, chip.content(block))
    table = chip.table()
    full = chip.disk()
    disk = RebuiltDisk(chip.raw, chip.recipe, table, full.block_table, cache_bytes=128 << 10)
    for offset in range(0, disk.size, 4096):
        disk.read(offset, 512)
        assert disk.cached_bytes <= 128 << 10
    assert disk.cached_bytes > 0
    before = disk.cached_bytes
    assert disk.read(0, disk.size) == full.read(0, full.size)
    assert disk.cached_bytes == before


def test_provenance_names_the_very_bytes() -> None:
    plain = replace(RECIPE, scrambler=None)
    chip = Chip(plain)
    chip.write(3, 0, 9, chip.content(1))
    chip.write(5, 0, 8, chip.content(2))
    chip.damage(3, 1, 3, codeword=0)
    disk = chip.disk()
    for sector in range(8):
        found = disk.provenance(sector)
        assert (found.chip, found.block, found.page, found.version) == (0, 3, sector // 2, 9)
        assert found.codewords == (sector % 2,)
        assert found.bits_corrected == (3 if sector == 2 else 0)
        assert found.state is SectorState.EXACT
        assert found.older == ((5, sector // 2, 8),)
        if sector != 2:
            row = chip.raw[4 * found.block + found.page]
            stored = b"".join(row[first:last].tobytes() for first, last in found.columns)
            assert stored == disk.read(512 * sector, 512)


def small(layout: PageLayout) -> tuple[Recipe, NDArray[np.uint8], NDArray[np.uint8]]:
    """Eight pages of identity translation."""
    recipe = Recipe(4, layout, Code(13, 0x201B, 8))
    data = np.random.default_rng(5).integers(0, 256, (8, layout.data_bytes), dtype=np.uint8)
    metadata = np.zeros((8, layout.metadata_bytes), np.uint8)
    return recipe, data, recipe.encode(data, metadata, np.arange(8))


def states_by_hand(recipe: Recipe, lost: dict[int, set[int]], sectors: int) -> list[int]:
    """The readable twin of `states`: look up every byte of every sector."""
    layout, owners = recipe.layout, np.zeros(8 * recipe.layout.data_bytes, np.int64)
    for number in range(len(layout.codewords)):
        for target in layout.targets[number]:
            if target.part is Part.DATA:
                owners[target.first : target.first + target.bits] = number
    states = []
    for sector in range(sectors):
        bits = np.arange(8 * SECTOR_BYTES * sector, 8 * SECTOR_BYTES * (sector + 1))
        pages, bits = np.divmod(bits, len(owners))
        hit = any(
            owner in lost.get(page, ()) for page, owner in set(zip(pages.tolist(), owners[bits].tolist(), strict=True))
        )
        states.append(LOST if hit else EXACT)
    return states


LAYOUTS = {
    "two codewords a sector": in_line(2 * 4 * (256 + 13), 8, 256, 0, 13),
    "a third of a sector more": in_line(4 * (768 + 13), 4, 768, 0, 13),
    "pages that end inside a sector": in_line(3 * (300 + 13), 3, 300, 0, 13),
    "bit-packed with a moved byte": bit_packed(2112, 10, 4, 512, 104, marker=2048),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_states_follow_the_codewords(name: str) -> None:
    recipe, data, raw = small(LAYOUTS[name])
    noise = np.random.default_rng(6)
    lost: dict[int, set[int]] = {}
    for _ in range(4):
        page, number = int(noise.integers(8)), int(noise.integers(len(recipe.layout.codewords)))
        span = max(recipe.layout.codewords[number].message, key=lambda item: item.bits)
        raw[page, span.start // 8 + 1 : span.start // 8 + 90] ^= 0x3C
        lost.setdefault(page, set()).add(number)
    table = decode_dump(raw, recipe)
    assert table.lost_codewords.tolist() == [len(lost.get(page, ())) for page in range(8)]
    disk = RebuiltDisk(raw, recipe, table, BlockTable(4, np.arange(8), np.zeros(8, np.bool_)))
    sectors = disk.size // SECTOR_BYTES
    assert sectors == data.size // SECTOR_BYTES
    states = disk.states(0, sectors)
    assert states.tolist() == states_by_hand(recipe, lost, sectors)
    read = np.frombuffer(disk.read(0, disk.size), np.uint8).reshape(-1, SECTOR_BYTES)
    expected = data.reshape(-1)[: disk.size].reshape(-1, SECTOR_BYTES)
    assert np.array_equal(read[states == EXACT], expected[states == EXACT])
    assert LOST in states
    assert states[[disk.states(sector, 1)[0] == LOST for sector in range(sectors)]].min() == LOST


def test_a_sector_over_a_moved_byte_comes_from_two_codewords() -> None:
    recipe, _, raw = small(LAYOUTS["bit-packed with a moved byte"])
    disk = RebuiltDisk(raw, recipe, decode_dump(raw, recipe), BlockTable(4, np.arange(8), np.zeros(8, np.bool_)))
    assert disk.provenance(3).codewords == (0, 3)
    assert (0, 1) in disk.provenance(3).columns
    assert disk.provenance(2).codewords == (2,)


def test_lost_sectors_read_as_they_were_and_erased_pages_as_zeros() -> None:
    chip = Chip(replace(IDENTITY, scrambler=None), blocks=2)
    chip.write(0, 0, 0, chip.content(1), pages=3)
    chip.raw[1, :100] ^= 0x55
    disk = chip.disk()
    assert disk.states(0, 16).tolist() == [EXACT] * 2 + [LOST, EXACT] + [EXACT] * 2 + [UNWRITTEN] * 10
    expected = chip.content(1)
    expected[3] = 0
    expected[1, :100] ^= 0x55
    assert disk.read(0, 4096) == expected.tobytes()
    assert not any(disk.read(4096, 4096))
    assert chip.table().kind.tolist() == [PageKind.DATA] * 3 + [PageKind.ERASED] * 5


def test_pages_without_a_code_are_doubtful() -> None:
    chip = Chip(replace(IDENTITY, code=None), blocks=1)
    chip.write(0, 0, 0, chip.content(1))
    disk = chip.disk()
    assert (disk.states(0, 8) == DOUBTFUL).all()
    assert disk.read(0, 4096) == chip.content(1).tobytes()
    assert disk.provenance(0).bits_corrected == -1


def test_a_block_of_zeros_is_doubtful_where_it_is_a_codeword() -> None:
    """A bad block may read as zeros from end to end; single pages of zeros are somebody's data."""
    chip = Chip(replace(IDENTITY, scrambler=None), blocks=3)
    chip.write(0, 0, 0, chip.content(1))
    chip.raw[1] = 0
    chip.raw[4:8] = 0
    disk = chip.disk()
    assert (disk.states(0, 8) == EXACT).all()
    assert (disk.states(8, 8) == DOUBTFUL).all()


def in_child(pipe: Any) -> None:
    pipe.send((DISK.read(5000, 700), DISK.states(0, 80).tolist(), DISK.read(0, DISK.size)))
    pipe.close()


def test_a_forked_process_can_read() -> None:
    DISK.read(0, DISK.size)
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=in_child, args=(there,))
    child.start()
    assert here.poll(30)
    part, states, whole = here.recv()
    child.join(30)
    assert child.exitcode == 0
    assert part == CONTENT[5000:5700].tobytes()
    assert states == DISK.states(0, 80).tolist()
    assert whole == CONTENT.tobytes()


def test_a_disk_as_a_file() -> None:
    file = DiskFile(DISK)
    assert file.readable()
    assert file.seekable()
    assert file.seek(-512, io.SEEK_END) == DISK.size - 512
    assert file.read(600) == CONTENT[-512:].tobytes()
    assert file.read(1) == b""
    assert file.seek(100) == 100
    assert file.read(50) == CONTENT[100:150].tobytes()
    assert file.tell() == 150
    assert file.seek(10, io.SEEK_CUR) == 160
    buffered = io.BufferedReader(file, 4096)
    buffered.seek(0)
    assert buffered.read() == CONTENT.tobytes()
    with pytest.raises(ValueError, match="before the start"):
        DiskFile(DISK).seek(-1)
