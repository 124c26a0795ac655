"""Metadata of some pages of every written block, and the fields that a controller may keep in them.

What the controller says of a block it says in every page of it, so a few pages tell it, and those that contradict each
other say nothing. Every field of one to four bytes, either end first, may be meant.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Literal
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.solve.common.noise import constant_rows

SAMPLES = (0, 1, 2, 3)
"""Quarters of a block whose first page is looked at."""
FEWEST_SAMPLES = 4
LONGEST_FIELD = 4
CONSTANT_SHARE = 0.9
COMMON_SHARE, FEWEST_COMMON = 0.8, 4
"""What makes a byte common to the blocks, and how many such bytes tell a block that is not of their kind."""


@dataclass(frozen=True)
class BlockMetadata:
    """Metadata of some pages of every written block.

    Attributes:
        blocks: `int64[blocks]`, physical block numbers.
        values: `uint8[blocks, samples, metadata_bytes]`.
        good: `bool[blocks, samples]`, the page was corrected.
    """

    blocks: NDArray[np.int64]
    values: NDArray[np.uint8]
    good: NDArray[np.bool_]

    @cached_property
    def is_blank(self) -> NDArray[np.bool_]:
        """`bool[blocks]`: the metadata are zeros throughout, but for a bit error outside the code's cover."""
        blank: NDArray[np.bool_] = ~(np.median(self.values, axis=1) > 0).any(axis=1)
        return blank

    @cached_property
    def first_good(self) -> NDArray[np.uint8]:
        """`uint8[blocks, metadata_bytes]`: of the first page of each block that was corrected."""
        rows: NDArray[np.uint8] = self.values[np.arange(len(self.blocks)), self.good.argmax(axis=1)]
        return rows

    @cached_property
    def changing(self) -> NDArray[np.uint8]:
        """`uint8[blocks, metadata_bytes]`: ones at the bits in which corrected pages of a block differ."""
        differing = (self.values ^ self.first_good[:, None]) * self.good[:, :, None]
        bits: NDArray[np.uint8] = np.bitwise_or.reduce(differing, axis=1)
        return bits

    @cached_property
    def is_foreign(self) -> NDArray[np.bool_]:
        """`bool[blocks]`: most bytes that the blocks have in common are others here.

        A table of the controller's own, or a block that was programmed as a trial, has no number, whatever stands in
        its place.
        """
        rows = self.first_good
        usual = np.median(rows, axis=0) if len(rows) else np.zeros(rows.shape[1])
        differs = rows != usual
        common = (~differs).mean(axis=0) >= COMMON_SHARE if len(rows) else np.zeros(rows.shape[1], np.bool_)
        if common.sum() < FEWEST_COMMON:
            return np.zeros(len(rows), np.bool_)
        foreign: NDArray[np.bool_] = differs[:, common].mean(axis=1) > 0.5
        return foreign

    def of(self, chosen: NDArray[np.bool_]) -> "BlockMetadata":
        """Those of some blocks alone."""
        return BlockMetadata(self.blocks[chosen], self.values[chosen], self.good[chosen])


def block_metadata(pages: NDArray[np.uint8] | PageSpace, recipe: Recipe, *, with_cut: bool = False) -> BlockMetadata:
    """Metadata of a few pages of every block of the dump, or of all chips.

    A block that is bit for bit an earlier one, under the same keystreams, says nothing twice: an older copy has another
    version, or other bit errors at least. It is left out, as a block that was read at two addresses.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump; or the pages of several chips.
        recipe: decodes pages; with the block size.
        with_cut: the block that the dump ends in is one as well. It may be the newest copy of its number, and then
            nothing fits without it; so it counts where the order of copies is asked, as it does when the disk is
            rebuilt.
    """
    size = recipe.pages_per_block
    space = PageSpace.of(pages, size)
    places = _places(size)
    read = _read(space, recipe, _different(space, recipe, places), places)
    cut = _cut_block(space, recipe) if with_cut else None
    if cut is not None:
        read = BlockMetadata(
            np.r_[read.blocks, cut.blocks], np.concatenate([read.values, cut.values]), np.r_[read.good, cut.good]
        )
    bare = uncovered(recipe)
    if bare.any():
        read.values[:, :, bare] = without_lone_bits(read.values[:, :, bare], read.good)
    written: NDArray[np.bool_] = read.good.sum(axis=1) > 0
    return read.of(written)


def _places(pages: int) -> list[int]:
    """The pages of a block, or of what a dump has of it, that are looked at."""
    return sorted({quarter * pages // 4 for quarter in SAMPLES})


def _cut_block(space: PageSpace, recipe: Recipe) -> BlockMetadata | None:
    """The block that the dump ends in, by pages of what is there.

    None where no block is cut short, too few pages are left to look at as many as of other blocks, or they are bit for
    bit those of an earlier block.
    """
    whole, held = divmod(len(space), recipe.pages_per_block)
    places = _places(held)
    if not held or len(places) < len(_places(recipe.pages_per_block)):
        return None
    earlier, (last,) = np.split(_seen(space, recipe, np.arange(whole + 1, dtype=np.int64), places), [whole])
    if (earlier == last).all(axis=(1, 2)).any():
        return None
    return _read(space, recipe, np.array([whole], np.int64), places)


def _read(space: PageSpace, recipe: Recipe, blocks: NDArray[np.int64], places: list[int]) -> BlockMetadata:
    """Metadata of the pages at some places of blocks, as they are decoded."""
    size = recipe.pages_per_block
    values = np.zeros((len(blocks), len(places), recipe.layout.metadata_bytes), np.uint8)
    good = np.zeros((len(blocks), len(places)), np.bool_)
    for column, place in enumerate(places):
        for chunk in _chunks(np.arange(len(blocks)), 256):
            numbers = blocks[chunk] * size + place
            raw = space.take(numbers)
            batch = recipe.decode(raw, space.numbers(numbers))
            values[chunk, column] = batch.metadata
            good[chunk, column] = (batch.errors >= 0).all(axis=1) & ~_is_pattern(raw)
    return BlockMetadata(blocks, values, good)


def without_lone_bits(values: NDArray[np.uint8], good: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Metadata outside the code's cover, less the bits in which one page of a block stands against all others.

    Such a bit is a bit error: counts of pages change in half of the pages that are looked at.

    Args:
        values: `uint8[blocks, samples, bytes]`.
        good: `bool[blocks, samples]`: pages that count. Blocks with fewer than four are left as they are.

    >>> one = np.array([[[7], [7], [5], [7]], [[0], [1], [2], [3]]], np.uint8)
    >>> without_lone_bits(one, np.ones((2, 4), np.bool_))[:, :, 0].tolist()
    [[7, 7, 7, 7], [0, 1, 2, 3]]
    """
    bits = np.unpackbits(values, axis=2)
    count = good.sum(axis=1)[:, None]
    ones = (bits * good[:, :, None]).sum(axis=1)
    enough = count >= FEWEST_SAMPLES
    bits[np.broadcast_to((enough & (ones == 1))[:, None], bits.shape)] = 0
    bits[np.broadcast_to((enough & (ones == count - 1))[:, None], bits.shape)] = 1
    return np.packbits(bits, axis=2)


def uncovered(recipe: Recipe) -> NDArray[np.bool_]:
    """`bool[metadata_bytes]`: bytes of which the code has no bit."""
    covered = np.zeros(8 * recipe.layout.metadata_bytes, np.bool_)
    covered[recipe.layout.metadata_bits :] = True
    for targets in recipe.layout.targets[: len(recipe.layout.codewords)]:
        for target in targets:
            if target.part is Part.METADATA:
                covered[target.first : target.first + target.bits] = True
    return np.array([not byte.any() for byte in covered.reshape(-1, 8)], np.bool_)


def _different(space: PageSpace, recipe: Recipe, places: list[int]) -> NDArray[np.int64]:
    """`int64[blocks]`: those that differ from every earlier one in a page that is looked at, or in its keystream."""
    seen = _seen(space, recipe, np.arange(len(space) // recipe.pages_per_block, dtype=np.int64), places)
    first: NDArray[np.int64] = np.sort(np.unique(seen, axis=0, return_index=True)[1])
    return first


def _seen(space: PageSpace, recipe: Recipe, blocks: NDArray[np.int64], places: list[int]) -> NDArray[np.int64]:
    """`int64[blocks, places, 2]`: names the bytes of each page that is looked at, and its keystream."""
    seen = np.zeros((len(blocks), len(places), 2), np.int64)
    for column, place in enumerate(places):
        for chunk in _chunks(blocks, 256):
            numbers = chunk * recipe.pages_per_block + place
            seen[chunk, column, 0] = [crc32(row.tobytes()) for row in space.take(numbers)]
            if recipe.scrambler is not None:
                seen[chunk, column, 1] = recipe.scrambler.index(space.numbers(numbers), recipe.pages_per_block)
    return seen


def fields(metadata_bytes: int) -> Iterator[BitField]:
    """Every field of one to four bytes, either end first."""
    orders: tuple[Literal["little", "big"], ...] = ("little", "big")
    for length in range(1, LONGEST_FIELD + 1):
        for first in range(metadata_bytes - length + 1):
            for order in orders[: 1 if length == 1 else 2]:
                yield BitField(first, length, order)


def block_values(field: BitField, metadata: BlockMetadata) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The field's value in each block, and whether all good pages agree on it."""
    some = metadata.good.any(axis=1)
    values = np.where(some, field.read(metadata.first_good), 0)
    constant: NDArray[np.bool_] = some & (field.read(metadata.changing) == 0)
    return values, constant


def _is_pattern(raw: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """`bool[pages]`: pages of one and the same byte, as bad blocks have, and none that was written.

    Zeros and ones under a mark may well be data; any other byte, nearly throughout, is the pattern of a test.
    """
    constant = constant_rows(raw)
    middle = np.median(raw[constant], axis=1)
    pattern: NDArray[np.bool_] = (raw == raw[:, :1]).all(axis=1)
    pattern[constant] |= (middle != 0x00) & (middle != 0xFF)
    return pattern


def _chunks(values: NDArray[np.int64], size: int) -> Iterator[NDArray[np.int64]]:
    for start in range(0, len(values), size):
        yield values[start : start + size]
