"""Seeds from metadata that the neighbours foretell."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.seeds.metadata_seeds import seeds_by_metadata

BLOCK, BLOCKS = 16, 12
POLYNOMIAL = (1 << 40) | 0b111001
WITH_METADATA = frozenset({Part.DATA, Part.METADATA})


def controller(covers: frozenset[Part] = WITH_METADATA) -> Recipe:
    seeds = np.random.default_rng(2).integers(1, 1 << 40, BLOCK, dtype=np.uint64)
    scrambler = Scrambler("before_ecc", "column", LfsrKeystreams(POLYNOMIAL, tuple(seeds.tolist())), covers)
    return Recipe(BLOCK, spare_groups(2048 + 128, 2, 1024, 8, 28), Code(14, 0x402B, 16), scrambler)


def dump(recipe: Recipe, *, alike: bool, rate: float = 1e-4) -> np.ndarray:
    """Packed data; metadata that are those of the block, or others in every page."""
    rng = np.random.default_rng(7)
    pages = np.arange(BLOCK * BLOCKS)
    metadata = rng.integers(0, 256, (len(pages), 16), np.uint8)
    if alike:
        metadata = metadata[pages // BLOCK]
    raw = recipe.encode(rng.integers(0, 256, (len(pages), 2048), np.uint8), metadata, pages)
    return raw ^ np.packbits(rng.random((len(raw), 8 * raw.shape[1])) < rate, axis=1)


def without(recipe: Recipe, numbers: tuple[int, ...]) -> tuple[Recipe, dict[int, int]]:
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    seeds = scrambler.keystreams.seeds
    left = tuple(0 if number in numbers else seed for number, seed in enumerate(seeds))
    keystreams = replace(scrambler.keystreams, seeds=left)
    return replace(recipe, scrambler=replace(scrambler, keystreams=keystreams)), {n: seeds[n] for n in numbers}


@pytest.mark.parametrize("numbers", [(3,), (0, 4, 5, 15)])
def test_seeds_under_packed_data_follow_from_metadata(numbers: tuple[int, ...]) -> None:
    recipe = controller()
    partial, truth = without(recipe, numbers)
    assert seeds_by_metadata(partial, dump(recipe, alike=True), np.arange(BLOCK * BLOCKS)) == truth


def test_metadata_that_change_from_page_to_page_foretell_nothing() -> None:
    recipe = controller()
    partial, _ = without(recipe, (3,))
    assert seeds_by_metadata(partial, dump(recipe, alike=False), np.arange(BLOCK * BLOCKS)) == {}


def test_a_scrambler_over_the_data_alone_leaves_no_trace_in_metadata() -> None:
    recipe = controller(frozenset({Part.DATA}))
    partial, _ = without(recipe, (3,))
    assert seeds_by_metadata(partial, dump(recipe, alike=True), np.arange(BLOCK * BLOCKS)) == {}
