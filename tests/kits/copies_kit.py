"""Blocks of a small recipe, with numbers and versions, for tests of what copies of a block tell."""

import numpy as np

from deadstick.codes.bch import BchCode
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.versions.version_order import VersionOrder

PAGES = 16
CODE = Code(13, 0x201B, 4, 1, "lsb")
PARITY = BchCode(13, 0x201B, 4).parity_bits
LAYOUT = PageLayout(
    1024 + 4 + -(-PARITY // 8),
    (
        Codeword(
            (Span(Part.DATA, 0, 8 * 512), Span(Part.METADATA, 8 * 512, 32)),
            (Span(Part.PARITY, 8 * 516, -(-PARITY // 8) * 8),),
        ),
    ),
)
RECIPE = Recipe(PAGES, LAYOUT, CODE)
FIELD = Translation("block", BitField(0, 1), BitField(2, 1))


def block(data: np.ndarray, number: int, version: int) -> np.ndarray:
    """One block as it is stored, `uint8[PAGES, page_bytes]`."""
    metadata = np.tile(np.array([number, 0xFF, version, 0xFF], np.uint8), (PAGES, 1))
    return RECIPE.encode(data.reshape(PAGES, 512), metadata, np.arange(PAGES))


def written(share: float, seed: int = 1) -> np.ndarray:
    """Data of a block of which a share is filled."""
    data = np.zeros(PAGES * 512, np.uint8)
    end = int(share * len(data))
    data[:end] = np.random.default_rng(seed).integers(1, 256, end)
    return data


def order_of(*blocks: np.ndarray) -> VersionOrder:
    space = PageSpace.of(np.concatenate(blocks), PAGES)
    return VersionOrder(space, RECIPE, block_metadata(space, RECIPE))
