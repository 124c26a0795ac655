"""Few large blocks under two stored keystreams that meet at borders of blocks alone: volumes and copies tell all."""

import numpy as np
from states_kit import volume_states

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.block_size import BlockSize
from deadstick.solve.blocks.placed_blocks import newest_blocks
from deadstick.solve.keystream_groups.group_volumes import with_judged_groups
from deadstick.solve.scrambler.metadata_table import with_offsets
from deadstick.solve.translation.find_translation import translated

BLOCK, NUMBERS = 128, 8
LAYOUT = spare_groups(2048 + 128, 2, 1024, 8, 28)
CODE = Code(14, 0x402B, 16)
BLOCK_BYTES = BLOCK * LAYOUT.data_bytes
TRANSLATION = Translation("block", BitField(2, 1), BitField(5, 1))
STREAMS = StoredKeystreams(tuple(np.random.default_rng(6).bytes(LAYOUT.page_bytes) for _ in range(2)))
CONTROLLER = Recipe(
    BLOCK, LAYOUT, CODE, Scrambler("before_ecc", "column", STREAMS, frozenset({Part.DATA, Part.METADATA}), 0, 1)
)
WITHOUT_METADATA = with_offsets(
    CONTROLLER, np.random.default_rng(8).integers(0, 256, (2, LAYOUT.metadata_bytes), np.uint8)
)


def dump(older: np.ndarray, disk: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All blocks of a disk, and older copies of those that changed and of two that did not.

    Returns:
        `uint8[pages, page_bytes]`, and the physical block of each logical one.
    """
    new, old = (some.reshape(NUMBERS, -1) for some in (disk, older))
    moved = np.unique(np.r_[np.flatnonzero((new != old).any(axis=1)), 2, 7])
    logical = np.r_[np.arange(NUMBERS), moved]
    version = 40 + np.r_[np.isin(np.arange(NUMBERS), moved) + 0, np.zeros(len(moved), int)]
    data = np.concatenate([new, old[moved]])
    order = np.random.default_rng(9).permutation(len(logical))
    metadata = np.full((len(order) * BLOCK, LAYOUT.metadata_bytes), 0xFF, np.uint8)
    TRANSLATION.logical_number.write(metadata, np.repeat(logical[order], BLOCK))  # type: ignore[union-attr]
    TRANSLATION.version.write(metadata, np.repeat(version[order], BLOCK))  # type: ignore[union-attr]
    pages = data[order].reshape(-1, LAYOUT.data_bytes)
    return CONTROLLER.encode(pages, metadata, np.arange(len(pages))), np.argsort(order)[:NUMBERS]


def test_volumes_and_copies_tell_numbers_and_versions_of_few_blocks() -> None:
    raw, right = dump(*volume_states(NUMBERS * BLOCK_BYTES, NUMBERS * BLOCK_BYTES // 2))
    found = translated(PageSpace.of(raw, 1), WITHOUT_METADATA, BlockSize(BLOCK, "", None), silent).recipe
    space = PageSpace.of(raw, BLOCK)
    assert found.translation.version is not None
    physical = newest_blocks(block_metadata(space, found), found.translation, len(raw) // BLOCK)
    data = CONTROLLER.decode(raw, np.arange(len(raw))).data.reshape(-1, BLOCK_BYTES)
    assert (data[physical] == data[right]).all()


def test_no_numbers_are_taken_where_no_volume_tells_them() -> None:
    raw, _ = dump(*np.random.default_rng(1).integers(0, 256, (2, NUMBERS * BLOCK_BYTES), np.uint8))
    assert with_judged_groups(PageSpace.of(raw, BLOCK), WITHOUT_METADATA) is None
