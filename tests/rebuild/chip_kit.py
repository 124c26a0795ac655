"""A small chip that tests write block by block, as a controller would."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk import RebuiltDisk
from deadstick.rebuild.page_table import PageTable
from deadstick.rebuild.pages import decode_dump
from deadstick.rebuild.rebuild import same_pages
from deadstick.rebuild.translate import block_table, with_places
from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation

Bytes = NDArray[np.uint8]

NUMBER, VERSION = BitField(0, 2), BitField(2, 2)
CODE = Code(13, 0x201B, 8)
SCRAMBLER = Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, (0x1234, 0x0777, 0x5A5A, 0x0001)))
RECIPE = Recipe(
    4, spare_groups(1024 + 2 * 17 + 2, 2, 512, 4, 13), CODE, SCRAMBLER, Translation("block", NUMBER, VERSION)
)
IDENTITY = replace(RECIPE, translation=Translation())
LOOSE = replace(RECIPE, layout=spare_groups(1024 + 2 * 17 + 2, 2, 512, 4, 13, covered=False))
NO_VERSION = replace(RECIPE, translation=Translation("block", NUMBER))


@dataclass
class Chip:
    """An erased chip, `blocks` blocks long."""

    recipe: Recipe = RECIPE
    blocks: int = 12
    raw: Bytes = field(init=False)

    def __post_init__(self) -> None:
        self.raw = np.full((self.blocks * self.recipe.pages_per_block, self.recipe.layout.page_bytes), 0xFF, np.uint8)
        self.noise = np.random.default_rng(7)

    def content(self, seed: int) -> Bytes:
        """`uint8[pages_per_block, data_bytes]` that no other seed gives."""
        shape = (self.recipe.pages_per_block, self.recipe.layout.data_bytes)
        return np.random.default_rng(seed).integers(0, 256, shape, dtype=np.uint8)

    def write(self, block: int, logical: int, version: int, data: Bytes, pages: int | None = None) -> None:
        """Program a block, or only its first `pages` pages."""
        size = self.recipe.pages_per_block
        pages = size if pages is None else pages
        metadata = np.full((pages, self.recipe.layout.metadata_bytes), 0xA5, np.uint8)
        if self.recipe.translation.logical_number:
            self.recipe.translation.logical_number.write(metadata, np.full(pages, logical))
        if self.recipe.translation.version:
            self.recipe.translation.version.write(metadata, np.full(pages, version))
        rows = np.arange(block * size, block * size + pages)
        self.raw[rows] = self.recipe.encode(data[:pages], metadata, rows)

    def damage(self, block: int, page: int, bits: int, codeword: int | None = None) -> None:
        """Flip so many bits in each codeword of a page, or in one of them."""
        row = self.raw[block * self.recipe.pages_per_block + page]
        for number, word in enumerate(self.recipe.layout.codewords):
            if codeword in {None, number}:
                span = word.message[0]
                for bit in span.start + self.noise.choice(span.bits, bits, replace=False):
                    row[bit // 8] ^= 128 >> (bit % 8)

    def ruin(self, block: int, pages: range | None = None, rate: float = 0.02) -> None:
        """Far more bit errors than the code can bear, in every page of a block."""
        size = self.recipe.pages_per_block
        for page in pages or range(size):
            row = self.raw[block * size + page]
            row ^= np.packbits(self.noise.random(8 * row.size) < rate)

    def table(self) -> PageTable:
        return decode_dump(self.raw, self.recipe)

    def disk(self) -> RebuiltDisk:
        table = self.table()
        blocks = block_table(table, self.recipe, same_pages(self.raw, self.recipe, table))
        return RebuiltDisk(self.raw, self.recipe, with_places(table, blocks), blocks)


def page_states(disk: RebuiltDisk, logical: int) -> list[list[int]]:
    """States of one logical block of a chip of this kit: a list of two sectors for each page."""
    states: list[list[int]] = disk.states(8 * logical, 8).reshape(4, 2).tolist()
    return states


def block_bytes(disk: RebuiltDisk, logical: int) -> Bytes:
    """`uint8[4, 1024]`: data of one logical block."""
    return np.frombuffer(disk.read(4096 * logical, 4096), np.uint8).reshape(4, 1024)
