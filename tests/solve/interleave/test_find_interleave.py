"""Chips, planes and bus: the order of pages is found from dumps alone, and wrong orders are put right."""

from dataclasses import replace
from functools import cache
from itertools import permutations

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.progress import silent
from deadstick.rebuild.page_source import woven
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.history import History, scenario_history
from deadstick.simulate.interleaved import InterleavedController, interleaved_identity_dumps
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.find_interleave import FoundInterleave, find_interleave
from deadstick.solve.interleave.find_joined import find_joined
from deadstick.solve.interleave.interleave_orders import unmixed
from deadstick.solve.interleave.interleave_trials import SpreadSearch, is_divided
from deadstick.solve.interleave.several import prove_several
from deadstick.solve.solver import solve
from deadstick.solve.translation.find_translation import find_translation

Bytes = NDArray[np.uint8]
SEEDS = tuple(int(seed) for seed in np.random.default_rng(1).integers(1, 1 << 15, 64))
SCRAMBLER = Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, SEEDS))
MAPPED = Recipe(
    64,
    spare_groups(2048 + 112, 4, 512, 4, 20),
    Code(13, 0x201B, 12),
    SCRAMBLER,
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
DISK_BYTES = 4 << 20
TWO = ((0,), (1,))
PLANES = Interleave(planes=2, order=((0, 0), (0, 1)))
SWAPPED = Interleave(TWO, 1, ((1, 0), (0, 0)))


@cache
def stick() -> History:
    """What is on the simulated stick."""
    return scenario_history(3, DISK_BYTES, fill=0.55)


def played(recipe: Recipe, *, paired: bool = True, rate: float = 5e-5) -> list[Bytes]:
    """Dumps of the chips of a stick."""
    interleave = recipe.interleave
    logical = -(-DISK_BYTES // (recipe.pages_per_block * recipe.layout.data_bytes))
    blocks = -(-logical // len(interleave.chips)) + 8
    if recipe.translation.kind == "identity":
        blocks += -blocks % interleave.planes
        return interleaved_identity_dumps(stick().disk, recipe, blocks, 3, rate=rate)
    blocks += blocks
    blocks += -blocks % interleave.planes
    controller = InterleavedController(recipe, blocks, 3, paired=paired, bad=1)
    for state in stick().states:
        controller.write(state)
        controller.level_wear(6)  # as many pairs of copies as it takes to tell a version
    return controller.chips(rate=rate)[0]


def found_in(dumps: list[Bytes], recipe: Recipe) -> FoundInterleave:
    """The search for translation and interleave, where pages can be decoded already."""
    groups = tuple(sorted(recipe.interleave.chips))
    start = replace(recipe, translation=IDENTITY, interleave=unmixed(groups))
    space = PageSpace.of_dumps(dumps, start)
    period = len(SEEDS) if recipe.scrambler else 0
    plain = find_translation(space, start, period, None, silent)
    return find_interleave(SpreadSearch(space, plain, period, None, silent))


def equal_sectors(dumps: list[Bytes], recipe: Recipe) -> float:
    """Share of the disk's sectors that a recipe brings back, by the solver's own reading of the blocks."""
    space = PageSpace.of_dumps(dumps, recipe)
    physical = placed_blocks(space, recipe, block_metadata(space, recipe))
    truth = stick().disk
    content = TrialDisk(space, recipe, physical).read(0, len(truth))
    disk = np.frombuffer(content.ljust(len(truth), b"\0"), np.uint8)
    return float((disk.reshape(-1, 512) == truth.reshape(-1, 512)).all(axis=1).mean())


UNMAPPED = {
    "two planes": PLANES,
    "two planes, the second first": Interleave(planes=2, order=((0, 1), (0, 0))),
    "four planes": Interleave(planes=4, order=((0, 0), (0, 1), (0, 2), (0, 3))),
    "two chips by page": Interleave.of_chips(2),
    "two chips by page, swapped": SWAPPED,
    "two chips by block, swapped": replace(SWAPPED, by="block"),
    "two chips, one after another, swapped": replace(SWAPPED, by="block", numbers="common"),
    "two chips of two planes": Interleave.of_chips(2, 2),
    "four chips in disorder": Interleave(((0,), (1,), (2,), (3,)), 1, ((2, 0), (0, 0), (3, 0), (1, 0))),
    "two pairs on a bus": Interleave(((0, 3), (1, 2)), 1, ((1, 0), (0, 0))),
}


@pytest.mark.parametrize("name", UNMAPPED)
@pytest.mark.parametrize("scrambler", [SCRAMBLER, None])
def test_the_order_of_an_unmapped_disk(name: str, scrambler: Scrambler | None) -> None:
    interleave = UNMAPPED[name]
    recipe = replace(MAPPED, translation=IDENTITY, interleave=interleave, scrambler=scrambler)
    dumps = played(recipe)
    found = found_in(dumps, recipe)
    assert found.translation.recipe.interleave == interleave
    assert found.translation.recipe.interleave.sure
    assert equal_sectors(dumps, found.translation.recipe) > 0.999


MAPPED_CASES = {
    "two planes, block pairs": (PLANES, True),
    "two planes, each with wear levelling of its own": (PLANES, False),
    "two planes, numbers counted over both": (replace(PLANES, numbers="common"), True),
    "four planes": (UNMAPPED["four planes"], True),
    "two chips by page, swapped": (SWAPPED, False),
    "two chips, numbers counted over both": (replace(Interleave.of_chips(2), numbers="common"), False),
    "two chips, blocks on either": (Interleave.one_after_another(2), False),
    "two chips of two planes": (Interleave.of_chips(2, 2), True),
}


@pytest.mark.parametrize("name", MAPPED_CASES)
def test_the_order_of_a_mapped_disk(name: str) -> None:
    interleave, paired = MAPPED_CASES[name]
    recipe = replace(MAPPED, interleave=interleave)
    dumps = played(recipe, paired=paired)
    found = found_in(dumps, recipe)
    assert found.translation.recipe.interleave == interleave  # and so its order is sure
    assert found.translation.recipe.pages_per_block == 64
    assert found.translation.recipe.translation.version is not None
    assert equal_sectors(dumps, found.translation.recipe) > 0.999


def test_a_chip_that_is_in_order_is_left_as_it_is() -> None:
    for recipe in (replace(MAPPED, translation=IDENTITY), MAPPED):
        found = found_in(played(recipe), recipe)
        assert found.translation.recipe.interleave == NO_INTERLEAVE
        assert found.tried == 1


def test_without_a_volume_no_order_is_proven() -> None:
    recipe = replace(MAPPED, translation=IDENTITY, interleave=SWAPPED)
    noise = np.random.default_rng(5).integers(0, 200, 2 << 20, dtype=np.uint8)
    dumps = interleaved_identity_dumps(noise, recipe, 12, 1)
    found = found_in(dumps, recipe)
    assert not found.translation.recipe.interleave.sure
    assert "not proven" in found.finding.answer
    assert found.finding.log10_chance is None


class TestBus:
    """Chips that are joined byte by byte are told from those that are not, before the code is known."""

    @pytest.mark.parametrize("scrambler", [SCRAMBLER, replace(SCRAMBLER, place="before_ecc"), None])
    @pytest.mark.parametrize("lanes", [(0, 1), (1, 0)])
    def test_joined(self, scrambler: Scrambler | None, lanes: tuple[int, int]) -> None:
        recipe = replace(MAPPED, translation=IDENTITY, scrambler=scrambler, interleave=Interleave((lanes,)))
        found = find_joined(played(recipe))
        assert found.choices == ((lanes,),)
        assert found.finding.log10_chance is not None
        assert found.finding.log10_chance < -8

    @pytest.mark.parametrize("scrambler", [SCRAMBLER, None])
    def test_single(self, scrambler: Scrambler | None) -> None:
        recipe = replace(MAPPED, translation=IDENTITY, scrambler=scrambler, interleave=SWAPPED)
        assert find_joined(played(recipe)).choices == (TWO,)

    def test_pairs_of_four(self) -> None:
        recipe = replace(MAPPED, translation=IDENTITY, interleave=UNMAPPED["two pairs on a bus"])
        assert find_joined(played(recipe)).choices == (((0, 3), (1, 2)),)

    def test_noise_leaves_it_open(self) -> None:
        rng = np.random.default_rng(2)
        found = find_joined([rng.integers(0, 256, 1 << 18, dtype=np.uint8) for _ in range(2)])
        assert set(found.choices) == {TWO, ((0, 1),), ((1, 0),)}
        assert found.finding.log10_chance is None

    def test_dumps_that_are_erased_at_different_places_are_no_pair(self) -> None:
        rng = np.random.default_rng(2)
        one = rng.integers(0, 256, 1 << 18, dtype=np.uint8)
        other = one.copy()
        one[: 1 << 16], other[-(1 << 16) :] = 0xFF, 0xFF
        assert find_joined([one, other]).choices == (TWO,)

    def test_woven_bytes(self) -> None:
        rng = np.random.default_rng(2)
        lanes = [rng.integers(0, 256, (3, 4), dtype=np.uint8) for _ in range(3)]
        joined = woven(lanes)
        for row, column in np.ndindex(joined.shape):
            assert joined[row, column] == lanes[column % 3][row, column // 3]


class TestGivenRecipe:
    """A recipe for several chips is proven, and swapped dumps are put right."""

    def test_order_is_put_right(self) -> None:
        recipe = replace(MAPPED, interleave=Interleave.of_chips(2))
        dumps = played(recipe)
        for order in permutations(range(2)):
            turned = [dumps[number] for number in order]
            solution = solve(turned, Hints(recipe=recipe))
            assert solution.recipe is not None
            assert equal_sectors(turned, solution.recipe) > 0.999
            swapped = order != (0, 1)
            assert ("put right" in solution.findings[0].answer) == swapped
            assert solution.recipe.interleave.chips == (((1,), (0,)) if swapped else TWO)

    def test_another_number_of_dumps_is_refused(self) -> None:
        recipe = replace(MAPPED, interleave=Interleave.of_chips(2))
        with pytest.raises(HintError, match="2 chip dumps, and 3 were given"):
            prove_several([*played(recipe), played(recipe)[0]], recipe)

    def test_a_foreign_recipe_is_refused(self) -> None:
        recipe = replace(MAPPED, interleave=Interleave.of_chips(2))
        with pytest.raises(HintError, match="does not fit"):
            prove_several(played(recipe), replace(recipe, code=Code(13, 0x2027, 12)))


@pytest.mark.parametrize(("units", "copies"), [(2, 0), (2, 6), (4, 0)])
def test_numbers_that_lie_in_one_unit_each_are_not_counted_by_units(units: int, copies: int) -> None:
    rng = np.random.default_rng(1)
    numbers = np.concatenate([np.arange(80), np.arange(copies)])
    assert is_divided(numbers, rng.integers(0, units, len(numbers)))
    assert is_divided(numbers, numbers % units)


@pytest.mark.parametrize("missing", [0.0, 0.15, 0.6])
def test_units_that_count_for_themselves_have_the_same_numbers(missing: float) -> None:
    """Each block may be missing; of the second chip a part of the dump is."""
    numbers, units = np.repeat(np.arange(80), 2), np.tile([0, 1], 80)
    there = np.random.default_rng(2).random(160) >= np.where(units == 1, missing, min(0.15, missing))
    assert not is_divided(numbers[there], units[there])
    assert not is_divided(np.zeros(0, np.int64), np.zeros(0, np.int64))


def test_the_rest_of_a_cut_block_speaks_for_no_smaller_one() -> None:
    pages = np.zeros((3 * 64 + 40, 8), np.uint8)
    whole = PageSpace.of(pages, 16).in_whole_blocks(64)
    assert (len(whole), whole.pages_per_block, whole.blocks) == (3 * 64, 16, 12)
