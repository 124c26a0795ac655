"""Seeds that a controller makes by letting its register run on from one keystream to the next."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.seeds.seed_orbit import on_one_orbit

PRIMITIVE = {16: 0x1002D, 32: (1 << 32) | 0x400007, 61: (1 << 61) | 0b100111}
"""x^16 + x^5 + x^3 + x^2 + 1, x^32 + x^22 + x^2 + x + 1, x^61 + x^5 + x^2 + x + 1 (from memory; checked below)."""


def orbit(polynomial: int, count: int, step: int, unit: int = 1) -> list[int]:
    """Seeds `step` shifts apart, keystream i being number `unit * i` of them."""
    register = Lfsr(polynomial)
    seeds = [0] * count
    state = 0x1234
    for number in range(count):
        seeds[unit * number % count] = state
        state = register.advance(state, step)
    return seeds


def hidden(seeds: list[int], numbers: list[int]) -> tuple[int, ...]:
    return tuple(0 if number in numbers else seed for number, seed in enumerate(seeds))


@pytest.mark.parametrize("width", sorted(PRIMITIVE))
def test_the_polynomials_are_primitive(width: int) -> None:
    assert gf2poly.is_primitive(PRIMITIVE[width])


@pytest.mark.parametrize("width", sorted(PRIMITIVE))
@pytest.mark.parametrize("unit", [1, 7, 11])
def test_missing_seeds_follow_from_the_others(width: int, unit: int) -> None:
    seeds = orbit(PRIMITIVE[width], 60, 123_457, unit)
    some = LfsrKeystreams(PRIMITIVE[width], hidden(seeds, [5, 6, 17, 40, 59]))
    assert on_one_orbit(some).seeds == tuple(seeds)


@settings(max_examples=20, deadline=None)
@given(st.integers(12, 48), st.integers(1, 1 << 20), st.integers(0, 1 << 30))
def test_what_is_foretold_is_never_wrong(count: int, step: int, seed: int) -> None:
    seeds = orbit(PRIMITIVE[32], count, step)
    missing = np.random.default_rng(seed).choice(count, count // 4, replace=False).tolist()
    found = on_one_orbit(LfsrKeystreams(PRIMITIVE[32], hidden(seeds, missing))).seeds
    assert all(new in (0, old) for new, old in zip(found, seeds, strict=True))


def test_seeds_without_a_rule_stay_as_they_are() -> None:
    seeds = np.random.default_rng(3).integers(1, 1 << 32, 40, dtype=np.uint64).tolist()
    some = LfsrKeystreams(PRIMITIVE[32], hidden(seeds, [0, 9]))
    assert on_one_orbit(some) == some


def test_a_seed_at_the_end_of_two_orders_is_not_guessed() -> None:
    """Forwards from seed 0 and backwards from the last one explain the others alike, and differ in seed 0."""
    seeds = orbit(PRIMITIVE[32], 24, 999)
    found = on_one_orbit(LfsrKeystreams(PRIMITIVE[32], hidden(seeds, [0, 8]))).seeds
    assert found[0] == 0
    assert found[8] == seeds[8]
