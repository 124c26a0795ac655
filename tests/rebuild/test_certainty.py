"""The chance of an accidental correction, by theory and by simulation, and the rule that rests on it."""

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.rebuild.certainty import BUDGET, MARGIN, accident_chances, codeword_states, limits
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.recipe.code import ERASED, LOST, UNCHECKED, Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe


def simulate(code: BchCode, message_bytes: int, rate: float, words: int, seed: int) -> tuple[NDArray[np.int64], ...]:
    """Real errors and reported corrections (-1 for lost) of random codewords on a binary symmetric channel."""
    noise = np.random.default_rng(seed)
    bits = 8 * message_bytes + code.parity_bits
    message = noise.integers(0, 256, (words, message_bytes), dtype=np.uint8)
    sent = np.hstack([message, code.encode(message)])
    flips = np.zeros((words, 8 * sent.shape[1]), np.uint8)
    flips[:, :bits] = noise.random((words, bits)) < rate
    decoded = code.decode(sent ^ np.packbits(flips, axis=1), message_bytes)
    wrong = (decoded.words[:, :message_bytes] != message).any(axis=1)
    return flips.sum(axis=1, dtype=np.int64), decoded.errors.astype(np.int64), wrong.astype(np.int64)


CASES = [
    (BchCode(6, 0x43, 2), 6, 0.1),
    (BchCode(7, 0x89, 3), 13, 0.08),
    (BchCode(7, 0x89, 2), 9, 0.2),
    (BchCode(8, 0x11D, 3), 20, 0.06),
]


@pytest.mark.parametrize(("code", "message_bytes", "rate"), CASES)
def test_accidents_are_as_frequent_as_the_theory_says(code: BchCode, message_bytes: int, rate: float) -> None:
    real, reported, wrong = simulate(code, message_bytes, rate, 150_000, seed=11)
    chances = accident_chances(8 * message_bytes + code.parity_bits, code.parity_bits, code.t)
    beyond = int((real > code.t).sum())
    assert beyond > 10_000
    for count, chance in enumerate(chances):
        accidents = int((wrong & (reported == count)).sum())
        # Five standard deviations of a Poisson count, and a tenth for what the binomial weights neglect.
        assert abs(accidents - beyond * chance) < 5 * np.sqrt(beyond * chance) + 0.1 * beyond * chance + 3


@pytest.mark.parametrize(("code", "message_bytes", "rate"), CASES)
def test_lost_words_tell_how_many_were_beyond_the_code(code: BchCode, message_bytes: int, rate: float) -> None:
    real, reported, _ = simulate(code, message_bytes, rate, 50_000, seed=12)
    chances = accident_chances(8 * message_bytes + code.parity_bits, code.parity_bits, code.t)
    beyond = int((real > code.t).sum())
    estimate = (reported < 0).sum() / (1 - chances.sum())
    assert abs(estimate / beyond - 1) < 0.05


def test_a_code_with_even_weights_only_stays_within_the_margin() -> None:
    code = BchCode(7, 0x89, 2, first_root=0)
    real, reported, wrong = simulate(code, 12, 0.1, 150_000, seed=13)
    chances = accident_chances(8 * 12 + code.parity_bits, code.parity_bits, code.t)
    beyond = int((real > code.t).sum())
    for count, chance in enumerate(chances):
        accidents = int((wrong & (reported == count)).sum())
        assert accidents < MARGIN * beyond * chance + 5 * np.sqrt(MARGIN * beyond * chance) + 3


def test_chances_of_an_unshortened_code_sum_to_one_by_t_factorial() -> None:
    for m, t, factorial in [(13, 4, 24), (14, 8, 40320), (13, 2, 2)]:
        chances = accident_chances(2**m - 1, m * t, t)
        assert chances.sum() == pytest.approx(1 / factorial, rel=0.02)


def recipe(t: int) -> Recipe:
    code = Code(13, 0x201B, t)
    return Recipe(4, in_line(1200, 2, 512, 0, code.parity_bytes), code)


def counts(rows: list[list[int]]) -> tuple[NDArray[np.int16], NDArray[np.int64]]:
    """Four pages a block."""
    errors = np.array(rows, np.int16)
    return errors, np.arange(len(rows), dtype=np.int64) // 4


def test_a_strong_code_is_believed_up_to_t() -> None:
    errors, blocks = counts([[0, 16], [15, LOST], [3, 16], [16, LOST]] * 50)
    states = codeword_states(errors, blocks, recipe(16))
    assert (states[errors >= 0] == SectorState.EXACT).all()
    assert (states[errors == LOST] == SectorState.LOST).all()


def test_a_weak_code_is_not_believed_near_its_limit() -> None:
    """For t = 4 over 512 bytes: C(4148, 3) / 2^52 is 2.6e-6, C(4148, 2) / 2^52 is 1.9e-9."""
    errors, blocks = counts([[0, 1], [2, 3], [4, 0], [0, 0]])
    states = codeword_states(errors, blocks, recipe(4))
    assert states.tolist() == [[0, 0], [0, 2], [2, 0], [0, 0]]


def test_lost_codewords_lower_the_limit_of_their_own_blocks_first() -> None:
    quiet = [[2, 2]] * 400
    noisy = [[LOST, LOST], [LOST, 2], [LOST, LOST], [2, 1]] * 100
    errors, blocks = counts(quiet + noisy)
    states = codeword_states(errors, blocks, recipe(4))
    assert (states[:400] == SectorState.EXACT).all()
    assert (states[400:][errors[400:] == 2] == SectorState.DOUBTFUL).all()
    assert (states[400:][errors[400:] == 1] == SectorState.EXACT).all()


def test_many_single_losses_speak_against_the_blocks_without_any() -> None:
    single = [[LOST, 2], [2, 2], [2, 2], [2, 2]] * 200
    errors, blocks = counts([[2, 2]] * 400 + single)
    states = codeword_states(errors, blocks, recipe(4))
    assert (states[:400] == SectorState.DOUBTFUL).all()


def test_what_no_code_protects_is_doubtful_and_what_is_erased_unwritten() -> None:
    errors, blocks = counts([[UNCHECKED, UNCHECKED], [ERASED, ERASED]])
    bare = Recipe(4, in_line(1100, 2, 512, 4, 0), None)
    assert codeword_states(errors, blocks, bare).tolist() == [[2, 2], [1, 1]]


def test_accidents_in_blocks_without_losses_are_as_rare_as_estimated() -> None:
    """The rule's figure for quiet blocks is no less than what happens there, however words beyond t are spread."""
    noise = np.random.default_rng(14)
    chance = 0.3  # of an accident, large so that they can be counted
    for mean in (0.02, 0.3, 1.0, 3.0):
        happened, estimated = 0.0, 0.0
        for _ in range(300):
            beyond = noise.poisson(noise.gamma(2.0, mean / 2, 60))
            accidents = noise.binomial(beyond, chance)
            lost = beyond - accidents
            errors = np.zeros((60, max(1, int(lost.max()))), np.int16)
            errors[np.arange(errors.shape[1]) < lost[:, None]] = LOST
            found = limits(errors, np.arange(60), np.array([chance]))
            happened += float(accidents[lost == 0].sum())
            estimated += found.beyond_quiet * chance
        assert happened < estimated


def test_nothing_exact_is_wrong_in_a_long_simulation() -> None:
    """A chip of random codewords, a tenth of which are beyond the code: hundreds of accidents, none called EXACT."""
    code = BchCode(9, 0x211, 4)
    real, reported, wrong = simulate(code, 50, 0.005, 120_000, seed=15)
    errors = reported.astype(np.int16).reshape(-1, 4)
    blocks = np.arange(len(errors)) // 64
    small = Recipe(64, in_line(4 * 55, 4, 50, 0, 5), Code(9, 0x211, 4))
    states = codeword_states(errors, blocks, small).reshape(-1)
    assert int(wrong[reported >= 0].sum()) > 20
    assert int((real > 4).sum()) > 5000
    assert not wrong[states == SectorState.EXACT].any()
    assert (states[reported == 0] == SectorState.EXACT).all()


def test_the_budget_is_kept() -> None:
    for t in (2, 4, 8):
        errors, blocks = counts([[0, 1], [LOST, 1], [0, 0], [0, 0]] * 30)
        chances = accident_chances(4096 + 13 * t, 13 * t, t)
        found = limits(errors, blocks, chances)
        spent = found.beyond_quiet * chances[: found.quiet + 1].sum()
        spent += found.beyond_noisy * chances[: found.noisy + 1].sum()
        assert MARGIN * spent <= BUDGET
