"""Decoding by trials: what it reaches, what it refuses, and whether its chances are honest."""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.codes import chase
from deadstick.codes.bch import BchCode
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.codes.kernels import chase as kernels

Bytes = NDArray[np.uint8]
STRONG = BchCode(13, 0x201B, 8)
WEAK = BchCode(10, 0x409, 2)


def sent(code: BchCode, words: int, message_bytes: int, seed: int) -> Bytes:
    message = np.random.default_rng(seed).integers(0, 256, (words, message_bytes), dtype=np.uint8)
    return np.hstack([message, code.encode(message)])


def voted(words: Bytes, bits: int, reads: int, rate: float, seed: int) -> tuple[Bytes, NDArray[np.int16], Bytes]:
    """Reads with errors of their own, their vote (a tie goes to the first), and how sure each bit is."""
    rng = np.random.default_rng(seed)
    flips = rng.random((reads, len(words), 8 * words.shape[1])) < rate
    flips[:, :, bits:] = False
    each = words[None] ^ np.packbits(flips, axis=2)
    score = (2 * np.unpackbits(each, axis=2).astype(np.int64) - 1).sum(axis=0)
    vote = np.where(score == 0, np.unpackbits(each[0], axis=1), score > 0)
    return np.packbits(vote.astype(np.uint8), axis=1), (16 * np.abs(score)).astype(np.int16), each


def flipped(word: Bytes, bits: list[int]) -> Bytes:
    changed = word.copy()
    for bit in bits:
        changed[bit // 8] ^= 128 >> bit % 8
    return changed


# Trials ---------------------------------------------------------------------------------------------


def changes(words: Bytes, order: list[int], ties: int, pool: int, trials: int) -> list[set[int]]:
    """Which bits each trial changes."""
    out = np.empty((trials, *words.shape), np.uint8)
    arguments = (np.array([order], np.int32), np.array([ties], np.int32), np.array([pool], np.int32))
    kernels.trial_words(words, *arguments, np.zeros(1, np.uint64), 0, out)
    return [set(np.flatnonzero(np.unpackbits(row[0] ^ words[0])).tolist()) for row in out]


def test_all_patterns_of_the_least_reliable_bits_come_first_then_single_ones() -> None:
    """Chase, algorithm 2, with p = 6: every combination once."""
    order = [40, 3, 17, 22, 9, 31, 60, 5]
    made = changes(np.zeros((1, 8), np.uint8), order, 0, 8, 200)
    expected = [set(some) for count in range(1, 7) for some in combinations(order[:6], count)]
    assert sorted(map(sorted, made[:63])) == sorted(map(sorted, expected))
    assert made[63:65] == [{60}, {5}]
    assert all(bits <= set(order) and len(bits) <= 3 for bits in made[65:])


def test_erasures_are_filled_with_zeros_with_ones_and_at_random() -> None:
    word = np.array([[0b10110100, 0b01100101]], np.uint8)
    order = list(range(10))
    out = np.empty((40, 1, 2), np.uint8)
    kernels.trial_words(
        word, np.array([order], np.int32), np.array([8], np.int32), np.array([10], np.int32), np.zeros(1, np.uint64),
        0, out,
    )  # fmt: skip
    assert out[0, 0].tolist() == [0, word[0, 1]]
    assert out[1, 0].tolist() == [255, word[0, 1]]
    fills = {int(value) for value in out[2:, 0, 0]}
    assert len(fills) > 30
    beyond = np.bitwise_count(out[2:, 0, 1] ^ word[0, 1])
    assert (beyond[::2] == 0).all()
    assert (beyond[1::2] == 1).all()


def test_a_word_has_the_same_trials_whatever_stands_beside_it() -> None:
    words = np.random.default_rng(1).integers(0, 256, (3, 16), dtype=np.uint8)
    order = np.tile(np.arange(100, dtype=np.int32), (3, 1))
    some, pools, names = np.array([30, 0, 5], np.int32), np.full(3, 100, np.int32), np.array([7, 8, 9], np.uint64)
    whole, alone = np.empty((70, 3, 16), np.uint8), np.empty((10, 1, 16), np.uint8)
    kernels.trial_words(words, order, some, pools, names, 0, whole)
    kernels.trial_words(words[2:], order[2:], some[2:], pools[2:], names[2:], 60, alone)
    assert (whole[60:, 2] == alone[:, 0]).all()


@given(seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=25)
def test_the_best_and_the_next_agree_with_their_twin(seed: int) -> None:
    rng = np.random.default_rng(seed)
    words = rng.integers(0, 256, (3, 4), dtype=np.uint8)
    reliability = rng.integers(0, 50, (3, 28)).astype(np.int16)
    candidates = words ^ (rng.integers(0, 256, (6, 3, 4)) & rng.integers(0, 2, (6, 3, 1)) * 0x41).astype(np.uint8)
    errors = rng.integers(-1, 2, (6, 3)).astype(np.int16)
    best, distance = words.copy(), np.full(3, -1, np.int32)
    penalty, runner_up = np.full(3, 10**9), np.full(3, 10**9)
    kernels.keep_best(words, reliability, candidates, errors, best, distance, penalty, runner_up)
    for row in range(3):
        found: dict[bytes, int] = {}
        for trial in range(6):
            if errors[trial, row] >= 0:
                odd = np.unpackbits(candidates[trial, row] ^ words[row])[:28]
                found.setdefault(candidates[trial, row].tobytes(), int((odd * reliability[row]).sum()))
        ranked = sorted(found.values()) + [10**9] * 2
        assert (penalty[row], runner_up[row]) == (ranked[0], ranked[1])
        if found:
            assert found[best[row].tobytes()] == ranked[0]
            assert distance[row] == np.unpackbits(best[row] ^ words[row])[:28].sum()


# The chance of an accident --------------------------------------------------------------------------


@given(counts=st.lists(st.integers(0, 4), min_size=1, max_size=3), penalty=st.integers(0, 30))
@settings(deadline=None, max_examples=60)
def test_the_bound_is_never_below_the_number_of_patterns(counts: list[int], penalty: int) -> None:
    levels = [0, 3, 10][: len(counts)]
    bits = [level for level, count in zip(levels, counts, strict=True) for _ in range(count)]
    patterns = sum(
        sum(level for level, flip in zip(bits, flips, strict=True) if flip) <= penalty
        for flips in product((0, 1), repeat=len(bits))
    )
    bound = chase.log2_patterns(np.array(levels), np.array([counts]), np.array([penalty]))[0]
    assert 2**bound >= patterns * (1 - 1e-9)


def test_accidents_are_as_rare_as_they_say() -> None:
    """Words of noise: every answer is an accident. The share with a chance of c or less must not exceed c by much."""
    rng = np.random.default_rng(5)
    words = rng.integers(0, 256, (3000, 60), dtype=np.uint8)
    words = np.hstack([words, rng.integers(0, 256, (3000, WEAK.parity_bytes), dtype=np.uint8)])
    reliability = np.full((3000, 8 * words.shape[1]), 60, np.int16)
    reliability[rng.random(reliability.shape) < 0.04] = 20
    search = chase._Search(WEAK, 60, words, reliability[:, : 480 + WEAK.parity_bits], None, 1 / 16)
    search.run(64)
    chance = search.log2_chance(np.arange(3000))
    assert (search.distance >= 0).mean() > 0.5  # so weak a code nearly always finds something
    for limit in (-2, -4, -6, -8):
        share = float((chance <= limit).mean())
        assert share <= 2.0**limit + 4 * (2.0**limit / 3000) ** 0.5


# The whole ------------------------------------------------------------------------------------------


def test_two_reads_beyond_the_code_come_out_together() -> None:
    words = sent(STRONG, 60, 512, 1)
    vote, reliability, reads = voted(words, 4096 + 104, 2, 0.0028, 2)
    alone = [float((STRONG.decode(read, 512).errors >= 0).mean()) for read in reads]
    found = chase.decode(STRONG, vote, reliability, 512, unit=1 / 16, starts=reads, trials=512)
    solved = found.distance >= 0
    assert max(alone) < 0.35
    assert solved.mean() > 0.9
    assert (found.words[solved] == words[solved]).all()
    assert (found.words[~solved] == vote[~solved]).all()
    assert (found.distance[solved] == np.bitwise_count(found.words ^ vote).sum(axis=1)[solved]).all()


def test_up_to_2t_erasures_decode_in_two_trials() -> None:
    """2 e + f < d with no other error: one of the two fills is wrong in at most half of the erasures."""
    words = sent(STRONG, 40, 512, 3)
    rng = np.random.default_rng(4)
    vote, reliability = words.copy(), np.full((40, 8 * words.shape[1]), 300, np.int16)
    for row in range(40):
        erased = rng.choice(4200, 16, replace=False)
        reliability[row, erased] = 0
        vote[row] = flipped(words[row], erased.tolist())
    assert (STRONG.decode(vote, 512).errors < 0).all()
    found = chase.decode(STRONG, vote, reliability, 512, unit=1 / 16, trials=2)
    assert (found.words == words).all()
    assert (found.distance == 16).all()


def test_a_weak_code_says_that_it_is_unsure() -> None:
    """Nothing that is wrong may have a small chance of being so."""
    words = sent(WEAK, 800, 60, 6)
    bits = 480 + WEAK.parity_bits
    vote, reliability, reads = voted(words, bits, 3, 0.05, 7)
    found = chase.decode(WEAK, vote, reliability, 60, unit=1 / 16, starts=reads)
    wrong = (found.distance >= 0) & (found.words[:, :60] != words[:, :60]).any(axis=1)
    assert (found.log10_chance[wrong] > -5).all()
    assert wrong.sum() <= 2


def test_noise_gives_nothing() -> None:
    rng = np.random.default_rng(8)
    words = rng.integers(0, 256, (40, 525), dtype=np.uint8)
    reliability = rng.choice(np.array([0, 100], np.int16), (40, 4200), p=[0.05, 0.95])
    found = chase.decode(STRONG, words, reliability, 512, unit=1 / 16, trials=128)
    assert (found.distance == -1).all()
    assert (found.words == words).all()
    assert (found.trials == 128).all()


def test_where_all_bits_are_equally_sure_there_is_nothing_to_try() -> None:
    words = sent(STRONG, 2, 512, 9)
    vote = np.stack([flipped(word, list(range(0, 900, 100))) for word in words])
    found = chase.decode(STRONG, vote, np.full((2, 4200), 100, np.int16), 512)
    assert found.trials.tolist() == [0, 0]
    assert (found.distance == -1).all()


def test_a_wrong_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 4200"):
        chase.decode(STRONG, np.zeros((1, 525), np.uint8), np.zeros((1, 4199), np.int16), 512)


@pytest.mark.campaign
@pytest.mark.parametrize("reads", [2, 3, 4])
def test_campaign_nothing_wrong_is_called_sure(reads: int) -> None:
    """Many words under codes from weak to strong, at rates where the vote fails."""
    rates = {2: (0.004, 0.002, 0.0012), 3: (0.03, 0.02, 0.015), 4: (0.03, 0.02, 0.015)}[reads]
    for code, rate in zip((STRONG, BchCode(13, 0x201B, 4), BchCode(13, 0x201B, 2)), rates, strict=True):
        words = sent(code, 2000, 512, reads)
        vote, reliability, each = voted(words, 4096 + code.parity_bits, reads, rate, 10 + reads)
        found = chase.decode(code, vote, reliability, 512, unit=1 / 16, starts=each)
        wrong = (found.distance >= 0) & (found.words[:, :512] != words[:, :512]).any(axis=1)
        assert (found.log10_chance[wrong] > -7).all()
        assert wrong.sum() <= 10


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("reads", "rate", "lost", "found"),
    [
        (2, 6e-3, 0.96, 0.70),
        (2, 6.5e-3, 1.0, 0.47),
        (2, 7e-3, 1.0, 0.18),
        (3, 0.035, 0.06, 0.18),
        (3, 0.04, 0.55, 0.07),
    ],
)
def test_campaign_figures_of_the_page_about_rebuilding(reads: int, rate: float, lost: float, found: float) -> None:
    code = BchCode(14, PRIMITIVE_DEFAULTS[14], 40)
    words = sent(code, 200, 1024, 1)
    vote, reliability, each = voted(words, 8192 + code.parity_bits, reads, rate, 2)
    beyond = np.flatnonzero(code.decode(vote, 1024).errors < 0)
    decoded = chase.decode(
        code, vote[beyond], reliability[beyond], 1024, unit=1 / 16,
        starts=np.ascontiguousarray(each[:, beyond]), trials=512,
    )  # fmt: skip
    solved = decoded.distance >= 0
    assert abs(len(beyond) / 200 - lost) < 0.12
    assert abs(solved.mean() - found) < 0.2
    assert (decoded.words[solved] == words[beyond][solved]).all()
