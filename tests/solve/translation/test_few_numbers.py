"""Three logical blocks with copies: their content tells what their range cannot."""

import numpy as np
from states_kit import volume_states

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
from deadstick.solve.blocks.placed_blocks import newest_blocks
from deadstick.solve.translation.few_numbers import few_trials
from deadstick.solve.translation.find_translation import translated

BLOCK, NUMBERS = 128, 3
LAYOUT = spare_groups(2048 + 128, 2, 1024, 8, 28)
RECIPE = Recipe(BLOCK, LAYOUT, Code(14, 0x402B, 16), None)
BLOCK_BYTES = BLOCK * LAYOUT.data_bytes
NUMBER, VERSION = BitField(2, 1), BitField(5, 1)
LOGICAL = np.array([2, 0, 1, 0, 1, 2, 0])
STATE = np.array([0, 1, 1, 0, 0, 1, 1])
"""Of each physical block: which block of the disk it holds, and whether an older or the newest state of it."""


def states() -> np.ndarray:
    """`uint8[2, NUMBERS, BLOCK_BYTES]`: a volume before and after some more files were saved."""
    return np.stack(volume_states(NUMBERS * BLOCK_BYTES, NUMBERS * BLOCK_BYTES * 3 // 4)).reshape(2, NUMBERS, -1)


def dump(disks: np.ndarray, numbers: np.ndarray, versions: np.ndarray) -> np.ndarray:
    """`uint8[pages, page_bytes]`: the blocks, with what the metadata say of each of them."""
    metadata = np.full((len(LOGICAL) * BLOCK, LAYOUT.metadata_bytes), 0x9F, np.uint8)
    NUMBER.write(metadata, np.repeat(numbers, BLOCK))
    VERSION.write(metadata, np.repeat(versions, BLOCK))
    data = disks[STATE, LOGICAL].reshape(-1, LAYOUT.data_bytes)
    return RECIPE.encode(data, metadata, np.arange(len(data)))


VERSIONS = 40 + STATE + (np.arange(len(LOGICAL)) == 6)
"""Block 0 was written once more than it was changed."""


def found(raw: np.ndarray) -> Translation:
    return translated(PageSpace.of(raw, 1), RECIPE, BlockSize(BLOCK, "", None), silent).recipe.translation


def test_copies_and_volumes_tell_the_numbers_of_three_blocks() -> None:
    disks = states()
    raw = dump(disks, LOGICAL, VERSIONS)
    translation = found(raw)
    assert translation.logical_number is not None
    assert translation.version is not None
    metadata = block_metadata(PageSpace.of(raw, BLOCK), RECIPE)
    physical = newest_blocks(metadata, translation, len(LOGICAL))
    assert (disks[STATE, LOGICAL][physical] == disks[1]).all()


def test_no_version_is_taken_whose_order_the_copies_do_not_show() -> None:
    """Volumes hold as much with older copies of blocks 1 and 2, in which later files replaced nothing."""
    versions = np.where(LOGICAL == 0, VERSIONS, 41 - STATE)
    translation = found(dump(states(), LOGICAL, versions))
    assert translation.logical_number is not None
    assert translation.version is None


def test_a_field_that_copies_do_not_share_is_no_number() -> None:
    raw = dump(states(), np.array([2, 0, 1, 2, 1, 2, 0]), VERSIONS)
    assert not few_trials(PageSpace.of(raw, BLOCK), RECIPE, silent)


def test_numbers_in_another_order_than_that_of_the_volume_are_none() -> None:
    raw = dump(states(), np.array([0, 2, 1])[LOGICAL], VERSIONS)
    assert not few_trials(PageSpace.of(raw, BLOCK), RECIPE, silent)


def test_numbers_that_the_volume_says_nothing_of_are_not_taken() -> None:
    """All files lie in block 0: what the others hold is nobody's, and may stand in either order."""
    volume = FatVolume(NUMBERS * BLOCK_BYTES, 4)
    for file in scenario_files(5, BLOCK_BYTES // 2):
        volume.write(file)
    disk = volume.image().reshape(NUMBERS, -1)
    assert not disk[1:].any()
    disk[1:] = np.random.default_rng(2).integers(0, 256, (NUMBERS - 1, BLOCK_BYTES), np.uint8)
    raw = dump(np.stack([disk, disk]), LOGICAL, VERSIONS)
    assert not few_trials(PageSpace.of(raw, BLOCK), RECIPE, silent)


def test_no_numbers_are_taken_where_no_volume_tells_them() -> None:
    rng = np.random.default_rng(1)
    disks = np.repeat(rng.integers(0, 256, (1, NUMBERS, BLOCK_BYTES), np.uint8), 2, axis=0)
    raw = dump(disks, LOGICAL, VERSIONS)
    assert not few_trials(PageSpace.of(raw, BLOCK), RECIPE, silent)
