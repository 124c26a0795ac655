"""Kinds of packed data, told apart by the values of their bytes."""

import numpy as np

from deadstick.solve.seeds.kinds_of_data import kinds_of_data


def noise(rng: np.random.Generator, sectors: int) -> np.ndarray:
    return rng.integers(0, 256, (sectors, 512), np.uint8)


def without(rng: np.random.Generator, sectors: int, value: int) -> np.ndarray:
    """One value never comes, and the one before it twice as often."""
    data = noise(rng, sectors)
    data[data == value] = value - 1
    return data


def test_random_data_are_of_no_kind() -> None:
    assert kinds_of_data(noise(np.random.default_rng(1), 4000)) == ()
    assert kinds_of_data(np.zeros((0, 512), np.uint8)) == ()


def test_one_kind_has_its_own_rates() -> None:
    (rates,) = kinds_of_data(without(np.random.default_rng(2), 4000, 0xFF))
    np.testing.assert_allclose(rates[[0xFE, 0xFF]], [2, 0], atol=0.1)
    np.testing.assert_allclose(np.delete(rates, [0xFE, 0xFF]), 1, atol=0.01)


def test_two_kinds_and_random_data_are_told_apart() -> None:
    rng = np.random.default_rng(3)
    mixed = np.concatenate([without(rng, 3000, 0xFF), without(rng, 2000, 0x40), noise(rng, 2500)])
    kinds = kinds_of_data(rng.permutation(mixed))
    lacking = [rates for rates in kinds if rates[0xFF] < 0.1 or rates[0x40] < 0.1]
    assert len(lacking) == 2
    assert lacking[0][0x40] > 0.8
    assert lacking[1][0xFF] > 0.8


def test_rates_have_a_mean_of_one() -> None:
    rng = np.random.default_rng(4)
    data = np.where(rng.random((3000, 512)) < 0.5, noise(rng, 3000), noise(rng, 3000) & 0x3F).astype(np.uint8)
    for rates in kinds_of_data(data):
        np.testing.assert_allclose(rates.mean(), 1)
