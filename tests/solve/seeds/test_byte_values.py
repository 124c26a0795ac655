"""Seeds of short registers from how often data have each value of a byte."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Place, Scrambler
from deadstick.solve.seeds.biased_bits import seeds_by_bias
from deadstick.solve.seeds.byte_values import profiles, seed_by_values

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
PAGES, DATA_BYTES = 600, 2048
SEEDS = (0x1234, 0x0ABC, 0x0F1E)
POLYNOMIAL = (1 << 15) | 0b11
STAGES = 15
MISSING = 1
Kind = Callable[[np.random.Generator, int], np.ndarray]


def noise(rng: np.random.Generator, pages: int) -> np.ndarray:
    return rng.integers(0, 256, (pages, DATA_BYTES), np.uint8)


def stuffed(rng: np.random.Generator, pages: int) -> np.ndarray:
    """The coded data of pictures: 00h behind each FFh (ITU-T T.81, F.1.2.3)."""
    data = noise(rng, pages)
    data[:, 1:][data[:, :-1] == 0xFF] = 0
    return data


def without_markers(rng: np.random.Generator, pages: int) -> np.ndarray:
    data = noise(rng, pages)
    data[data == 0xFF] = 0xFE
    return data


def text(rng: np.random.Generator, pages: int) -> np.ndarray:
    return rng.choice(np.frombuffer(b"the seals of the sandbank 0123\n", np.uint8), (pages, DATA_BYTES))


def recipe_of(place: Place) -> Recipe:
    covers = frozenset({Part.DATA}) if place == "before_ecc" else frozenset(Part)
    scrambler = Scrambler(place, "page", LfsrKeystreams(POLYNOMIAL, SEEDS), covers)
    return Recipe(3, LAYOUT, Code(14, 0x402B, 32, bit_order="lsb"), scrambler)


def told(place: Place, known: Kind, hidden: Kind) -> dict[int, int]:
    """What is found of a seed that is forgotten; every second page under the others is text."""
    recipe = recipe_of(place)
    scrambler, numbers, rng = recipe.scrambler, np.arange(PAGES), np.random.default_rng(7)
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    under = scrambler.index(numbers, recipe.pages_per_block)
    data = known(rng, PAGES)
    data[::2] = text(rng, len(data[::2]))
    data[under == MISSING] = hidden(rng, int((under == MISSING).sum()))
    seeds = tuple(0 if number == MISSING else seed for number, seed in enumerate(SEEDS))
    forgotten = replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=seeds))
    rows = data ^ recipe.keys[0][under]
    return seeds_by_bias(replace(recipe, scrambler=forgotten), rows, numbers, [MISSING])


@pytest.mark.parametrize("place", ["before_ecc", "after_ecc"])
@pytest.mark.parametrize("kind", [stuffed, without_markers])
def test_a_seed_follows_from_packed_data(kind: Kind, place: Place) -> None:
    assert told(place, kind, kind) == {MISSING: SEEDS[MISSING]}


@pytest.mark.parametrize("known", [noise, stuffed, without_markers])
def test_random_data_have_no_seed(known: Kind) -> None:
    assert told("before_ecc", known, noise) == {}


def test_a_page_copied_many_times_is_one_page() -> None:
    def copied(rng: np.random.Generator, pages: int) -> np.ndarray:
        return np.repeat(stuffed(rng, 1), pages, axis=0)

    assert told("before_ecc", stuffed, copied) == {}


def test_random_data_have_no_profile() -> None:
    rng = np.random.default_rng(1)
    assert profiles(noise(rng, 400)) == ()
    assert profiles(np.zeros((400, DATA_BYTES), np.uint8)) == ()


def test_a_profile_is_the_walsh_spectrum_of_the_values() -> None:
    """One value of 256 is missing: every sum of bits is off by as much, up or down as that value has it."""
    values = np.arange(255, dtype=np.uint8)
    rows = np.stack([np.random.default_rng(page).permutation(np.tile(values, 2)) for page in range(800)])
    # A row of 510 bytes is no sector: they are put together again.
    of_values, *_ = profiles(rows.reshape(-1)[: 700 * 512].reshape(700, 512))
    parity = np.bitwise_count(np.arange(256)) & 1
    lacking = np.where(parity == 1, 1.0, -1.0) / 256
    np.testing.assert_allclose(of_values[1:], lacking[1:], rtol=0.02)
    assert of_values[0] == 0


@pytest.mark.parametrize("stages", [9, 16])
def test_every_sum_of_bits_of_a_keystream_counts_for_its_seed(stages: int) -> None:
    """Any linear keystream will do, not a register's alone."""
    rng = np.random.default_rng(stages)
    basis = rng.integers(0, 256, (stages, 1024), np.uint8)
    seed = int(rng.integers(1, 1 << stages))
    stream = np.bitwise_xor.reduce(basis[[bit for bit in range(stages) if seed >> bit & 1]], axis=0)
    usual = profiles(without_markers(rng, 300)[:, :1024])
    assert seed_by_values(without_markers(rng, 300)[:, :1024] ^ stream, basis, usual) == seed
    assert seed_by_values(noise(rng, 300)[:, :1024] ^ stream, basis, usual) is None


@pytest.mark.parametrize("hidden", [text, noise])
def test_data_of_another_kind_have_no_wrong_seed(hidden: Kind) -> None:
    rng = np.random.default_rng(5)
    basis = rng.integers(0, 256, (12, DATA_BYTES), np.uint8)
    stream = basis[3] ^ basis[7]
    usual = profiles(stuffed(rng, 400))
    assert len(usual) > 0
    assert seed_by_values(hidden(rng, 400) ^ stream, basis, usual) in {None, 1 << 3 | 1 << 7}
