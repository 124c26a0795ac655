"""Seeds of registers too long to try all, from how often packed data have each value of a byte."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.solve.seeds.biased_bits import seeds_by_bias
from deadstick.solve.seeds.every_seed import LONGEST
from deadstick.solve.seeds.kinds_of_data import kinds_of_data
from deadstick.solve.seeds.likely_bytes import seed_by_likely_bytes

LAYOUT = spare_groups(1024 + 64, 2, 512, 4, 28)
POLYNOMIAL = (1 << 28) | 0b1001
LONG = (1 << 61) | 0b100111
SEEDS = (0x1234567, 0x89ABCDE, 0x0F1E2D3)
Kind = Callable[[np.random.Generator, int, int], np.ndarray]


def noise(rng: np.random.Generator, words: int, length: int = 512) -> np.ndarray:
    return rng.integers(0, 256, (words, length), np.uint8)


def without_markers(rng: np.random.Generator, words: int, length: int = 512) -> np.ndarray:
    """The coded data of pictures, in which FFh would begin a marker (ITU-T T.81, B.1.1.2)."""
    data = noise(rng, words, length)
    data[data == 0xFF] = 0xFE
    return data


def skewed(rng: np.random.Generator, words: int, length: int = 512) -> np.ndarray:
    """Packed data of another format, of which some values are twice as frequent as others."""
    return np.where(rng.random((words, length)) < 0.3, rng.integers(0, 32, (words, length)), noise(rng, words, length))


def told(polynomial: int, restart: Restart, known: np.ndarray, hidden: np.ndarray) -> dict[int, int]:
    """What is found of the second seed if it is forgotten; data under the others are known."""
    scrambler = Scrambler("before_ecc", restart, LfsrKeystreams(polynomial, SEEDS), frozenset({Part.DATA}))
    recipe = Recipe(3, LAYOUT, Code(14, 0x402B, 16, bit_order="lsb"), scrambler)
    pages = np.r_[np.resize([0, 2], len(known)), np.full(len(hidden), 1)]
    rows = np.concatenate([known, hidden]).astype(np.uint8) ^ recipe.keys[0][pages]
    forgotten = replace(scrambler, keystreams=LfsrKeystreams(polynomial, (SEEDS[0], 0, SEEDS[2])))
    return seeds_by_bias(replace(recipe, scrambler=forgotten), rows, pages, [1])


@pytest.mark.parametrize("restart", ["codeword", "page"])
@pytest.mark.parametrize("polynomial", [POLYNOMIAL, LONG])
def test_a_seed_follows_from_packed_data(polynomial: int, restart: Restart) -> None:
    assert polynomial.bit_length() - 1 > LONGEST
    rng = np.random.default_rng(7)
    known, hidden = without_markers(rng, 600, 1024), without_markers(rng, 500, 1024)
    assert told(polynomial, restart, known, hidden) == {1: SEEDS[1]}


def test_a_third_of_the_data_may_be_random() -> None:
    rng = np.random.default_rng(8)
    known, hidden = without_markers(rng, 600, 1024), without_markers(rng, 900, 1024)
    hidden[::3] = noise(rng, 300, 1024)
    assert told(POLYNOMIAL, "codeword", known, hidden) == {1: SEEDS[1]}


def test_data_of_several_kinds_are_known() -> None:
    """All together they hardly say what pictures are like."""
    rng = np.random.default_rng(9)
    known = np.concatenate([skewed(rng, 800, 1024), noise(rng, 800, 1024), without_markers(rng, 800, 1024)])
    assert told(LONG, "codeword", rng.permutation(known), without_markers(rng, 400, 1024)) == {1: SEEDS[1]}


@pytest.mark.parametrize("kind", [noise, without_markers, skewed])
def test_random_data_have_no_seed(kind: Kind) -> None:
    rng = np.random.default_rng(10)
    assert told(POLYNOMIAL, "codeword", kind(rng, 600, 1024), noise(rng, 500, 1024)) == {}


def test_a_page_copied_many_times_is_one_page() -> None:
    rng = np.random.default_rng(11)
    hidden = np.repeat(without_markers(rng, 1, 1024), 500, axis=0)
    assert told(POLYNOMIAL, "page", without_markers(rng, 600, 1024), hidden) == {}


def test_what_a_few_words_say_is_not_enough_for_a_long_register() -> None:
    rng = np.random.default_rng(12)
    kinds = kinds_of_data(without_markers(rng, 2000))
    basis = noise(rng, 61)
    stream = np.bitwise_xor.reduce(basis[::3], axis=0)
    assert seed_by_likely_bytes(without_markers(rng, 60) ^ stream, basis, kinds) is None
    assert seed_by_likely_bytes(without_markers(rng, 600) ^ stream, basis, kinds) == sum(
        1 << bit for bit in range(0, 61, 3)
    )


def test_data_of_another_kind_have_no_wrong_seed() -> None:
    rng = np.random.default_rng(13)
    basis = noise(rng, 32)
    stream = basis[3] ^ basis[7]
    assert seed_by_likely_bytes(skewed(rng, 800) ^ stream, basis, kinds_of_data(without_markers(rng, 2000))) is None


@pytest.mark.parametrize("factor", [0b11, 0b101, 0b111])
def test_values_tell_the_output_of_a_register_from_its_patterns(factor: int) -> None:
    """Ones, or a pattern of three bits, may be added to the keystream; the values of bytes are not the same then."""
    rng = np.random.default_rng(14)
    polynomial = gf2poly.multiply(POLYNOMIAL, factor)
    assert told(polynomial, "codeword", without_markers(rng, 600, 1024), without_markers(rng, 500, 1024)) == {
        1: SEEDS[1]
    }


def test_a_seed_is_not_told_if_its_complement_explains_as_much() -> None:
    """Known data of two kinds, each the complement of the other, as where seeds and complements were mistaken."""
    rng = np.random.default_rng(15)
    known = np.concatenate([without_markers(rng, 800, 1024), ~without_markers(rng, 800, 1024)])
    hidden = without_markers(rng, 500, 1024)
    assert told(POLYNOMIAL, "codeword", rng.permutation(known), hidden) == {1: SEEDS[1]}
    assert told(gf2poly.multiply(POLYNOMIAL, 0b11), "codeword", rng.permutation(known), hidden) == {}


def test_data_that_look_like_the_complement_of_packed_ones_do_not_mislead() -> None:
    """Known packed data have FFh a little more often than others; under the missing seed, tables of zeros do it."""
    rng = np.random.default_rng(16)
    known = noise(rng, 1200, 1024)
    known[rng.random(known.shape) < 0.001] = 0xFF
    hidden = noise(rng, 800, 1024)
    hidden[::2][rng.random((400, 1024)) < 0.3] = 0
    polynomial = gf2poly.multiply(POLYNOMIAL, 0b11)
    assert told(polynomial, "codeword", known, hidden) == {}


def test_the_columns_that_a_seed_is_solved_from_do_not_prove_it() -> None:
    """A few columns hold one value throughout, under no register, and all others random data."""
    rng = np.random.default_rng(17)
    basis, words = noise(rng, 29), noise(rng, 600)
    words[:, :5] = rng.integers(0, 256, 5)
    rates = np.ones(256)
    rates[7] = 3
    assert seed_by_likely_bytes(words, basis, (rates / rates.mean(),)) is None
