"""Page sizes that a dump suggests, and what must not hide them."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.page.row_views import multiples_of
from deadstick.solve.page_size.geometry import PageCandidate, _is_faint, page_candidates

PAGE, PERIOD = 2370, 53


def restarting(*pages: int) -> list[PageCandidate]:
    return [PageCandidate(page, (), 40.0, "the register starts anew", shows_restarts=True) for page in pages]


def test_blocks_of_one_byte_do_not_hide_where_keystreams_come_again() -> None:
    """A fifth of the chip was programmed with one byte, as a trial: that is alike at every lag."""
    rng = np.random.default_rng(3)
    streams = rng.integers(0, 256, (PERIOD, PAGE), np.uint8)
    pages = rng.integers(0, 256, (2000, PAGE), np.uint8)
    pages[300:700] = streams[np.arange(400) % PERIOD]
    pages[900:1300] = 0x3C
    best = page_candidates(pages.reshape(-1))[0]
    assert (best.page_bytes * best.periods[0]) % (PAGE * PERIOD) == 0


def restarted(codeword: int, blank: int) -> NDArray[np.uint8]:
    """Pages of four codewords, each under the same keystream of its page, of which no two have the same."""
    rng = np.random.default_rng(4)
    pages = rng.integers(0, 256, (2000, 4, codeword), np.uint8)
    pages[500 : 500 + blank] = rng.integers(0, 256, (blank, 1, codeword), np.uint8)
    return pages.reshape(-1)


def test_codewords_under_one_keystream_show_where_no_lag_of_blocks_does() -> None:
    sizes = [(size.page_bytes, size.periods) for size in page_candidates(restarted(2090, blank=60))]
    assert sizes == [(2090, (1,)), (4180, (1,)), (8360, (1,)), (16720, (1,))]
    assert page_candidates(restarted(2090, blank=0)) == ()


def test_a_chain_of_sizes_goes_by_powers_of_two() -> None:
    # Seven pages have another share of spare bytes than one has: too few for the parity of one of its codewords.
    assert [size.page_bytes for size in multiples_of(restarting(2382, 9528, 16674, 4764))] == [2382, 4764, 9528]
    assert multiples_of(restarting(2382, 16674)) == ()


def test_a_comb_is_faint_beside_a_lag_that_its_pages_do_not_divide() -> None:
    lag = PageCandidate(17984, (16,), 1458.0, "bytes come again")
    assert _is_faint(PageCandidate(5108, (), 29.0, "a comb"), [lag])
    assert not _is_faint(PageCandidate(8992, (), 29.0, "a comb"), [lag])
    assert not _is_faint(PageCandidate(5108, (), 290.0, "a comb"), [lag])
    assert not _is_faint(PageCandidate(5108, (), 29.0, "a comb"), [])


def with_tables(page: int, metadata: int) -> NDArray[np.uint8]:
    """Packed files, and tables whose entries have two bytes, the high one mostly zero; some metadata are alike."""
    rng = np.random.default_rng(6)
    pages = rng.integers(0, 256, ((8 << 20) // page, page), np.uint8)
    tables = rng.random(len(pages)) < 0.1
    high = pages[tables, 1:2048:2]
    high[rng.random(high.shape) < 0.8] = 0
    pages[tables, 1:2048:2] = high
    pages[rng.random(len(pages)) < 0.25, 2048 : 2048 + metadata] = np.arange(metadata)
    return pages.reshape(-1)


def test_entries_of_two_bytes_are_no_comb_of_every_even_page_size() -> None:
    assert page_candidates(with_tables(2138, metadata=6))[0].page_bytes == 2138


def test_a_far_clearer_comb_comes_before_sizes_that_blank_stretches_suggest() -> None:
    """As many standard deviations of those, or a register that starts anew, come first all the same."""
    data = with_tables(2138, metadata=6)
    comb = page_candidates(data)[0].figure
    faint, clear = (PageCandidate(1074, (), share * comb, "blank stretches") for share in (0.5, 0.9))
    assert [page.page_bytes for page in page_candidates(data, [faint])[:2]] == [2138, 1074]
    assert page_candidates(data, [clear])[0].page_bytes == 1074
    assert page_candidates(data, [replace(faint, shows_restarts=True)])[0].page_bytes == 1074
