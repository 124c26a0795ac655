"""The judge on several chips and planes: other words for the same places are right, other places are not."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.interleaved import InterleavedController, interleaved_identity_dumps
from deadstick.simulate.judge import Judgement, judge

SCRAMBLER = Scrambler("after_ecc", "page", LfsrKeystreams(0x1002D, tuple(range(1, 9))))
RECIPE = Recipe(8, spare_groups(2 * 590, 2, 512, 4, 52), Code(13, 0x201B, 32), SCRAMBLER)
MAPPED = Translation("block", BitField(0, 2), BitField(2, 1))
TWO = ((0,), (1,))
SWAPPED = Interleave(TWO, 1, ((1, 0), (0, 0)))
PLANES = Interleave(planes=2, order=((0, 0), (0, 1)))


def verdict_on(folder: Path, true: Recipe, found: Recipe, *, cut: float = 1.0) -> Judgement:
    size = 20 * true.pages_per_block * true.layout.data_bytes
    disk = np.random.default_rng(3).integers(0, 256, size, dtype=np.uint8)
    if true.translation == IDENTITY:
        dumps = interleaved_identity_dumps(disk, true, 24 // len(true.interleave.chips), 1, rate=1e-4)
    else:
        controller = InterleavedController(true, 36 // len(true.interleave.chips), 1)
        controller.write(np.roll(disk, 512))
        controller.write(disk)
        dumps, _ = controller.chips(rate=1e-4)
    paths = [folder / f"{number}.bin" for number in range(len(dumps))]
    for path, dump in zip(paths, dumps, strict=True):
        _cut(dump, cut).tofile(path)
    return judge([Dump.open(path) for path in paths], true, found, disk if cut == 1.0 else None)


def _cut(dump: NDArray[np.uint8], share: float) -> NDArray[np.uint8]:
    return dump[: int(len(dump) * share)]


SPREADS = {
    "swapped": SWAPPED,
    "planes": PLANES,
    "bus": Interleave(((1, 0),)),
    "four units": Interleave.of_chips(2, 2, "block"),
    "one after another": Interleave.one_after_another(2),
}


@pytest.mark.parametrize("cut", [1.0, 0.83])
@pytest.mark.parametrize("translation", [IDENTITY, MAPPED], ids=["identity", "mapped"])
@pytest.mark.parametrize("name", SPREADS)
def test_the_same_recipe_is_right(tmp_path: Path, name: str, translation: Translation, cut: float) -> None:
    recipe = replace(RECIPE, translation=translation, interleave=SPREADS[name])
    result = verdict_on(tmp_path, recipe, recipe, cut=cut)
    assert (result.verdict, result.share, result.differences) == ("right", 1.0, ())
    assert result.sectors > 200


def test_chips_may_have_other_numbers(tmp_path: Path) -> None:
    """The second dump is the first chip: in one recipe it has number 0 and comes first, in the other number 1."""
    true = replace(RECIPE, interleave=SWAPPED)
    found = replace(RECIPE, interleave=Interleave(((1,), (0,)), 1, ((0, 0), (1, 0))))
    assert verdict_on(tmp_path, true, found).verdict == "right"
    # Cut in the middle of a block: the first chip of each recipe is filled up to a whole one, the second is not.
    assert verdict_on(tmp_path, true, found, cut=0.83).verdict == "right"


def test_planes_by_block_in_their_order_are_no_planes(tmp_path: Path) -> None:
    true = replace(RECIPE, interleave=replace(PLANES, by="block"))
    assert verdict_on(tmp_path, true, replace(RECIPE, pages_per_block=16)).verdict == "right"


@pytest.mark.parametrize(
    ("true", "found"),
    [
        (SWAPPED, Interleave.of_chips(2)),
        (SWAPPED, replace(SWAPPED, by="block")),
        (Interleave.of_chips(2), Interleave.one_after_another(2)),
        (PLANES, Interleave()),
        (PLANES, Interleave(planes=2, order=((0, 1), (0, 0)))),
    ],
    ids=["chips", "by block", "succession", "no planes", "turned planes"],
)
def test_another_order_is_wrong_and_named(tmp_path: Path, true: Interleave, found: Interleave) -> None:
    result = verdict_on(tmp_path, replace(RECIPE, interleave=true), replace(RECIPE, interleave=found))
    assert result.verdict == "wrong"
    assert result.wrong_exact > 100
    assert result.differences[-1].startswith("translation: ")
    assert result.differences[-1].endswith(found.describe())


def test_another_order_that_claims_nothing_is_incomplete(tmp_path: Path) -> None:
    found = replace(RECIPE, interleave=replace(SWAPPED, order=((0, 0), (1, 0)), sure=False))
    result = verdict_on(tmp_path, replace(RECIPE, interleave=SWAPPED), found)
    assert (result.verdict, result.wrong_exact) == ("incomplete", 0)
    assert result.wrong_doubtful > 100


def test_chips_that_are_not_joined_are_named(tmp_path: Path) -> None:
    half = Recipe(8, spare_groups(590, 1, 512, 4, 52), Code(13, 0x201B, 32), SCRAMBLER, IDENTITY, SWAPPED)
    result = verdict_on(tmp_path, replace(RECIPE, interleave=Interleave(((1, 0),))), half)
    assert result.verdict != "right"
    assert result.differences == ("bus: 0; 1 instead of 1 and 0",)


def test_a_wrong_keystream_is_counted_on_every_chip(tmp_path: Path) -> None:
    """Keystreams go by the page of a page's own chip: the number of a page over all chips would miss them."""
    keys = LfsrKeystreams(0x1002D, tuple(range(1, 241)))
    rule = Scrambler("before_ecc", "page", keys, block_step=8)
    true = replace(RECIPE, scrambler=rule, interleave=SWAPPED)
    others = replace(keys, seeds=(*keys.seeds[:79], 241, *keys.seeds[80:]))
    result = verdict_on(tmp_path, true, replace(true, scrambler=replace(rule, keystreams=others)))
    assert result.verdict == "wrong"
    assert result.wrong_exact == 4
    assert result.differences == ("keystream: wrong or unknown under 2 of 160 written pages",)
