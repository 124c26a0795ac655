import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages, limits
from deadstick.flash.kernels import WINDOW_BYTES


def erased_twin(pages: NDArray[np.uint8], rate: float) -> list[bool]:
    """The rule in plain Python: count the zeros of each page and of each of its windows."""
    page_limit, window_limit = limits(pages.shape[1], rate)
    verdicts = []
    for page in pages:
        zeros = [8 - int(byte).bit_count() for byte in page]
        windows = [sum(zeros[at : at + WINDOW_BYTES]) for at in range(0, len(zeros), WINDOW_BYTES)]
        verdicts.append(sum(zeros) <= page_limit and max(windows, default=0) <= window_limit)
    return verdicts


@settings(deadline=None, max_examples=150)
@given(
    seed=st.integers(0, 2**32 - 1),
    page_bytes=st.integers(1, 300),
    flips=st.lists(st.integers(0, 40), max_size=6),
    spread=st.integers(1, 300),
    rate=st.sampled_from([0.0, 0.5, 4.0, 20.0, 500.0]),
)
def test_kernel_equals_its_twin(seed: int, page_bytes: int, flips: list[int], spread: int, rate: float) -> None:
    rng = np.random.default_rng(seed)
    pages = np.full((len(flips), page_bytes), 0xFF, np.uint8)
    for page, count in zip(pages, flips, strict=True):
        columns = rng.integers(0, min(spread, page_bytes), count)
        np.bitwise_and.at(page, columns, np.uint8(255) ^ (np.uint8(1) << rng.integers(0, 8, count, dtype=np.uint8)))
    assert erased_pages(pages, rate).tolist() == erased_twin(pages, rate)


def test_scattered_errors_leave_a_page_erased_and_data_does_not() -> None:
    rng = np.random.default_rng(1)
    pages = np.full((200, 4320), 0xFF, np.uint8)
    flips = rng.random((100, 4320 * 8)) < 2e-3  # a worn chip
    pages[:100] ^= np.packbits(flips, axis=1)
    pages[100:] = rng.integers(0, 256, (100, 4320), dtype=np.uint8)
    assert erased_pages(pages).tolist() == [True] * 100 + [False] * 100


def test_one_short_programmed_codeword_in_a_large_page_is_seen() -> None:
    # 16 bytes of text and 13 bytes of parity in 8640: below the page's limit, but not scattered.
    page = np.full((1, 8640), 0xFF, np.uint8)
    page[0, :16] = np.frombuffer(b"buoy 7, 03:00 UT", np.uint8)
    page[0, 8192:8205] = np.random.default_rng(2).integers(0, 256, 13, dtype=np.uint8)
    assert np.unpackbits(~page).sum() < limits(8640, 4.0)[0]
    assert erased_pages(page).tolist() == [False]


def test_no_zero_bit_is_allowed_at_rate_zero() -> None:
    pages = np.full((2, 64), 0xFF, np.uint8)
    pages[1, 63] = 0x7F
    assert erased_pages(pages, 0.0).tolist() == [True, False]


def test_views_with_gaps_and_no_pages_work() -> None:
    pages = np.full((4, 100), 0xFF, np.uint8)
    pages[2, 10:40] = 0
    assert erased_pages(pages[::2, 5:]).tolist() == [True, False]
    assert erased_pages(pages[:0]).tolist() == []


def test_wrong_calls_say_what_is_wrong() -> None:
    with pytest.raises(TypeError, match="uint8"):
        erased_pages(np.zeros((2, 2), np.int64))
    with pytest.raises(ValueError, match="axes"):
        erased_pages(np.zeros(4, np.uint8))
    with pytest.raises(ValueError, match="between 0 and 500"):
        erased_pages(np.zeros((1, 4), np.uint8), 501)
