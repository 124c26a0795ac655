"""The block that a dump ends in may be the newest copy of its number, and counts as such."""

from functools import cache

import numpy as np

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.contents import scenario_files
from deadstick.simulate.volume import FatVolume
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.block_size import BlockSize
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.translation.find_translation import translated

BLOCK, NUMBERS = 128, 4
LAYOUT = spare_groups(2048 + 128, 2, 1024, 8, 28)
RECIPE = Recipe(BLOCK, LAYOUT, Code(14, 0x402B, 16), None)
NUMBER, VERSION = BitField(2, 1), BitField(5, 1)
LOGICAL = np.array([2, 0, 1, 3, 1, 2, 0, 3])
STATE = np.array([1, 1, 1, 0, 0, 0, 0, 1])
"""Of each physical block: which block of the disk it holds, and whether an older or the newest state of it."""
VERSIONS = 50 + NUMBERS * STATE + np.array([1, 3, 2, 1, 0, 3, 2, 0])
PLACED, OLDER = np.array([1, 2, 0, 7]), np.array([1, 2, 0, 3])
"""The newest blocks of each number, with and without the last one."""


def states() -> np.ndarray:
    """`uint8[2, NUMBERS, block_bytes]`: a volume before and after a fifth of its files were saved and as many deleted.

    The later files lie in the last block, but for their entries.
    """
    disk_bytes = NUMBERS * BLOCK * LAYOUT.data_bytes
    files = scenario_files(5, disk_bytes * 9 // 10)
    late = len(files) * 4 // 5
    volume = FatVolume(disk_bytes, 4)
    for file in files[:late]:
        volume.write(file)
    before = volume.image()
    for file in files[late:]:
        volume.write(file)
    for file in files[: len(files) - late]:
        volume.delete(file.path)
    return np.stack([before, volume.image()]).reshape(2, NUMBERS, -1)


@cache
def dump() -> tuple[np.ndarray, np.ndarray]:
    """`uint8[pages, page_bytes]`, whole blocks; and the two states of the disk."""
    disks = states()
    metadata = np.full((len(LOGICAL) * BLOCK, LAYOUT.metadata_bytes), 0x9F, np.uint8)
    NUMBER.write(metadata, np.repeat(LOGICAL, BLOCK))
    VERSION.write(metadata, np.repeat(VERSIONS, BLOCK))
    data = disks[STATE, LOGICAL].reshape(-1, LAYOUT.data_bytes)
    return RECIPE.encode(data, metadata, np.arange(len(data))), disks


def found(raw: np.ndarray) -> Translation:
    return translated(PageSpace.of(raw, 1), RECIPE, BlockSize(BLOCK, "", None), silent).recipe.translation


def test_a_newest_copy_that_the_dump_ends_in_speaks_for_the_version() -> None:
    """Without it the directories name files whose content no block holds, and older copies agree better."""
    raw, _ = dump()
    assert found(raw[: -BLOCK // 4]).version == VERSION
    # Where that copy is not in the dump, nothing refutes the older state.
    assert found(raw[:-BLOCK]).version is None


def test_the_cut_block_is_read_by_the_pages_that_are_there() -> None:
    raw, _ = dump()
    for held in (4, 5, BLOCK - 1):
        metadata = block_metadata(raw[: len(raw) - BLOCK + held], RECIPE, with_cut=True)
        assert metadata.blocks.tolist() == list(range(len(LOGICAL)))
        assert NUMBER.read(metadata.first_good).tolist() == LOGICAL.tolist()
        assert VERSION.read(metadata.first_good).tolist() == VERSIONS.tolist()
        assert metadata.good.all()


def test_a_cut_block_of_hardly_a_page_or_read_before_is_left_out() -> None:
    raw, _ = dump()
    assert len(block_metadata(raw[: len(raw) - BLOCK + 3], RECIPE, with_cut=True).blocks) == len(LOGICAL) - 1
    again = np.concatenate([raw, raw[: BLOCK // 2]])
    assert len(block_metadata(again, RECIPE, with_cut=True).blocks) == len(LOGICAL)
    erased = np.concatenate([raw, np.full_like(raw[: BLOCK // 2], 0xFF)])
    assert len(block_metadata(erased, RECIPE, with_cut=True).blocks) == len(LOGICAL)


def test_pages_behind_the_end_come_from_the_copy_before() -> None:
    raw, disks = dump()
    held = BLOCK // 2
    disk = TrialDisk(raw[:-held], RECIPE, PLACED, behind=OLDER)
    half = held * LAYOUT.data_bytes
    newest, before = disks[1, 3], disks[0, 3]
    expected = np.r_[newest[:half], before[half:]].tobytes()
    assert disk.read(3 * BLOCK * LAYOUT.data_bytes, 2 * half) == expected
    # Where it is the only copy, they are blank.
    alone = TrialDisk(raw[:-held], RECIPE, PLACED, behind=OLDER[:-1])
    assert alone.read(3 * BLOCK * LAYOUT.data_bytes, 2 * half) == newest[:half].tobytes().ljust(2 * half, b"\0")
