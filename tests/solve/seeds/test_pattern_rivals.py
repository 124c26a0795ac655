"""Which of a few seeds that differ by a pattern pages were written under."""

import numpy as np
import pytest

from deadstick.solve.seeds.pattern_rivals import PatternTest

ONES, SEED = 1 << 3, 0b1010101
RNG = np.random.default_rng(1)
BASIS = RNG.integers(0, 256, (29, 2048), np.uint8)
BASIS[3] = 0xFF
STREAM = BASIS[0] ^ BASIS[2] ^ BASIS[4] ^ BASIS[6]


def packed(pages: int) -> np.ndarray:
    """Every eighth value is more frequent."""
    values = RNG.integers(0, 256, (pages, 2048), np.uint8)
    return np.where(RNG.random(values.shape) < 0.2, values & 0xF8, values).astype(np.uint8)


def noise(pages: int) -> np.ndarray:
    return RNG.integers(0, 256, (pages, 2048), np.uint8)


@pytest.mark.parametrize("seed", [SEED, SEED ^ ONES])
def test_pages_tell_the_seed(seed: int) -> None:
    test = PatternTest.of(packed(60), BASIS, (ONES,))
    assert test.told(np.concatenate([packed(5), noise(9)]) ^ STREAM, seed) == SEED
    assert test.told(np.concatenate([~packed(5), noise(9)]) ^ STREAM, seed) == SEED ^ ONES


def test_few_pages_or_copies_are_not_enough() -> None:
    test = PatternTest.of(packed(60), BASIS, (ONES,))
    assert test.told(packed(2) ^ STREAM, SEED) is None
    copies = packed(1).repeat(9, axis=0)
    copies[:, 0] = np.arange(9)
    assert test.told(copies ^ STREAM, SEED) is None
    assert test.told(noise(20) ^ STREAM, SEED) is None


def test_pages_that_contradict_each_other_tell_nothing() -> None:
    test = PatternTest.of(packed(60), BASIS, (ONES,))
    assert test.told(np.concatenate([packed(9), ~packed(6)]) ^ STREAM, SEED) is None


def test_nothing_is_told_where_known_pages_contradict_each_other() -> None:
    known = RNG.permutation(np.concatenate([packed(60), ~packed(60)]))
    assert PatternTest.of(known, BASIS, (ONES,)).told(packed(9) ^ STREAM, SEED) is None


def test_nothing_is_told_where_known_pages_say_nothing() -> None:
    assert PatternTest.of(noise(60), BASIS, (ONES,)).told(packed(20) ^ STREAM, SEED) is None
    assert PatternTest.of(noise(0), BASIS, (ONES,)).told(packed(20) ^ STREAM, SEED) is None
