"""After how many pages pages come again, where next to nothing is free."""

import numpy as np
import pytest

from deadstick.solve.geometry import PageCandidate, page_candidates
from deadstick.solve.page_lags import page_lags, with_page_lags

PAGE, COUNT, PAGES = 2370, 23, 12000


def packed(run: int, rate: float) -> np.ndarray:
    """A run of free pages at the end of 27 MiB of packed data."""
    rng = np.random.default_rng(2)
    pages = rng.integers(0, 256, (PAGES, PAGE), np.uint8)
    streams = rng.integers(0, 256, (COUNT, PAGE), np.uint8)
    pages[-run:] = streams[np.arange(PAGES - run, PAGES) % COUNT]
    pages[-run:] ^= np.packbits(rng.random((run, 8 * PAGE), np.float32) < rate, axis=1)
    return pages.reshape(-1)


@pytest.mark.parametrize("rate", [0.0, 1e-3])
def test_a_run_beyond_the_sample_of_lags_shows_the_period(rate: float) -> None:
    dump = packed(40, rate)
    assert page_candidates(dump) == ()
    assert page_lags(dump, PAGE) == (COUNT,)
    (named,) = with_page_lags(dump, (PageCandidate(PAGE, (7,), 20.0, "a comb"),))
    assert named.periods == (COUNT, 7)


def test_a_few_equal_pages_are_copies() -> None:
    assert page_lags(packed(COUNT + 7, 0.0), PAGE) == ()


def test_pages_of_one_byte_and_erased_ones_say_nothing() -> None:
    dump = packed(40, 0.0).reshape(PAGES, PAGE)
    dump[-40:] = 0xFF
    dump[1000:1400] = 0x3C
    assert page_lags(dump.reshape(-1), PAGE) == ()
