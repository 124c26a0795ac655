"""What a Hamming code corrected: how often it is wrong, and that nothing wrong is called EXACT."""

from math import comb

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.hamming import HammingCode
from deadstick.rebuild.certainty import accident_chances, chances_of, codeword_states
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.double_errors import noise_accidents, sure_words
from deadstick.recipe.code import ERASED, LOST, Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe

CODE = Code.hamming(256)
WORDS, PAGES = 8, 64
"""Of a page, and of a block."""


def channel(errors: NDArray[np.int64], seed: int) -> tuple[NDArray[np.int16], NDArray[np.bool_]]:
    """What the real decoder reports for words with so many scattered bit errors, and whether it is wrong."""
    noise = np.random.default_rng(seed)
    flat = errors.reshape(-1)
    hit = np.flatnonzero(flat)
    words = np.zeros((len(hit), 259), np.uint8)
    for row, count in zip(words, flat[hit], strict=True):
        bits = noise.choice(8 * 256 + 22, count, replace=False)
        np.bitwise_xor.at(row, bits // 8, (128 >> bits % 8).astype(np.uint8))
    decoded = HammingCode(256).decode(words, 256)
    reported, wrong = np.zeros(len(flat), np.int16), np.zeros(len(flat), np.bool_)
    reported[hit] = np.where(decoded.errors < 0, LOST, decoded.errors)
    wrong[hit] = (decoded.words[:, :256] != 0).any(axis=1) & (decoded.errors >= 0)
    return reported.reshape(errors.shape), wrong.reshape(errors.shape)


def blocks_of(pages: int) -> NDArray[np.int64]:
    return np.arange(pages, dtype=np.int64) // PAGES


@pytest.mark.parametrize(("rate", "clean_are_sure"), [(0.0, True), (1e-7, True), (1e-6, True), (1e-4, False)])
def test_clean_words_are_exact_at_low_rates_and_corrected_ones_never(rate: float, *, clean_are_sure: bool) -> None:
    noise = np.random.default_rng(1)
    errors, _ = channel(noise.binomial(2070, rate, (16384, WORDS)), 2)
    sure = sure_words(errors, blocks_of(len(errors)), CODE)
    assert not sure[errors != 0].any()
    assert bool(sure[errors == 0].all()) == clean_are_sure
    if not clean_are_sure:
        assert not sure.any()


def test_nothing_exact_is_wrong_whatever_the_rates_of_blocks() -> None:
    """Blocks from hardly an error to hundreds: dozens of accidents, none of them EXACT."""
    noise = np.random.default_rng(3)
    rates = np.repeat(10.0 ** noise.uniform(-8, -3.3, 200), PAGES)[:, None]
    errors, wrong = channel(noise.binomial(2070, rates, (200 * PAGES, WORDS)), 4)
    sure = sure_words(errors, blocks_of(len(errors)), CODE)
    assert wrong.sum() > 50
    assert not (sure & wrong).any()


def test_triples_are_as_frequent_as_the_sums_say() -> None:
    """Sum over blocks of C(K, 3) / W^2, K being all errors of a block: what `sure_words` expects of triples."""
    noise = np.random.default_rng(5)
    rates = np.repeat(noise.choice([1e-5, 5e-5, 2e-4], 100), PAGES)[:, None]
    real = noise.binomial(2070, rates, (100 * PAGES, WORDS))
    per_block = real.reshape(100, -1)
    expected = sum(comb(int(count), 3) for count in per_block.sum(axis=1)) / per_block.shape[1] ** 2
    triples = int((real == 3).sum())
    assert triples > 100
    assert abs(triples - expected) < 5 * np.sqrt(expected) + 0.2 * expected  # quadruples count as four triples


def test_pages_that_lost_half_of_their_words_are_doubtful() -> None:
    errors = np.zeros((PAGES * 10, WORDS), np.int16)
    errors[5] = LOST
    errors[PAGES, :4] = LOST
    sure = sure_words(errors, blocks_of(len(errors)), CODE)
    assert not sure[[5, PAGES]].any()
    assert sure[[4, 6]].all()  # one page of noise says nothing of its neighbours
    assert not sure[PAGES + 1].any()  # four double errors in one page do
    assert sure[2 * PAGES :].all()


def test_words_of_noise_are_reported_as_often_as_stated() -> None:
    noise = np.random.default_rng(6)
    words = noise.integers(0, 256, (300_000, 259), dtype=np.uint8)
    reported = HammingCode(256).decode(words, 256).errors
    expected = noise_accidents(1, 1, 0, CODE) * len(words)
    assert 100 < expected < 200
    assert abs(int((reported == 1).sum()) - expected) < 5 * np.sqrt(expected)


def test_states_of_a_dump_under_a_hamming_code() -> None:
    recipe = Recipe(PAGES, spare_groups(2112, WORDS, 256, 0, 3), CODE)
    errors = np.zeros((PAGES * 4, WORDS), np.int16)
    errors[1, 2], errors[3, 4], errors[4] = 1, LOST, ERASED
    states = codeword_states(errors, blocks_of(len(errors)), recipe)
    assert states[1].tolist() == [0, 0, SectorState.DOUBTFUL, 0, 0, 0, 0, 0]
    assert states[3, 4] == SectorState.LOST
    assert (states[4] == SectorState.UNWRITTEN).all()


def test_chances_of_reed_solomon_count_symbols() -> None:
    code = Code(8, 0x11D, 2, family="reed_solomon")
    chances = chances_of(code, 8 * 100)
    assert chances.tolist() == pytest.approx([2.0**-32, 104 * 255 * 2.0**-32, comb(104, 2) * 255**2 * 2.0**-32])
    bch = Code(13, 0x201B, 8)
    assert np.array_equal(chances_of(bch, 4096), accident_chances(4200, 104, 8))


def test_accidents_of_reed_solomon_are_as_frequent_as_stated() -> None:
    noise = np.random.default_rng(7)
    code = Code(8, 0x11D, 2, family="reed_solomon")
    sent = noise.integers(0, 256, (20_000, 100), dtype=np.uint8)
    words = np.hstack([sent, code.codec.encode(sent)])
    for row in words:  # single bits in four symbols: errors as a chip makes them, not as the theory has them
        row[noise.choice(104, 4, replace=False)] ^= np.uint8(1) << noise.integers(0, 8, 4).astype(np.uint8)
    reported = code.codec.decode(words, 100).errors
    expected = chances_of(code, 800)[2] * len(words)
    assert expected > 1000
    assert abs(int((reported == 2).sum()) - expected) < 5 * np.sqrt(expected) + 0.1 * expected
    assert not (reported == 0).any()
