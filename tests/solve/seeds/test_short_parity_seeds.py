"""Seeds under codes that have fewer equations in a word than the register has stages."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.simulate.nand import add_bit_errors
from deadstick.solve.seeds.missing_seeds import missing_seeds
from deadstick.solve.seeds.short_parity_seeds import short_parity_seeds

POLYNOMIAL = 1 << 63 | 0b11  # x^63 + x + 1, primitive
SEEDS = (0x1234567890ABCDEF & (1 << 63) - 1, 0x7EDCBA9876543210, 0x0F1E2D3C4B5A6978)
WRITTEN = 240


def recipe_of(restart: Restart, *, complement: bool = False) -> Recipe:
    """Two codewords of 52 parity bits a page, three keystreams."""
    keystreams = LfsrKeystreams(POLYNOMIAL, SEEDS, complement=complement)
    layout = spare_groups(1024 + 24, 2, 512, 4, 7)
    return Recipe(3, layout, Code(13, 0x201B, 4), Scrambler("after_ecc", restart, keystreams))


def pages_of(recipe: Recipe, zeros: float, seed: int = 3) -> np.ndarray:
    """Random data in which one more byte in so many is zero, as in coded pictures; some bit errors."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (WRITTEN, 1024), np.uint8)
    data[rng.random(data.shape) < zeros] = 0
    raw = recipe.encode(data, np.full((WRITTEN, 8), 0xFF, np.uint8), np.arange(WRITTEN))
    add_bit_errors(raw.reshape(-1), 1e-4, seed)
    return raw


def without(recipe: Recipe, number: int) -> Recipe:
    """The recipe with a seed unknown."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    seeds = tuple(0 if own == number else seed for own, seed in enumerate(SEEDS))
    return replace(recipe, scrambler=replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=seeds)))


@pytest.mark.parametrize("complement", [False, True])
def test_all_codewords_of_a_page_together_tell_a_seed(complement: bool) -> None:
    recipe = recipe_of("page", complement=complement)
    pages, numbers = pages_of(recipe, 0.0), np.arange(WRITTEN)
    assert missing_seeds(without(recipe, 1), pages, numbers, [1]) == {}  # one codeword has too few equations
    assert short_parity_seeds(without(recipe, 1), pages, numbers, [1]) == {1: SEEDS[1]}


@pytest.mark.parametrize("complement", [False, True])
def test_what_the_code_leaves_open_the_values_of_bytes_decide(complement: bool) -> None:
    recipe = recipe_of("codeword", complement=complement)  # the same 52 equations in both
    numbers = np.arange(WRITTEN)
    assert short_parity_seeds(without(recipe, 2), pages_of(recipe, 0.02), numbers, [2]) == {2: SEEDS[2]}


def test_random_data_decide_nothing() -> None:
    recipe = recipe_of("codeword")
    assert short_parity_seeds(without(recipe, 2), pages_of(recipe, 0.0), np.arange(WRITTEN), [2]) == {}


def test_copies_of_two_pages_say_nothing() -> None:
    recipe = recipe_of("page")
    pages = pages_of(recipe, 0.0)
    under = np.arange(WRITTEN) % 3 == 1
    pages[under] = np.resize(pages[under][:2], (int(under.sum()), pages.shape[1]))
    assert short_parity_seeds(without(recipe, 1), pages, np.arange(WRITTEN), [1]) == {}
