"""Seeds from data that are nowhere constant, but not random either."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Place, Restart, Scrambler
from deadstick.solve.seeds.biased_bits import seeds_by_bias, solved
from deadstick.solve.seeds.table_recipes import data_as_read

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
PAGES = 90
SEEDS = (0x1234567, 0x89ABCDE, 0x0F1E2D3)
POLYNOMIAL = (1 << 28) | 0b1001
WITH_COMPLEMENTS = POLYNOMIAL ^ POLYNOMIAL << 1
"""Times (x + 1): its output may be the complement of that of the shorter one."""
WITH_PATTERN = POLYNOMIAL ^ POLYNOMIAL << 1 ^ POLYNOMIAL << 2
"""Times (x^2 + x + 1): its output may have a pattern of three added, as the bytes of pixels are one."""
Kind = Callable[[np.random.Generator], np.ndarray]


def samples(rng: np.random.Generator) -> np.ndarray:
    """Sound: samples of 16 bits, the low byte first."""
    return np.clip(rng.normal(0, 4000, (PAGES, 1024)), -32768, 32767).astype("<i2").view(np.uint8)


def unsigned_samples(rng: np.random.Generator) -> np.ndarray:
    """Sound: samples of 8 bits around 128."""
    return np.clip(rng.normal(128, 20, (PAGES, 2048)), 0, 255).astype(np.uint8)


def letters(rng: np.random.Generator) -> np.ndarray:
    """Text of an alphabet in the upper half of a code of 8 bits, a few bytes of the lower half between."""
    upper = rng.integers(0xC0, 0x100, (PAGES, 2048))
    return np.where(rng.random(upper.shape) < 0.2, rng.integers(0x20, 0x40, upper.shape), upper).astype(np.uint8)


def noise(rng: np.random.Generator) -> np.ndarray:
    return rng.integers(0, 256, (PAGES, 2048), np.uint8)


def recipe_of(polynomial: int, place: Place, restart: Restart) -> Recipe:
    covers = frozenset({Part.DATA}) if place == "before_ecc" else frozenset(Part)
    low = (1 << polynomial.bit_length() - 1) - 1
    seeds = tuple(seed & low for seed in SEEDS)
    scrambler = Scrambler(place, restart, LfsrKeystreams(polynomial, seeds), covers)
    return Recipe(3, LAYOUT, Code(14, 0x402B, 32, bit_order="lsb"), scrambler)


def told(recipe: Recipe, data: np.ndarray, rate: float = 2e-4) -> dict[int, int]:
    """What is found of the second seed, if it is forgotten; data are read with bit errors."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    numbers = np.arange(len(data))
    raw = recipe.encode(data, np.zeros((len(data), 8), np.uint8), numbers)
    rng = np.random.default_rng(1)
    raw ^= np.packbits(rng.random((len(raw), 8 * raw.shape[1])) < rate, axis=1)
    bare = replace(recipe, scrambler=None)
    rows = bare.decode(raw, numbers).data if scrambler.place == "before_ecc" else data_as_read(bare, raw)
    seeds = (scrambler.keystreams.seeds[0], 0, scrambler.keystreams.seeds[2])
    forgotten = replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=seeds))
    return seeds_by_bias(replace(recipe, scrambler=forgotten), rows, numbers, [1])


@pytest.mark.parametrize("restart", ["codeword", "page", "column"])
@pytest.mark.parametrize("place", ["before_ecc", "after_ecc"])
@pytest.mark.parametrize("kind", [samples, unsigned_samples, letters])
def test_a_seed_follows_from_data_that_are_not_random(kind: Kind, place: Place, restart: Restart) -> None:
    data = kind(np.random.default_rng(7))
    assert told(recipe_of(POLYNOMIAL, place, restart), data) == {1: SEEDS[1]}


@pytest.mark.parametrize("place", ["before_ecc", "after_ecc"])
def test_noise_has_no_seed(place: Place) -> None:
    assert told(recipe_of(POLYNOMIAL, place, "codeword"), noise(np.random.default_rng(3))) == {}


@pytest.mark.parametrize("polynomial", [WITH_COMPLEMENTS, WITH_PATTERN])
@pytest.mark.parametrize("kind", [samples, unsigned_samples, letters])
def test_a_keystream_that_may_be_a_pattern_of_the_data_is_not_told(kind: Kind, polynomial: int) -> None:
    # The sum of two bits is that of their complements, and of an alphabet nothing says in which half it lies.
    data = kind(np.random.default_rng(7))
    assert told(recipe_of(polynomial, "before_ecc", "codeword"), data) == {}


def test_one_page_copied_many_times_is_one_word() -> None:
    data = np.repeat(samples(np.random.default_rng(7))[:1], PAGES, axis=0)
    assert told(recipe_of(POLYNOMIAL, "before_ecc", "page"), data) == {}


@pytest.mark.parametrize("wrong", [0.0, 0.2, 0.3])
def test_equations_need_not_all_hold(wrong: float) -> None:
    rng = np.random.default_rng(11)
    x, count = 0x3A5C_96F1, 4000
    masks = rng.integers(1, 1 << 32, count, dtype=np.uint64)
    weights = rng.random(count)
    # The surer an equation the less often it is wrong.
    flipped = rng.random(count) < 2 * wrong * (1 - weights) ** 2
    ones = (np.bitwise_count(masks & np.uint64(x)) & 1 == 1) ^ flipped
    assert solved(masks, ones, weights) == x


def test_random_equations_have_no_solution() -> None:
    rng = np.random.default_rng(12)
    masks = rng.integers(1, 1 << 32, 4000, dtype=np.uint64)
    assert solved(masks, rng.random(4000) < 0.5, rng.random(4000)) is None


def test_a_short_register_needs_hardly_any_bias() -> None:
    """The highest bit is zero in 515 of 1000 bytes, and nothing else: no few equations can be trusted."""
    rng = np.random.default_rng(8)
    data = rng.integers(0, 128, (600, 2048), np.uint8) | (rng.random((600, 2048)) < 0.485).astype(np.uint8) << 7
    recipe = recipe_of(0x10002D, "before_ecc", "page")
    assert told(recipe, data.astype(np.uint8)) == {1: SEEDS[1] & 0xFFFFF}
    assert told(recipe, noise(rng)) == {}


@pytest.mark.parametrize("polynomial", [POLYNOMIAL, 0x10002D])
def test_the_seed_is_that_of_the_register_under_its_complement(polynomial: int) -> None:
    recipe = recipe_of(polynomial, "after_ecc", "page")
    assert recipe.scrambler is not None
    inverse = replace(recipe.scrambler, keystreams=recipe.scrambler.keystreams.inverse())
    low = (1 << polynomial.bit_length() - 1) - 1
    data = letters(np.random.default_rng(7))
    assert told(replace(recipe, scrambler=inverse), data) == {1: SEEDS[1] & low}


def packed(rng: np.random.Generator, share: float = 0.2) -> np.ndarray:
    """Packed data in which every eighth value is more frequent, and no sum of the highest bits is."""
    values = noise(rng)
    return np.where(rng.random(values.shape) < share, values & 0xF8, values).astype(np.uint8)


def with_some_sound(data: np.ndarray, pages: int) -> np.ndarray:
    """The last pages under the second keystream are sound."""
    places = np.arange(1, len(data), 3)[-pages:]
    mixed = data.copy()
    mixed[places] = samples(np.random.default_rng(9))[places]
    return mixed


@pytest.mark.parametrize("place", ["before_ecc", "after_ecc"])
def test_two_pages_of_sound_among_thirty_tell_each_other(place: Place) -> None:
    data = with_some_sound(noise(np.random.default_rng(3)), 2)
    assert told(recipe_of(POLYNOMIAL, place, "page"), data) == {1: SEEDS[1]}
    assert told(recipe_of(POLYNOMIAL, place, "page"), with_some_sound(noise(np.random.default_rng(3)), 1)) == {}


@pytest.mark.parametrize("polynomial", [WITH_COMPLEMENTS, WITH_PATTERN])
def test_packed_data_tell_the_keystream_from_that_with_a_pattern(polynomial: int) -> None:
    recipe = recipe_of(polynomial, "before_ecc", "page")
    data = with_some_sound(packed(np.random.default_rng(4)), 5)
    assert told(recipe, data) == {1: SEEDS[1]}
