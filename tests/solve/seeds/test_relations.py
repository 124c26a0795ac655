"""Which words under one keystream have a relation in common."""

import numpy as np

from deadstick.solve.seeds.relations import RELATIONS, alike, unseen

SOUND = RELATIONS[1]


def noise(rng: np.random.Generator, words: int) -> np.ndarray:
    return rng.integers(0, 256, (words, 2048), np.uint8)


def sound(rng: np.random.Generator, words: int) -> np.ndarray:
    return rng.normal(0, 4000, (words, 1024)).clip(-32768, 32767).astype("<i2").view(np.uint8)


def test_words_of_one_kind_are_found_under_any_keystream() -> None:
    rng = np.random.default_rng(1)
    words = np.concatenate([noise(rng, 20), sound(rng, 3), noise(rng, 20)]) ^ noise(rng, 1)
    (group,) = alike(words, SOUND)
    assert sorted(map(bytes, group)) == sorted(map(bytes, words[20:23]))
    assert not list(alike(words, RELATIONS[0]))


def test_groups_are_told_apart() -> None:
    """Loud sound in one channel, and words that agree with each other for another reason."""
    rng = np.random.default_rng(2)
    near = noise(rng, 1) ^ (rng.random((4, 2048)) < 0.05).astype(np.uint8)
    words = np.concatenate([sound(rng, 3), near]) ^ noise(rng, 1)
    assert [len(group) for group in alike(words, SOUND)] == [4, 3]


def test_noise_has_no_groups() -> None:
    rng = np.random.default_rng(3)
    assert not [relation for relation in RELATIONS if list(alike(noise(rng, 300), relation))]


def test_no_words_have_no_groups() -> None:
    assert not [relation for relation in RELATIONS if list(alike(np.zeros((0, 2048), np.uint8), relation))]


def test_what_equations_see_is_not_left_open() -> None:
    masks = np.array([0b0011, 0b1100, 0b1000], np.uint64)
    assert unseen(masks, (0b0011, 0b1000, 0b1011)) == (0b0010,)
    assert unseen(masks, ()) == ()
