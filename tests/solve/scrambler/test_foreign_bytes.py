"""A byte that is corrected in every page is none of the host's."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.solve.answer.doubts import VolumeWitness, place_doubt
from deadstick.solve.scrambler.foreign_bytes import foreign_byte

RECIPE = Recipe(64, in_line(2216, 2, 1024, 8, 70), Code(14, 0x402B, 40, bit_order="lsb"))


def dump(seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    data, metadata = rng.integers(0, 256, (128, 2048), np.uint8), np.full((128, 16), 0xFF, np.uint8)
    pages = RECIPE.encode(data, metadata, np.arange(128))
    return pages ^ np.packbits(rng.random((128, 8 * pages.shape[1])) < 1e-3, axis=1)


def test_bit_errors_and_a_bad_bit_line_are_no_foreign_byte() -> None:
    pages = dump()
    pages[:, 700] |= 1
    assert foreign_byte(pages, RECIPE) is None


@pytest.mark.parametrize("column", [5, 1500])
def test_a_byte_that_is_another_leaves_nothing_exact(column: int) -> None:
    pages = dump()
    pages[:, column] = 0xFF
    found = foreign_byte(pages, RECIPE)
    assert found is not None
    assert f"codeword {column // 1102}" in found
    assert place_doubt(pages, RECIPE, VolumeWitness(1e4, 1.0, is_anchored=True)) == found
    assert place_doubt(dump(), RECIPE, VolumeWitness(1e4, 1.0, is_anchored=True)) is None


def test_without_a_code_nothing_is_corrected() -> None:
    assert foreign_byte(dump(), replace(RECIPE, code=None)) is None


def test_a_marker_written_over_metadata_is_none_of_the_data() -> None:
    pages = dump()
    pages[:, 1024:1026] = np.random.default_rng(5).integers(0, 256, (128, 2), np.uint8)
    assert foreign_byte(pages, RECIPE) is None
