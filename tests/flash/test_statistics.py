from collections import Counter
from itertools import pairwise
from math import log2

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.flash.statistics import PageRun, byte_statistics, entropy, plan_sample


def entropy_twin(values: list[int]) -> float:
    counts = Counter(values)
    return -sum(n / len(values) * log2(n / len(values)) for n in counts.values()) if values else 0.0


@settings(deadline=None, max_examples=60)
@given(
    pages=st.integers(0, 40),
    page_bytes=st.integers(1, 40),
    values=st.integers(1, 256),
    seed=st.integers(0, 2**32 - 1),
)
def test_figures_equal_a_count_in_plain_python(pages: int, page_bytes: int, values: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = rng.integers(0, values, (pages, page_bytes)).astype(np.uint8)
    blank = rng.random(pages) < 0.3
    data[blank] = 0xFF
    programmed = [row for row in data.tolist() if any(byte != 0xFF for byte in row)]
    figures = byte_statistics(data, max_zero_bits_per_1000=0.0)
    assert figures.pages_sampled == figures.pages_total == pages
    assert figures.histogram.tolist() == [data.tobytes().count(value) for value in range(256)]
    assert figures.entropy == pytest.approx(entropy_twin(list(data.tobytes())))
    assert figures.erased_share == pytest.approx((pages - len(programmed)) / max(1, pages))
    for column in range(page_bytes):
        bytes_here = [row[column] for row in programmed]
        assert figures.column_entropy[column] == pytest.approx(entropy_twin(bytes_here))
        if bytes_here:
            assert bytes_here.count(figures.column_mode[column]) == max(Counter(bytes_here).values())


def test_a_constant_column_stands_out_between_random_ones() -> None:
    pages = np.random.default_rng(5).integers(0, 256, (4000, 48), dtype=np.uint8)
    pages[:, 40] = 0x17
    pages[::4] = 0xFF
    figures = byte_statistics(pages)
    assert figures.erased_share == 0.25
    assert figures.column_entropy[40] == 0
    assert figures.column_mode[40] == 0x17
    assert np.delete(figures.column_entropy, 40).min() > 7.9
    assert figures.share_ones == pytest.approx(0.25 + 0.75 * 47 / 48 / 256, abs=0.001)
    assert figures.share_zero == pytest.approx(0.75 * 47 / 48 / 256, abs=0.001)


class CountingReads(np.ndarray[tuple[int, int], np.dtype[np.uint8]]):
    """Pages that know which rows were asked for."""

    asked: list[slice]

    def __getitem__(self, key: slice) -> NDArray[np.uint8]:  # type: ignore[override] # only slices are asked
        self.asked.append(key)
        return np.asarray(super().__getitem__(key))


def test_a_large_dump_is_sampled_within_the_budget() -> None:
    pages = np.zeros((10_000, 64), np.uint8).view(CountingReads)
    pages.asked = []
    figures = byte_statistics(pages, budget_bytes=64 * 320, runs=32)
    assert figures.pages_sampled == 320 == sum(key.stop - key.start for key in pages.asked)
    assert figures.pages_total == 10_000
    assert figures.share_zero == 1.0
    assert pages.asked[0].start == 0
    assert pages.asked[-1].stop == 10_000


@settings(deadline=None, max_examples=200)
@given(
    pages=st.integers(0, 5000),
    page_bytes=st.integers(1, 20000),
    budget=st.integers(0, 10**8),
    runs=st.integers(1, 100),
)
def test_a_plan_keeps_its_promises(pages: int, page_bytes: int, budget: int, runs: int) -> None:
    plan = plan_sample(pages, page_bytes, budget_bytes=budget, runs=runs)
    assert len(plan) <= runs
    assert all(run.count > 0 and run.first >= 0 for run in plan)
    assert all(a.first + a.count <= b.first for a, b in pairwise(plan))
    total = sum(run.count for run in plan)
    assert total == min(pages, total)
    assert total * page_bytes <= max(budget, page_bytes)
    if pages:
        assert plan[0].first == 0
        assert plan[-1].first + plan[-1].count <= pages
    if pages * page_bytes <= budget and pages:
        assert plan == (PageRun(0, pages),)


def test_wrong_calls_say_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="page_bytes >= 1"):
        plan_sample(1, 0)
    with pytest.raises(ValueError, match="axes"):
        byte_statistics(np.zeros(4, np.uint8))


def test_entropy_of_equal_counts_is_the_logarithm_of_their_number() -> None:
    assert entropy(np.ones((3, 256), np.uint32)).tolist() == [8.0, 8.0, 8.0]
