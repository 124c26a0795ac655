"""A recipe that was proven on one stick may leave the places of pages on the next one open; then nothing is exact."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.history import History, scenario_history
from deadstick.simulate.interleaved import interleaved_identity_dumps
from deadstick.solve.answer.doubts import VolumeWitness, place_doubt
from deadstick.solve.common.evidence import Solution
from deadstick.solve.hints.hints import Hints
from deadstick.solve.library import library
from deadstick.solve.solver import solve

RECIPE = Recipe(64, in_line(2216, 2, 1024, 8, 70), Code(14, 0x402B, 40, bit_order="lsb"))
BLOCK_BYTES = 64 * 2216
EIGHT = Interleave(planes=8, order=tuple((0, plane) for plane in (0, 4, 1, 5, 2, 6, 3, 7)))
PLANES = Interleave(planes=2, order=((0, 0), (0, 1)))


@pytest.fixture(scope="module")
def history() -> History:
    return scenario_history(11, 4 << 20)


def from_library(folder: Path, recipe: Recipe, dump: NDArray[np.uint8]) -> Solution:
    path = library.add(folder, dump, recipe)
    assert path is not None
    found = solve(dump, Hints(library=folder))
    assert f"the recipe {path.name} of the library decodes the dump" in found.reason
    return found


@pytest.mark.parametrize("blocks", [0, 2], ids=["at the beginning", "in the middle"])
def test_a_volume_in_the_middle_of_the_chip_proves_no_place(blocks: int, history: History, tmp_path: Path) -> None:
    erased = np.full(blocks * BLOCK_BYTES, 0xFF, np.uint8)
    dump = np.concatenate([erased, identity_dump(history.disk, RECIPE, 40, 1, rate=1e-4)])
    found = from_library(tmp_path, RECIPE, dump)
    assert found.recipe is not None
    assert found.recipe.translation == IDENTITY
    assert found.recipe.interleave.sure == (blocks == 0)
    assert ("begins in the middle" in found.reason) == (blocks > 0)


@pytest.mark.parametrize(("interleave", "sure"), [(PLANES, True), (EIGHT, False)], ids=["two planes", "eight planes"])
def test_planes_are_proven_anew(interleave: Interleave, sure: bool, history: History, tmp_path: Path) -> None:
    recipe = replace(RECIPE, interleave=interleave)
    (dump,) = interleaved_identity_dumps(history.disk, recipe, 48, 1, rate=1e-4)
    found = from_library(tmp_path, recipe, dump)
    assert found.recipe is not None
    assert found.recipe.interleave == replace(interleave, sure=sure)
    assert ("does not come to this order of planes, so nothing is called exact" in found.reason) != sure


def test_each_doubt_has_its_words() -> None:
    pages = np.full((128, 2216), 0xFF, np.uint8)
    mapped = replace(RECIPE, translation=Translation("block", BitField(0, 2), BitField(2, 2)))
    good = VolumeWitness(500.0, 0.9, is_anchored=True)
    assert place_doubt(pages, RECIPE, good) is None
    assert place_doubt(pages, RECIPE, replace(good, score=60.0)) == "no volume confirms where its pages belong"
    assert place_doubt(pages, RECIPE, replace(good, share=0.5)) == "no volume confirms where its pages belong"
    middle = replace(good, is_anchored=False)
    assert place_doubt(pages, RECIPE, middle) == "its volume begins in the middle and no partition says so"
    assert place_doubt(pages, mapped, middle) is None
    assert place_doubt(pages, RECIPE, replace(middle, share=0.0), is_given=True) is None


def test_a_table_of_keystreams_that_a_register_makes_is_doubted() -> None:
    """The register's rule fits no codewords that are a byte off their place; a table fits whatever decodes."""
    rng = np.random.default_rng(2)
    sure = VolumeWitness(1000.0, 1.0, is_anchored=True)
    pages = rng.integers(0, 256, (1024, RECIPE.layout.page_bytes), np.uint8)
    random_streams = tuple(rng.bytes(RECIPE.layout.page_bytes) for _ in range(4))
    recipe = replace(RECIPE, scrambler=Scrambler("after_ecc", "column", StoredKeystreams(random_streams)))
    assert place_doubt(pages, recipe, sure) is None
    register = Lfsr(0x100400007)
    pages[::4] = register.keystream(np.full(256, 0x1234567, np.uint64), RECIPE.layout.page_bytes, "lsb")
    doubt = place_doubt(pages, recipe, sure)
    assert doubt is not None
    assert "register" in doubt
