"""What a dump looks like before any work: figures that a person wants to see first."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deadstick.case.intake import take_in
from deadstick.case.reads import chips_of, opened
from deadstick.errors import HintError
from deadstick.flash.dump import Dump
from deadstick.flash.notice import Notice
from deadstick.flash.statistics import ByteStatistics, byte_statistics
from deadstick.progress import Progress
from deadstick.solve.page_size.geometry import PageCandidate, page_candidates

DEFAULT_PAGE_BYTES = 4096
"""Assumed for the figures where no page size stands out; erased share and histogram hardly depend on it."""


@dataclass(frozen=True, slots=True)
class Glance:
    """First figures of a dump.

    Attributes:
        path: of the dump; of several reads all, joined by commas.
        size: bytes.
        sha256: of the whole file, or of each read.
        candidates: page sizes that the dump itself suggests, strongest first.
        page_bytes: that the figures were taken with.
        is_given: whether the user gave that page size.
        leftover: bytes after the last whole page.
        figures: counts over a sample of pages.
        notices: what was noticed about reads and contacts.
    """

    path: Path
    size: int
    sha256: tuple[str, ...]
    candidates: tuple[PageCandidate, ...]
    page_bytes: int
    is_given: bool
    leftover: int
    figures: ByteStatistics
    notices: tuple[Notice, ...] = ()


def glance(path: Path, page_bytes: int | None, progress: Progress) -> Glance:
    """Look at a dump.

    Args:
        path: the dump; several reads of it joined by commas.
        page_bytes: data and spare bytes of a page, where known.
        progress: told about the stages `hash`, `contacts` and `vote`.

    Raises:
        InputError: the dump cannot be used.
        HintError: the page is larger than the dump.
    """
    (paths,) = chips_of([path])
    sha256 = tuple(take_in(read, progress).sha256 for read in paths)
    with opened(path, progress) as (dump, notices):
        return _look(path, dump, sha256, page_bytes, notices)


def _look(
    path: Path, dump: Dump, sha256: tuple[str, ...], page_bytes: int | None, notices: tuple[Notice, ...]
) -> Glance:
    candidates = () if page_bytes else page_candidates(dump.array)
    assumed = page_bytes or (candidates[0].page_bytes if candidates else min(DEFAULT_PAGE_BYTES, dump.size))
    if assumed > dump.size:
        raise HintError(f"{path}: a page of {assumed:,} bytes is larger than the dump of {dump.size:,} bytes")
    return Glance(
        path=path,
        size=dump.size,
        sha256=sha256,
        candidates=candidates,
        page_bytes=assumed,
        is_given=page_bytes is not None,
        leftover=dump.leftover(assumed),
        figures=byte_statistics(dump.pages(assumed)),
        notices=notices,
    )


def bars(values: NDArray[np.float64], cells: int, top: float) -> str:
    """Numbers as a line of block characters; a cell shows the mean of its share of the values.

    Args:
        values: `float64[values]`, 0 to `top`.
        cells: characters at most.
        top: what a full character stands for.

    >>> bars(np.array([0.0, 1.0, 4.0, 8.0]), 4, 8.0)
    ' ▁▄█'
    """
    marks = " ▁▂▃▄▅▆▇█"
    means = [float(part.mean()) for part in np.array_split(values, min(cells, len(values))) if len(part)]
    return "".join(marks[round(8 * min(max(mean / top, 0.0), 1.0))] for mean in means)


def entropy_rows(figures: ByteStatistics, rows: int = 4, cells: int = 64) -> Sequence[tuple[int, str]]:
    """Entropy of the columns of a page as lines of bars, each with its first column."""
    parts = np.array_split(np.arange(figures.page_bytes), min(rows, figures.page_bytes))
    return [(int(part[0]), bars(figures.column_entropy[part], cells, 8.0)) for part in parts]
