"""Seeds of keystreams under which nothing but text shows."""

from dataclasses import replace

import numpy as np

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.register.register import Register
from deadstick.solve.seeds.text_seeds import seeds_by_text

POLYNOMIAL = 0x1002D  # x^16 + x^5 + x^3 + x^2 + 1, primitive
SEEDS = (11, 2_222, 33_333, 4_444)
KEYSTREAMS = LfsrKeystreams(POLYNOMIAL, SEEDS)
REGISTER = Register(POLYNOMIAL, "lsb", 100, 1000)
RECIPE = Recipe(
    4, spare_groups(2048 + 128, 2, 1024, 4, 56), Code(14, 0x402B, 32), Scrambler("after_ecc", "codeword", KEYSTREAMS)
)


def survey(*, with_text: bool) -> Survey:
    """Pages of packed data, those under keystream 2 with some text."""
    rng = np.random.default_rng(6)
    data = rng.integers(0, 256, (64, 2048), np.uint8)
    if with_text:
        for row in range(2, 64, 4):
            start = int(rng.integers(0, 1400))
            data[row, start : start + 500] = rng.integers(0x20, 0x7B, 500)
    pages = RECIPE.encode(data, np.full((64, 8), 0xFF, np.uint8), np.arange(64))
    return Survey(pages.reshape(-1), RECIPE.layout.page_bytes)


def without(*numbers: int) -> Recipe:
    """The recipe with some seeds unknown."""
    left = tuple(0 if number in numbers else seed for number, seed in enumerate(SEEDS))
    assert RECIPE.scrambler is not None
    return replace(RECIPE, scrambler=replace(RECIPE.scrambler, keystreams=replace(KEYSTREAMS, seeds=left)))


def test_text_shows_a_seed_that_no_constant_data_do() -> None:
    assert seeds_by_text(without(1, 2), REGISTER, survey(with_text=True), [1, 2]) == {2: SEEDS[2]}


def test_packed_data_show_none() -> None:
    assert seeds_by_text(without(1, 2), REGISTER, survey(with_text=False), [1, 2]) == {}


def test_another_register_than_that_of_the_recipe_is_not_asked() -> None:
    other = Register(0x8003, "lsb", 100, 1000)
    assert seeds_by_text(without(2), other, survey(with_text=True), [2]) == {}
