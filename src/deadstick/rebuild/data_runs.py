"""Where the data bits of a logical page are stored: the codeword that holds each of them, and its place in the page."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout, Part


@dataclass(frozen=True)
class DataRuns:
    """The runs of data bits of a page, in the order of its data.

    Attributes:
        layout: of the page.

    >>> from deadstick.recipe.layout import Codeword, Span
    >>> word = Codeword((Span.of_bytes(Part.DATA, 2, 4),), (Span.of_bytes(Part.PARITY, 6, 2),))
    >>> runs = DataRuns(PageLayout(8, (word,)))
    >>> runs.stored(8, 24), runs.at(np.array([0, 31, 32])).tolist()
    ([(0, 24, 40)], [0, 0, 1])
    """

    layout: PageLayout

    def __len__(self) -> int:
        return len(self._runs)

    @cached_property
    def _runs(self) -> list[tuple[int, int, int]]:
        """As `(first data bit, codeword, first bit in the page)`."""
        return sorted(
            (target.first, number, span.start)
            for number, codeword in enumerate(self.layout.codewords)
            for span, target in zip(codeword.message, self.layout.targets[number], strict=True)
            if span.part is Part.DATA
        )

    @cached_property
    def codewords(self) -> NDArray[np.int64]:
        """`int64[runs]`: the codeword that holds each run."""
        return np.array([number for _, number, _ in self._runs], np.int64)

    @cached_property
    def _starts(self) -> NDArray[np.int64]:
        return np.array([first for first, _, _ in self._runs], np.int64)

    def at(self, bits: NDArray[np.int64]) -> NDArray[np.int64]:
        """The run that holds each data bit of a disk, counted over all logical pages.

        Args:
            bits: `int64[bits]`, counted from the first bit of the disk.

        Returns:
            `int64[bits]`: logical page times runs of a page, plus the number of the run in its page.
        """
        logical, bit = np.divmod(bits, 8 * self.layout.data_bytes)
        return logical * len(self) + np.searchsorted(self._starts, bit, side="right") - 1

    def stored(self, start: int, end: int) -> list[tuple[int, int, int]]:
        """Where data bits `start` to `end` of a page are: `(codeword, first bit, bit after the last)` in the page."""
        ends = [*self._starts[1:].tolist(), 8 * self.layout.data_bytes]
        found = []
        for (first, number, place), last in zip(self._runs, ends, strict=True):
            low, high = max(start, first), min(end, last)
            if low < high:
                found.append((number, place + low - first, place + high - first))
        return found
