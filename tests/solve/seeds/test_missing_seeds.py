"""Seeds from the code's equations."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.seeds.missing_seeds import missing_seeds

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
SEEDS = (0x1234567, 0x89ABCDE, 0x0F1E2D3)
POLYNOMIAL = (1 << 28) | 0b1001
EVERYTHING = frozenset(Part)
NO_METADATA = frozenset({Part.DATA, Part.PARITY})


def written(recipe: Recipe, pages: int, rate: float, seed: int = 5) -> np.ndarray:
    """Random data, with bit errors."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (pages, 2048), np.uint8)
    raw = recipe.encode(data, rng.integers(0, 256, (pages, 8), np.uint8), np.arange(pages))
    return raw ^ np.packbits(rng.random((pages, 8 * raw.shape[1])) < rate, axis=1)


def forgotten(recipe: Recipe, number: int) -> Recipe:
    """The recipe without one seed."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    seeds = tuple(0 if i == number else seed for i, seed in enumerate(scrambler.keystreams.seeds))
    return replace(recipe, scrambler=replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=seeds)))


@pytest.mark.parametrize("restart", ["codeword", "page", "column"])
@pytest.mark.parametrize(
    ("code", "covers", "complement"),
    [
        (Code(14, 0x402B, 32), EVERYTHING, False),
        (Code(14, 0x402B, 32, bit_order="lsb", inverted=True), EVERYTHING, False),
        (Code(14, 0x402B, 32, erased_is_codeword=True), NO_METADATA, True),
    ],
)
@pytest.mark.parametrize("rate", [0.0, 1e-3])
def test_a_seed_follows_from_random_data(
    restart: Restart, code: Code, covers: frozenset[Part], complement: bool, rate: float
) -> None:
    keystreams = LfsrKeystreams(POLYNOMIAL, SEEDS, complement=complement)
    recipe = Recipe(3, LAYOUT, code, Scrambler("after_ecc", restart, keystreams, covers))
    raw = written(recipe, 15, rate)
    found = missing_seeds(forgotten(recipe, 1), raw, np.arange(15), [1])
    assert found == {1: SEEDS[1]}


def test_noise_has_no_seed() -> None:
    recipe = Recipe(3, LAYOUT, Code(14, 0x402B, 32), Scrambler("after_ecc", "page", LfsrKeystreams(POLYNOMIAL, SEEDS)))
    noise = np.random.default_rng(6).integers(0, 256, (15, LAYOUT.page_bytes), np.uint8)
    assert missing_seeds(forgotten(recipe, 1), noise, np.arange(15), [1]) == {}


def test_a_system_with_more_than_one_solution_gives_none() -> None:
    system = LinearSystem([0b01, 0b10, 0b11])
    assert not system.is_regular
    assert system.solve(0b11) is None
