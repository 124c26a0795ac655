"""Drawn spreads over chips and planes: the order is found, and a wrong one is never called proven."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.history import scenario_history
from deadstick.simulate.interleaved import InterleavedController, draw_interleave, interleaved_identity_dumps
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.interleave.find_interleave import find_interleave
from deadstick.solve.interleave.interleave_orders import unmixed
from deadstick.solve.interleave.interleave_trials import SpreadSearch
from deadstick.solve.translation.find_translation import find_translation

Bytes = NDArray[np.uint8]
CODE = Code(14, 0x402B, 40)
MAPPED = Translation("block", BitField(0, 2), BitField(2, 2))


@dataclass(frozen=True)
class Drawn:
    """A stick under a drawn spread; `period` is that of its keystream, 0 for none."""

    recipe: Recipe
    dumps: list[Bytes]
    disk: Bytes
    period: int


def draw(seed: int) -> Drawn:
    rng = np.random.default_rng([seed, 99])
    mapped = bool(rng.random() < 0.6)
    interleave = draw_interleave(rng, mapped=mapped, most_chips=int(rng.choice([1, 2, 2, 4])))
    data = int(rng.choice([2048, 4096, 8192, 16384]))
    size = max(32, min(int(rng.choice([32, 48, 64, 96, 128])), (1 << 20) // data))
    words, metadata = data // 1024, int(rng.integers(6, 9))
    spare = words * (metadata + CODE.parity_bytes) + 2 * int(rng.integers(0, 20))
    layout = spare_groups(data + spare, words, 1024, metadata, CODE.parity_bytes)
    period = int(rng.choice([16, 32, 64, 128]))
    seeds = tuple(int(seed) for seed in rng.integers(1, 1 << 15, period))
    scrambler = Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, seeds), block_step=size % period)
    recipe = Recipe(size, layout, CODE, scrambler, MAPPED if mapped else IDENTITY, interleave)
    if rng.random() > 0.6:
        recipe, period = replace(recipe, scrambler=None), 0
    disk_bytes = int(rng.choice([6, 8, 12])) << 20
    rate = float(rng.choice([2e-4, 1e-3]))
    history = scenario_history(seed, disk_bytes, fill=float(rng.uniform(0.3, 0.7)))
    blocks = -(-disk_bytes // (size * data)) // len(interleave.chips) + 7 + 2 * interleave.planes
    if not mapped:
        blocks += -blocks % interleave.planes
        dumps = interleaved_identity_dumps(history.disk, recipe, blocks, seed, rate=rate)
        return Drawn(recipe, dumps, history.disk, period)
    blocks += blocks // 3
    blocks += -blocks % interleave.planes
    controller = InterleavedController(recipe, blocks, seed, paired=bool(rng.random() < 0.6), bad=1)
    for state in history.states:
        controller.write(state)
        controller.level_wear(int(rng.integers(0, 5)))
    return Drawn(recipe, controller.chips(rate=rate)[0], history.disk, period)


def solved(case: Drawn) -> tuple[Recipe, float]:
    """The recipe that is found, and the share of the disk's sectors that it brings back."""
    groups = tuple(sorted(case.recipe.interleave.chips))
    start = replace(case.recipe, translation=IDENTITY, interleave=unmixed(groups))
    space = PageSpace.of_dumps(case.dumps, start)
    plain = find_translation(space, start, case.period, None, silent)
    recipe = find_interleave(SpreadSearch(space, plain, case.period, None, silent)).translation.recipe
    space = PageSpace.of_dumps(case.dumps, recipe)
    physical = placed_blocks(space, recipe, block_metadata(space, recipe))
    content = TrialDisk(space, recipe, physical).read(0, len(case.disk)).ljust(len(case.disk), b"\0")
    disk = np.frombuffer(content, np.uint8).reshape(-1, 512)
    return recipe, float((disk == case.disk.reshape(-1, 512)).all(axis=1).mean())


@pytest.mark.parametrize("seed", [1, 16, 35])
def test_a_drawn_spread_is_worked_out(seed: int) -> None:
    """Four planes whose block no metadata tell, with a scrambler and without; planes by block under a mapping."""
    recipe, share = solved(draw(seed))
    assert recipe.interleave.sure
    assert share > 0.97


@pytest.mark.parametrize("seed", [17])
def test_a_handful_of_blocks_proves_no_order(seed: int) -> None:
    """Three logical blocks on each of four units: versions number them as well as numbers do."""
    recipe, share = solved(draw(seed))
    assert share < 0.97
    assert not recipe.interleave.sure


@pytest.mark.campaign
def test_most_drawn_spreads_are_worked_out_and_none_is_proven_wrong() -> None:
    good = 0
    wrong = []
    for seed in range(60, 260):
        recipe, share = solved(draw(seed))
        good += share > 0.95
        # One chip in its own order is not in question here: its versions are.
        if share <= 0.95 and recipe.interleave.sure and not recipe.interleave.is_none:
            wrong.append((seed, share, recipe.interleave.describe()))
    assert wrong == []
    assert good >= 0.9 * 200
