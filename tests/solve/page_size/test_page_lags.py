"""After how many pages pages come again, where next to nothing is free."""

import numpy as np
import pytest

from deadstick.solve.page_size.geometry import PageCandidate, page_candidates
from deadstick.solve.page_size.page_lags import page_lags, with_page_lags, word_period

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


def test_rows_of_equal_pages_lie_whole_blocks_apart() -> None:
    """From the end of a block to the beginning of the next one under its keystream is less than a period."""
    rng = np.random.default_rng(4)
    block, count = 16, 5
    pages = rng.integers(0, 256, (40 * block, 528), np.uint8)
    streams = rng.integers(0, 256, (count, 528), np.uint8)
    free = np.arange(20 * block, 40 * block)
    pages[free] = streams[free // block % count]
    assert page_lags(pages.reshape(-1), 528) == (1, count * block)


def hardly_alike(period: int | None) -> np.ndarray:
    """Packed data with a few zeros in one page of ten, each page under one of so many keystreams, and a trial block.

    None for a keystream of its own for every page.
    """
    rng = np.random.default_rng(3)
    pages = rng.integers(0, 256, (PAGES // 2, PAGE), np.uint8)
    streams = rng.integers(0, 256, (period or len(pages), PAGE), np.uint8)
    some = np.arange(0, len(pages), 10) + rng.integers(0, 10, len(pages) // 10)
    for page, place in zip(some.tolist(), rng.integers(0, 1024, len(some)).tolist(), strict=True):
        pages[page, place : place + 200] = streams[page % len(streams), place : place + 200]
    pages[2000:2192] = 0x55 ^ np.arange(PAGE) % 2
    pages[2000:2192] ^= np.packbits(rng.random((192, 8 * PAGE), np.float32) < 1e-3, axis=1)
    return pages.reshape(-1)


def test_a_few_equal_bytes_here_and_there_show_the_period() -> None:
    dump = hardly_alike(169)
    assert page_lags(dump, PAGE) == (1,)
    assert word_period(dump, PAGE) == (169,)
    (named,) = with_page_lags(dump, (PageCandidate(PAGE, (1, 16), 20.0, "a trial block"),))
    assert named.periods == (169, 1, 16)


def test_a_trial_block_has_no_period() -> None:
    assert word_period(hardly_alike(None), PAGE) == ()


def test_distances_of_several_kinds_are_no_period() -> None:
    dump = hardly_alike(None).reshape(-1, PAGE)
    for lag, first in ((28, 0), (33, 600), (61, 1200)):
        dump[first + lag : first + lag + 25, :64] = dump[first : first + 25, :64]
    assert word_period(dump.reshape(-1), PAGE) == ()


def test_keystreams_by_the_place_in_a_block_come_again_after_its_pages() -> None:
    """64 keystreams in blocks of 176 pages: distances are sums of both, so multiples of 16, which is none itself."""
    rng = np.random.default_rng(4)
    dump = rng.integers(0, 256, (3168, PAGE), np.uint8)
    streams = rng.integers(0, 256, (64, PAGE), np.uint8)
    texts = rng.integers(0, 256, (12, 64), np.uint8)
    shown = np.sort(rng.choice(len(dump), 600, replace=False))
    dump[shown, :64] = texts[rng.integers(0, len(texts), len(shown))] ^ streams[shown % 176 % 64, :64]
    assert word_period(dump.reshape(-1), PAGE) == (176,)


def test_a_shorter_period_that_divides_a_lag_of_whole_pages_comes_first() -> None:
    """Both join pages under one keystream, and the shorter one far more of them: 640 pages reached over a gap."""
    rng = np.random.default_rng(4)
    pages = rng.integers(0, 256, (400, 528), np.uint8)
    pages[196:206] = pages[100:110]
    given = (32, 12, 5, 1)
    (found,) = with_page_lags(pages.reshape(-1), (PageCandidate(528, given, 20.0, "a lag"),))
    assert found.periods[:3] == (32, 96, 12)
    (alone,) = with_page_lags(pages.reshape(-1), (PageCandidate(528, (12, 5, 1), 20.0, "a lag"),))
    assert alone.periods[:2] == (96, 12)
