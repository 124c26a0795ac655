"""Which physical block a hypothesis puts at each logical place."""

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.votes import field_values
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.common.noise import constant_rows


def has_unread_blocks(pages: NDArray[np.uint8], recipe: Recipe) -> bool:
    """Whether written blocks lie under unknown keystreams from the first page to the last.

    Nothing tells which block each of them is; it may be the newer copy of any. A block of one and the same byte is the
    pattern of a bad one: under a keystream no data read like that. Where the keystreams leave the metadata alone, the
    pages of a block tell its number and version, and only its data are lost.

    Args:
        pages: `uint8[pages, page_bytes]`.
        recipe: complete.
    """
    scrambler, size = recipe.scrambler, recipe.pages_per_block
    blocks = len(pages) // size
    if scrambler is None or not blocks or recipe.translation.logical_number is None:
        return False
    if Part.METADATA not in scrambler.covers:
        return False
    unknown = scrambler.keystreams.unknown[scrambler.index(np.arange(blocks * size), size)]
    first = size * np.flatnonzero(unknown.reshape(blocks, size).all(axis=1))
    raw = pages[first]
    return bool((~recipe.decode(raw, first).erased & ~constant_rows(raw)).any())


def placed_blocks(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, *, oldest: bool = False
) -> NDArray[np.int64]:
    """`int64[logical blocks]`: the physical block, counted over all chips, that a recipe puts there; -1 for none.

    Args:
        space: the pages of all chips.
        recipe: the hypothesis.
        metadata: of all written blocks.
        oldest: put the copy with the lowest version there instead of the highest.
    """
    interleave, count = recipe.interleave, len(space) // recipe.pages_per_block
    if interleave.is_none:
        return newest_blocks(metadata, recipe.translation, count, oldest=oldest)
    chip, own = space.chip_of_block, space.own_block
    number, blocks = recipe.translation.logical_number, metadata.blocks
    if number is None:
        logical, order = interleave.unmapped(chip[:count], own[:count]), np.arange(count, dtype=np.int64)
        blocks = order
    else:
        rows, version = metadata.first_good, recipe.translation.version
        numbers = field_values(number, rows)
        age = version.read(rows) if version else np.zeros(len(rows), np.int64)
        inside = np.flatnonzero((numbers < 2 * count) & (number.read(rows) != number.all_ones))
        order = inside[np.argsort(age[inside], kind="stable")]
        order = order[::-1] if oldest else order
        logical = interleave.numbered(numbers, interleave.slots(chip, own)[blocks])
    physical = np.full(interleave.whole_groups(int(logical[order].max(initial=-1)) + 1), -1, np.int64)
    physical[logical[order]] = blocks[order]
    return physical


def newest_blocks(
    metadata: BlockMetadata, translation: Translation, count: int, *, oldest: bool = False
) -> NDArray[np.int64]:
    """`int64[logical blocks]`: the physical block that a hypothesis puts there; -1 for none.

    Args:
        metadata: of the written blocks.
        translation: the hypothesis.
        count: physical blocks of the chip.
        oldest: put the copy with the lowest version there instead of the highest.
    """
    number = translation.logical_number
    if number is None:
        return np.arange(count, dtype=np.int64)
    rows = metadata.first_good
    logical = number.read(rows)
    version = translation.version.read(rows) if translation.version else np.zeros(len(rows), np.int64)
    inside = (logical < 2 * count) & (logical != number.all_ones)
    order = np.flatnonzero(inside)[np.argsort(version[inside], kind="stable")]
    order = order[::-1] if oldest else order
    physical = np.full(int(logical[inside].max(initial=-1)) + 1, -1, np.int64)
    physical[logical[order]] = metadata.blocks[order]  # the last one written, the newest, stays
    return physical
