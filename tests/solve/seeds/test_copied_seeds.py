"""Seeds from copies of data under other keystreams of one register; nothing else of the data is known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.solve.seeds.copied_seeds import seeds_by_copies

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
PAGES = 40
POLYNOMIAL = (1 << 28) | 0b1001
WITH_COMPLEMENTS = POLYNOMIAL ^ POLYNOMIAL << 1
"""Times (x + 1): its output may be the complement of that of the shorter one."""
WITH_PATTERN = POLYNOMIAL ^ POLYNOMIAL << 1 ^ POLYNOMIAL << 2
"""Times (x^2 + x + 1): its output may have a pattern of three bytes added."""
LONG = (1 << 61) | 0b100111
SEEDS = (0x1234567, 0x89ABCDE, 0x0F1E2D3, 0x7654321)


def recipe_of(polynomial: int, restart: Restart, *, complement: bool = False) -> Recipe:
    keystreams = LfsrKeystreams(polynomial, SEEDS, complement=complement)
    scrambler = Scrambler("before_ecc", restart, keystreams, frozenset({Part.DATA}))
    return Recipe(4, LAYOUT, Code(14, 0x402B, 32, bit_order="lsb"), scrambler)


def noise(seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (PAGES, 2048), np.uint8)


def told(recipe: Recipe, data: np.ndarray, *forgotten: int) -> dict[int, int]:
    """What is found of some seeds, from data as the keystream left them."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    pages = np.arange(len(data))
    rows = data ^ recipe.keys[0][scrambler.index(pages, recipe.pages_per_block)]
    seeds = tuple(0 if number in forgotten else seed for number, seed in enumerate(SEEDS))
    left = replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=seeds))
    return seeds_by_copies(replace(recipe, scrambler=left), rows, pages)


@pytest.mark.parametrize("complement", [False, True])
@pytest.mark.parametrize("restart", ["codeword", "page", "column"])
@pytest.mark.parametrize("polynomial", [POLYNOMIAL, LONG])
def test_a_page_that_lies_under_a_known_keystream_too_tells_the_seed(
    polynomial: int, restart: Restart, complement: bool
) -> None:
    data = noise()
    data[9] = data[22]
    assert told(recipe_of(polynomial, restart, complement=complement), data, 1) == {1: SEEDS[1]}


def test_copies_lead_from_one_keystream_to_the_next() -> None:
    data = noise()
    data[9], data[7] = data[22], data[13]
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1, 3) == {1: SEEDS[1], 3: SEEDS[3]}
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1, 2, 3) == {}  # nothing known has a copy


def test_the_beginning_of_a_file_is_enough() -> None:
    data = noise()
    data[9, :64] = data[22, :64]
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1) == {1: SEEDS[1]}
    data[9, 32:64] ^= 1
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1) == {}


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 1000))
def test_without_copies_nothing_is_told(seed: int) -> None:
    assert told(recipe_of(POLYNOMIAL, "codeword"), noise(seed), 1) == {}


def test_copies_under_one_keystream_say_nothing() -> None:
    data = noise()
    data[9] = data[21]
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1) == {}


def test_the_same_bytes_at_another_place_are_no_copy() -> None:
    data = noise()
    data[9, :512] = data[22, 512:1024]
    assert told(recipe_of(POLYNOMIAL, "page"), data, 1) == {}


@pytest.mark.parametrize("polynomial", [WITH_COMPLEMENTS, WITH_PATTERN])
def test_a_keystream_that_may_be_a_pattern_of_the_data_is_not_told(polynomial: int) -> None:
    data = noise()
    data[9] = data[22]
    assert told(recipe_of(polynomial, "page"), data, 1) == {}


def test_claims_that_contradict_each_other_tell_nothing() -> None:
    """A block that was written without a scrambler is under no keystream, but its copies claim one."""
    data = noise()
    data[9, :512], data[13, 512:1024] = data[22, :512], data[26, 512:1024]
    recipe = recipe_of(POLYNOMIAL, "page")
    data[13, 512:1024] ^= recipe.keys[0][3, 512:1024]
    assert told(recipe, data, 1) == {}
