"""Figures about the bytes of a dump: what a person looks at before any hypothesis.

A large dump is sampled: `plan_sample` picks evenly spaced runs of pages, and one kernel counts. Column
entropies are taken over programmed pages alone: constant metadata bytes and unused spare columns
then stand out as columns of low entropy, while under scrambled data and parity every column is near 8 bits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.flash import kernels
from deadstick.flash.erased import DEFAULT_MAX_ZERO_BITS_PER_1000, erased_pages

DEFAULT_BUDGET_BYTES = 64 << 20
DEFAULT_RUNS = 64


@dataclass(frozen=True, slots=True)
class PageRun:
    """Pages `first` to `first + count` of a dump."""

    first: int
    count: int


@dataclass(frozen=True, slots=True)
class ByteStatistics:
    """Counts over a sample of pages.

    Attributes:
        page_bytes: The page size that was assumed.
        pages_total: Whole pages of that size in the dump.
        pages_sampled: Pages that were counted.
        erased_share: Share of sampled pages that are erased, 0 to 1.
        histogram: `int64[256]`, how often each byte value stands in the sampled pages, erased ones too.
        column_entropy: `float64[page_bytes]`, bits per byte over the programmed pages of the sample;
            0 everywhere where none is programmed.
        column_mode: `uint8[page_bytes]`, the most frequent byte of each column over the programmed pages.
    """

    page_bytes: int
    pages_total: int
    pages_sampled: int
    erased_share: float
    histogram: NDArray[np.int64]
    column_entropy: NDArray[np.float64]
    column_mode: NDArray[np.uint8]

    @property
    def entropy(self) -> float:
        """Bits per byte over all sampled bytes, 0 to 8."""
        return float(entropy(self.histogram))

    @property
    def share_zero(self) -> float:
        """Share of bytes 0x00."""
        return self.share(0x00)

    @property
    def share_ones(self) -> float:
        """Share of bytes 0xFF."""
        return self.share(0xFF)

    def share(self, value: int) -> float:
        """Share of one byte value, 0 to 1."""
        return float(self.histogram[value] / max(1, self.histogram.sum()))


def plan_sample(
    pages: int, page_bytes: int, *, budget_bytes: int = DEFAULT_BUDGET_BYTES, runs: int = DEFAULT_RUNS
) -> tuple[PageRun, ...]:
    """Choose evenly spaced runs of pages; reads nothing.

    The first run begins at page 0 and the last one ends at the last page. A dump within the budget is taken
    whole, as one run.

    Args:
        pages: Pages of the dump.
        page_bytes: Bytes of one page.
        budget_bytes: Most bytes to read; at least one page is read.
        runs: Most runs.

    Returns:
        Runs in ascending order that do not overlap; none for an empty dump.

    Raises:
        ValueError: An argument is negative, or `page_bytes` or `runs` is 0.

    >>> plan_sample(1000, 4096, budget_bytes=12 * 4096, runs=3)
    (PageRun(first=0, count=4), PageRun(first=498, count=4), PageRun(first=996, count=4))
    """
    if pages < 0 or page_bytes < 1 or budget_bytes < 0 or runs < 1:
        raise ValueError("A sample needs pages >= 0, page_bytes >= 1, budget_bytes >= 0 and runs >= 1.")
    if pages == 0:
        return ()
    affordable = max(1, budget_bytes // page_bytes)
    if pages <= affordable:
        return (PageRun(0, pages),)
    runs = min(runs, affordable)
    count = affordable // runs
    if runs == 1:
        return (PageRun(0, count),)
    return tuple(PageRun(run * (pages - count) // (runs - 1), count) for run in range(runs))


def byte_statistics(
    pages: NDArray[np.uint8],
    *,
    budget_bytes: int = DEFAULT_BUDGET_BYTES,
    runs: int = DEFAULT_RUNS,
    max_zero_bits_per_1000: float = DEFAULT_MAX_ZERO_BITS_PER_1000,
) -> ByteStatistics:
    """Count the bytes of a sample of pages.

    Args:
        pages: `uint8[pages, page_bytes]`, such as `Dump.pages` gives.
        budget_bytes: Most bytes to read.
        runs: Most runs of neighbouring pages.
        max_zero_bits_per_1000: As for `erased_pages`.

    Raises:
        TypeError: `pages` is not `uint8`.
        ValueError: `pages` has not two axes.

    >>> figures = byte_statistics(np.full((4, 16), 0xFF, np.uint8))
    >>> figures.erased_share, figures.entropy, figures.share_ones
    (1.0, 0.0, 1.0)
    """
    if pages.ndim != 2:
        raise ValueError(f"Pages must have the axes [pages, page_bytes], not {pages.ndim} axes.")
    total, page_bytes = pages.shape
    programmed = np.zeros((page_bytes, 256), dtype=np.uint32)
    blank = np.zeros((page_bytes, 256), dtype=np.uint32)
    sampled = erased_count = 0
    for run in plan_sample(total, page_bytes, budget_bytes=budget_bytes, runs=runs):
        piece = pages[run.first : run.first + run.count]
        erased = erased_pages(piece, max_zero_bits_per_1000)
        kernels.column_histogram(piece, (~erased).view(np.uint8), programmed)
        kernels.column_histogram(piece, erased.view(np.uint8), blank)
        sampled += run.count
        erased_count += int(np.count_nonzero(erased))
    return ByteStatistics(
        page_bytes=page_bytes,
        pages_total=total,
        pages_sampled=sampled,
        erased_share=erased_count / max(1, sampled),
        histogram=programmed.sum(axis=0, dtype=np.int64) + blank.sum(axis=0, dtype=np.int64),
        column_entropy=entropy(programmed),
        column_mode=programmed.argmax(axis=1).astype(np.uint8),
    )


def entropy(counts: NDArray[np.integer]) -> NDArray[np.float64]:
    """Shannon entropy of histograms, in bits (C. E. Shannon, 1948, section 6).

    Args:
        counts: `integer[..., values]`.

    Returns:
        `float64[...]`; 0 where nothing was counted.

    >>> entropy(np.array([[1, 1, 1, 1], [7, 0, 0, 0], [0, 0, 0, 0]])).tolist()
    [2.0, 0.0, 0.0]
    """
    totals = counts.sum(axis=-1, keepdims=True, dtype=np.float64)
    shares = counts / np.maximum(totals, 1.0)
    logs = np.log2(shares, out=np.zeros_like(shares), where=shares > 0)
    result: NDArray[np.float64] = np.abs((shares * logs).sum(axis=-1))
    return result
