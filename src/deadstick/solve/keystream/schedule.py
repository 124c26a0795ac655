"""A rule over place and block that says which page has which keystream.

The keystream of a page is number `(page_step * place + block_step * block) mod count`, where `place` is the page's
place in its block. All steps may be multiplied by a number without changing the rule but for the numbering of the
seeds, so a page step that is prime to the count is 1 without loss.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

MOST_KEYSTREAMS = 1024
"""Keystreams of a rule, at most."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """A rule.

    Attributes:
        count: keystreams.
        page_step: see above.
        block_step: see above.
        pages_per_block: pages in a block; 0 where the number of the page on the chip alone matters.
        agreeing: pages whose seed is that of the others with their number.
        counted: pages that could have disagreed.
        is_open: not every keystream came again in another block, so that `count` may be too small for pages beyond
            those that were seen.
        rivals: other block sizes under which the same rule holds as well, where too few pages near the borders show.
    """

    count: int
    page_step: int
    block_step: int
    pages_per_block: int
    agreeing: int
    counted: int
    is_open: bool = False
    rivals: tuple[int, ...] = ()

    @property
    def share(self) -> float:
        """Of the pages that could have disagreed, those that agree."""
        return self.agreeing / max(1, self.counted)

    def index(self, pages: NDArray[np.int64]) -> NDArray[np.int64]:
        """The keystream of each page, `int64[pages]` -> `int64[pages]`.

        >>> Schedule(16, 1, 5, 64, 0, 0).index(np.array([0, 63, 64, 65]))
        array([ 0, 15,  5,  6])
        """
        if not self.pages_per_block:
            return pages % self.count
        block, place = np.divmod(pages, self.pages_per_block)
        index: NDArray[np.int64] = (self.page_step * place + self.block_step * block) % self.count
        return index


def judged(pages: NDArray[np.int64], labels: NDArray[np.int64], rule: Schedule) -> Schedule:
    """The rule with how well it holds.

    Args:
        pages: `int64[known]`, page numbers.
        labels: `int64[known]`, a number for the seed of each.
        rule: to judge.
    """
    index = rule.index(pages)
    size = int(labels.max()) + 1
    codes, counts = np.unique(index * size + labels, return_counts=True)
    group = codes // size
    total = np.bincount(group, weights=counts)
    best = np.zeros(len(total))
    np.maximum.at(best, group, counts)
    several = total > 1
    return replace(rule, agreeing=int(best[several].sum()), counted=int(total[several].sum()))


def parted(pages: NDArray[np.int64], labels: NDArray[np.int64], rule: Schedule) -> int:
    """Pages to which a rule gives another keystream than to most pages with their seed.

    >>> labels = np.array([0, 1, 0, 1, 0, 1])
    >>> [parted(np.arange(6), labels, Schedule(count, 1, 0, 0, 0, 0)) for count in (2, 4)]
    [0, 2]
    """
    codes, counts = np.unique(labels * rule.count + rule.index(pages), return_counts=True)
    most = np.zeros(int(labels.max()) + 1, np.int64)
    np.maximum.at(most, codes // rule.count, counts)
    return len(labels) - int(most.sum())
