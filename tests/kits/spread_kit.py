"""Sticks of several chips and planes: one controller, played with any interleave, for tests of several steps."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.history import History, scenario_history
from deadstick.simulate.interleaved import InterleavedController, interleaved_identity_dumps

Bytes = NDArray[np.uint8]
SEEDS = tuple(int(seed) for seed in np.random.default_rng(1).integers(1, 1 << 15, 64))
RECIPE = Recipe(
    64,
    spare_groups(2048 + 112, 4, 512, 4, 20),
    Code(13, 0x201B, 12),
    Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, SEEDS)),
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
TWO = ((0,), (1,))
DISK_BYTES = 4 << 20


@cache
def stick(seed: int) -> History:
    """What a host wrote."""
    return scenario_history(seed, DISK_BYTES, fill=0.55)


@cache
def played(recipe: Recipe, seed: int = 3, rate: float = 5e-5) -> tuple[Bytes, ...]:
    """The dumps of such a stick, in the order of the recipe."""
    blocks = -(-DISK_BYTES // (64 * 2048)) // len(recipe.interleave.chips) + 8
    if recipe.translation == IDENTITY:
        return tuple(interleaved_identity_dumps(stick(seed).disk, recipe, blocks, seed, rate=rate))
    controller = InterleavedController(recipe, 2 * blocks, seed, bad=1)
    for state in stick(seed).states:
        controller.write(state)
        controller.level_wear(6)
    return tuple(controller.chips(rate=rate)[0])
