"""Disks that were spread over chips and planes come back, and every sector knows where it lies."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.flash.dump import Dump
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.rebuild import Rebuilt, rebuild
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.interleaved import InterleavedController, draw_interleave, interleaved_identity_dumps

Bytes = NDArray[np.uint8]
BLOCKS, SIZE = 24, 4
# Seven keystreams for blocks of four pages: a page that is taken for another one does not decode.
SCRAMBLER = Scrambler(
    "after_ecc", "page", LfsrKeystreams(0x8003, (0x1234, 0x0777, 0x5A5A, 1, 0x4321, 0x2222, 0x7001)), block_step=4
)
MAPPED = Recipe(
    SIZE,
    spare_groups(1024 + 2 * 17 + 2, 2, 512, 4, 13),
    Code(13, 0x201B, 8),
    SCRAMBLER,
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
IDENTITY = replace(MAPPED, translation=Translation())


def as_dumps(folder: Path, chips: list[Bytes]) -> list[Dump]:
    """Files of the chips."""
    for number, chip in enumerate(chips):
        (folder / f"chip{number}.bin").write_bytes(chip.tobytes())
    return [Dump.open(folder / f"chip{number}.bin") for number in range(len(chips))]


def disk_bytes(seed: int, pages: int) -> Bytes:
    """Content in which no two sectors are alike."""
    return np.random.default_rng(seed).integers(0, 256, pages * 1024, dtype=np.uint8)


def check_provenance(rebuilt: Rebuilt, dumps: list[Dump], recipe: Recipe, truth: Bytes, sector: int) -> None:
    """Go to the named place in the dumps and find the sector there, without any help of the rebuild."""
    origin = rebuilt.disk.provenance(sector)
    lanes = recipe.interleave.chips[origin.chip]
    assert origin.dumps == lanes
    number = origin.block * SIZE + origin.page
    size = recipe.layout.page_bytes // len(lanes)
    columns = np.arange(*origin.columns[0])
    stored = np.array(
        [dumps[lanes[column % len(lanes)]].array[number * size + column // len(lanes)] for column in columns], np.uint8
    )
    key = SCRAMBLER.masks(recipe.layout)[SCRAMBLER.index(np.array([number]), SIZE)[0]]
    assert np.array_equal(stored ^ key[columns], truth[512 * sector : 512 * sector + 512])


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_an_unmapped_disk_comes_back(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    rng = np.random.default_rng(seed)
    interleave = draw_interleave(rng, mapped=False, most_chips=4)
    recipe = replace(IDENTITY, interleave=interleave)
    pages = BLOCKS * SIZE * len(interleave.chips) - int(rng.integers(0, 9))
    truth = disk_bytes(seed, pages)
    dumps = as_dumps(tmp_path_factory.mktemp("chips"), interleaved_identity_dumps(truth, recipe, BLOCKS, seed))
    rebuilt = rebuild(dumps, recipe)
    assert rebuilt.disk.read(0, len(truth)) == truth.tobytes()
    assert (rebuilt.disk.states(0, 2 * pages) == SectorState.EXACT).all()
    assert rebuilt.page_table.logical[rebuilt.block_table.physical].tolist() == list(range(len(rebuilt.page_table)))
    for sector in rng.integers(0, 2 * pages, 4).tolist():
        check_provenance(rebuilt, dumps, recipe, truth, sector)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_a_mapped_disk_comes_back_in_its_last_state(
    tmp_path_factory: pytest.TempPathFactory, seed: int, paired: bool
) -> None:
    rng = np.random.default_rng(seed)
    interleave = draw_interleave(rng, mapped=True, most_chips=4)
    recipe = replace(MAPPED, interleave=interleave)
    controller = InterleavedController(recipe, BLOCKS, seed % 1000, paired=paired, bad=1)
    pages = interleave.ways * SIZE * (BLOCKS // interleave.planes - 3)
    truth = disk_bytes(seed, pages)
    controller.write(truth)
    truth = truth.copy()
    truth[5000:9000] = rng.integers(0, 256, 4000)
    controller.write(truth)
    controller.level_wear(1)
    chips, _ = controller.chips(rate=1e-5)
    dumps = as_dumps(tmp_path_factory.mktemp("chips"), chips)
    rebuilt = rebuild(dumps, recipe)
    assert rebuilt.disk.size == len(truth)
    assert rebuilt.disk.read(0, len(truth)) == truth.tobytes()
    assert (rebuilt.disk.states(0, 2 * pages) == SectorState.EXACT).all()
    size = rebuilt.block_table.pages_per_block
    for block, copies in rebuilt.block_table.older.items():
        origin = rebuilt.disk.provenance(2 * interleave.logical_pages(block, size).start)
        assert len(origin.older) == len(origin.older_chips) == len(copies)
        places = {(rebuilt.page_table.chip[c.block * size], rebuilt.page_table.block[c.block * size]) for c in copies}
        found = {(chip, place[0]) for chip, place in zip(origin.older_chips, origin.older, strict=True)}
        assert found == places
    for sector in rng.integers(0, 2 * pages, 4).tolist():
        clean = as_dumps(tmp_path_factory.mktemp("clean"), controller.chips()[0])
        check_provenance(rebuilt, clean, recipe, truth, sector)


def test_a_chip_that_was_cut_short_leaves_the_other_in_place(tmp_path: Path) -> None:
    recipe = replace(IDENTITY, interleave=Interleave.of_chips(2))
    truth = disk_bytes(1, 2 * BLOCKS * SIZE)
    chips = interleaved_identity_dumps(truth, recipe, BLOCKS, 1)
    left = (3 * SIZE + 1) * recipe.layout.page_bytes + 7
    dumps = as_dumps(tmp_path, [chips[0][:left], chips[1]])
    rebuilt = rebuild(dumps, recipe)
    states = rebuilt.disk.states(0, 4 * BLOCKS * SIZE).reshape(-1, 2, 2)  # page pair, chip, sector
    assert (states[: 3 * SIZE + 1] == SectorState.EXACT).all()
    assert (states[3 * SIZE + 1 :, 0] == SectorState.UNWRITTEN).all()
    assert (states[:, 1] == SectorState.EXACT).all()
    data = np.frombuffer(rebuilt.disk.read(0, len(truth)), np.uint8).reshape(-1, 2, 1024)
    assert np.array_equal(data[:, 1], truth.reshape(-1, 2, 1024)[:, 1])
    assert not data[3 * SIZE + 1 :, 0].any()


@pytest.mark.parametrize("recipe", [IDENTITY, MAPPED])
@pytest.mark.parametrize("interleave", [Interleave.of_chips(2), Interleave()])
def test_nothing_is_exact_in_an_order_that_is_not_proven(
    tmp_path: Path, recipe: Recipe, interleave: Interleave
) -> None:
    recipe = replace(recipe, interleave=interleave)
    truth = disk_bytes(1, 40 * interleave.ways)
    if recipe.translation.kind == "block":
        controller = InterleavedController(recipe, BLOCKS, 1)
        controller.write(truth)
        chips = controller.chips()[0]
    else:
        chips = interleaved_identity_dumps(truth, recipe, BLOCKS, 1)
    dumps = as_dumps(tmp_path, chips)
    sure = rebuild(dumps, recipe).disk
    unsure = rebuild(dumps, replace(recipe, interleave=replace(interleave, sure=False))).disk
    assert sure.read(0, len(truth)) == unsure.read(0, len(truth)) == truth.tobytes()
    assert (sure.states(0, len(truth) // 512) == SectorState.EXACT).all()
    assert (unsure.states(0, len(truth) // 512) == SectorState.DOUBTFUL).all()


def test_a_recipe_for_two_chips_refuses_one(tmp_path: Path) -> None:
    recipe = replace(IDENTITY, interleave=Interleave.of_chips(2))
    dumps = as_dumps(tmp_path, interleaved_identity_dumps(disk_bytes(1, 8), recipe, BLOCKS, 1))
    with pytest.raises(RecipeError, match="2 chip dumps, not 1"):
        rebuild(dumps[0], recipe)
    with pytest.raises(RecipeError, match="do not divide by 3"):
        PageSpace.of_dumps([dumps[0].array] * 3, replace(recipe, interleave=Interleave(((0, 1, 2),))))


@settings(deadline=None, max_examples=50)
@given(st.lists(st.integers(1, 9), min_size=1, max_size=4), st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_rows_are_the_pages_of_the_chips(sizes: list[int], size: int, seed: int) -> None:
    """Against a list that is made by copying."""
    rng = np.random.default_rng(seed)
    chips = [rng.integers(0, 255, (count, 6), dtype=np.uint8) for count in sizes]
    recipe = replace(
        Recipe(size, spare_groups(6, 1, 4, 0, 2), None), interleave=Interleave.one_after_another(len(sizes))
    )
    space = PageSpace.of_dumps([chip.reshape(-1) for chip in chips], recipe)
    filled = [np.full((-(-len(chip) // size) * size, 6), 0xFF, np.uint8) for chip in chips]
    filled[-1] = filled[-1][: len(chips[-1])]
    for whole, chip in zip(filled, chips, strict=True):
        whole[: len(chip)] = chip
    rows = np.concatenate(filled)
    numbers = np.concatenate([np.arange(len(whole)) for whole in filled])
    assert len(space) == len(rows)
    first, last = sorted(rng.integers(0, len(rows) + 1, 2).tolist())
    for chosen in (np.arange(first, last), rng.integers(0, len(rows), 7)):
        assert np.array_equal(space.take(chosen), rows[chosen])
        assert np.array_equal(space.numbers(chosen), numbers[chosen])
