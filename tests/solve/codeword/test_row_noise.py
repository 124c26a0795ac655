"""How many bits are wrong, before any code is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from deadstick.solve.codeword.field_rows import SLACK
from deadstick.solve.codeword.row_noise import USABLE, WITH_PARITY, bit_error_rate, clean_share, fitting_depth


def rows_with_errors(rate: float, free: float, seed: int = 4) -> np.ndarray:
    """Packed data with a share of free space, and bit errors."""
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, 256, (256, 4096), np.uint8)
    rows[: int(256 * free), 1024:] = 0
    return rows ^ np.packbits(rng.random((256, 8 * 4096)) < rate, axis=1)


@pytest.mark.parametrize("rate", [1e-4, 1e-3, 3e-3])
def test_the_rate_shows_in_free_space(rate: float) -> None:
    assert bit_error_rate(rows_with_errors(rate, 0.3)) == pytest.approx(rate, rel=0.1)


def test_ones_are_as_good_as_zeros() -> None:
    rows = rows_with_errors(1e-3, 0.5)
    assert bit_error_rate(~rows) == bit_error_rate(rows)


def test_metadata_of_free_codewords_are_no_bit_errors() -> None:
    rng = np.random.default_rng(6)
    rows = np.zeros((64, 8 * 528), np.uint8)
    rows.reshape(64, 8, 528)[:, :, :8] = rng.integers(0, 256, (64, 8, 8), np.uint8)
    rows ^= np.packbits(rng.random((64, 8 * rows.shape[1])) < 2e-4, axis=1)
    # A stretch may begin or end with a single byte of metadata, which is too little to be set aside.
    assert bit_error_rate(rows) == pytest.approx(2e-4, rel=0.2)


def test_packed_data_tell_nothing() -> None:
    assert bit_error_rate(rows_with_errors(1e-3, 0.0)) is None


@settings(max_examples=50, deadline=None)
@given(st.floats(1e-6, 2.5e-3), st.sampled_from([512, 1024, 2048]))
def test_some_row_is_within_reach(rate: float, message: int) -> None:
    depth = fitting_depth(rate, message)
    within = USABLE * float(poisson.cdf(depth.syndromes - SLACK, rate * 8 * message * WITH_PARITY))
    if depth.syndromes < 40:
        assert (1 - within) ** depth.rows <= 0.05


@pytest.mark.parametrize("rate", [0.0, 2e-4, 1e-3])
def test_foreign_bits_are_borne_beside_the_errors(rate: float) -> None:
    depth = fitting_depth(rate, 512, foreign=5)
    errors = rate * 8 * 512 * WITH_PARITY
    within = USABLE * float(poisson.cdf(depth.syndromes - SLACK - 5, errors))
    assert (1 - within) ** depth.rows <= 0.05
    assert depth.syndromes > fitting_depth(0.0, 512).syndromes


def test_more_errors_never_ask_for_less() -> None:
    rates = np.linspace(1e-5, 3e-3, 60)
    depths = [fitting_depth(float(rate), 1024).syndromes for rate in rates]
    assert depths == sorted(depths)


def test_clean_words_are_as_frequent_as_the_exact_binomial_says() -> None:
    assert clean_share(1e-3, 1024) == pytest.approx((1 - 1e-3) ** (8 * 1024 * WITH_PARITY), rel=0.01)
