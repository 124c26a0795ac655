"""Controllers over several chips and planes: where the blocks lie, and what the dumps of joined chips hold."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave, Numbers
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.interleaved import (
    InterleavedController,
    draw_interleave,
    dumps_of,
    interleaved_identity_dumps,
    logical_blocks,
)

RECIPE = Recipe(
    4,
    spare_groups(1060, 2, 512, 4, 13),
    Code(13, 0x201B, 8),
    None,
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
PLANES = Interleave(planes=2, order=((0, 0), (0, 1)))


def numbers_of(dump: np.ndarray, recipe: Recipe) -> list[int]:
    """Logical number of the first page of every block; -1 for erased ones."""
    first = dump.reshape(-1, recipe.layout.page_bytes)[:: recipe.pages_per_block]
    decoded = recipe.decode(first, np.arange(len(first)) * recipe.pages_per_block)
    number = recipe.translation.logical_number
    assert number is not None
    return [
        -1 if erased else value
        for erased, value in zip(decoded.erased, number.read(decoded.metadata).tolist(), strict=True)
    ]


def disk(blocks: int) -> np.ndarray:
    return np.random.default_rng(4).integers(0, 256, blocks * 4096, dtype=np.uint8)


@pytest.mark.parametrize(("numbering", "step"), [("own", 0), ("common", 1)])
def test_blocks_of_a_pair_lie_side_by_side(numbering: Numbers, step: int) -> None:
    recipe = replace(RECIPE, interleave=replace(PLANES, numbers=numbering))
    controller = InterleavedController(recipe, 24, 5)
    controller.write(disk(12))
    numbers = numbers_of(controller.chips()[0][0], recipe)
    pairs = [(one, other) for one, other in zip(numbers[::2], numbers[1::2], strict=True) if one >= 0]
    assert len(pairs) == 6
    assert all(other == one + step for one, other in pairs)


def test_without_pairs_each_plane_goes_its_own_way() -> None:
    recipe = replace(RECIPE, interleave=PLANES)
    controller = InterleavedController(recipe, 24, 5, paired=False)
    controller.write(disk(12))
    numbers = numbers_of(controller.chips()[0][0], recipe)
    assert sorted(numbers[::2]) == sorted(numbers[1::2])
    assert numbers[::2] != numbers[1::2]


def test_pages_are_dealt_out_by_hand() -> None:
    recipe = replace(RECIPE, interleave=Interleave.of_chips(2))
    content = disk(2)
    pages = content.reshape(8, 1024)
    dealt = logical_blocks(content, recipe).reshape(2, 4, 1024)
    assert np.array_equal(dealt[0], pages[::2])
    assert np.array_equal(dealt[1], pages[1::2])


def test_dumps_of_a_bus_take_turns() -> None:
    joined = np.arange(8, dtype=np.uint8)
    even, odd = dumps_of([joined], Interleave(((1, 0),)))[::-1]
    assert (even.tolist(), odd.tolist()) == ([0, 2, 4, 6], [1, 3, 5, 7])


def test_a_disk_that_does_not_fit_is_refused() -> None:
    recipe = replace(RECIPE, translation=Translation(), interleave=PLANES)
    with pytest.raises(ValueError, match="needs 52 pages, the chips have 48"):
        interleaved_identity_dumps(disk(13), recipe, 12, 1)


def test_draws_reach_every_kind() -> None:
    rng = np.random.default_rng(1)
    drawn = [draw_interleave(rng, mapped=True, most_chips=4) for _ in range(200)]
    assert {len(interleave.chips) for interleave in drawn} == {1, 2, 3, 4}
    assert {interleave.lanes for interleave in drawn} == {1, 2}
    assert {interleave.planes for interleave in drawn} == {1, 2, 4}
    assert {interleave.by for interleave in drawn} == {"page", "block"}
    assert {interleave.numbers for interleave in drawn} == {"own", "common"}
    assert any(interleave.chip_order != tuple(sorted(interleave.chip_order)) for interleave in drawn)
