"""Which of two copies of a block is the newer one, told by what has been filled or deleted since.

A file system writes to what was blank and hardly ever blanks what it wrote: a file that is deleted leaves its content
behind (common practice, no source; formatting anew is the exception). So where one copy of a block holds zeros and
another one content, the one with content is the newer. This tells copies apart that lie outside all that a volume says
of itself. Allocation tables are left out: a file that is deleted leaves zeros there (`chained`). In copies that hold
directories, files that are deleted or added in one of them alone tell it as well (`deletions`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.chained import chained
from deadstick.solve.blocks.deletions import additions, deletions
from deadstick.solve.blocks.left_out import left_out, some_alike
from deadstick.solve.common.chance import log10_tail

READ_BYTES = 48 << 20
"""Of all copies together, at the most."""
FEWEST_BYTES, CLEARLY = 64, 8
"""Bytes that must have been filled, and how many times more than were blanked, before a pair of copies has a vote; and
no fewer than were replaced by others. Packed data that took the place of others hold as many zeros as these did, but
for those that a file holds, and those behind its end in its last cluster: a later file may blank what it replaces."""
DEALS_AT_ONCE, TURNS = 500, 10
DEALS = DEALS_AT_ONCE * TURNS
"""Of the permutation test."""
BLANKS = (0x00, 0xFF)
"""Free space, and its complement, as long as the volumes have not told which of the two the data are."""
LEFT_OUT = 0.1
"""Versions that are missing between copies, by the steps from one copy to the next: of a block that went bad, or that
lay behind the end of the dump."""
ALIKE = 1 << 62
"""More than may be missing."""

Pair = tuple[int, int]
"""Rows of two copies of one block, the one with the lower version first."""


class Copies(Protocol):
    """What lies in copies of blocks, as `Fillings` reads it."""

    def vote(self, one: int, other: int) -> int:
        """Of two blocks, 1 where the second holds what came later, -1 where the first does, 0 where nothing tells."""

    def alike(self, one: int, other: int) -> bool:
        """Whether two blocks hold the same data throughout."""


@dataclass
class Fillings:
    """What copies of blocks hold, read when it is asked for.

    Attributes:
        space: the pages of all chips.
        recipe: decodes pages.
        stride: every so manieth page of a block is read.
        content: by block, data as `uint8[pages read, data_bytes]`, and `bool[pages read]` where they are known.
    """

    space: PageSpace
    recipe: Recipe
    stride: int
    content: dict[int, tuple[NDArray[np.uint8], NDArray[np.bool_]]] = field(default_factory=dict)

    @classmethod
    def of_copies(cls, space: PageSpace, recipe: Recipe, logical: NDArray[np.int64]) -> "Fillings":
        """The same where it is known which blocks are copies, by `int64[blocks]`: no others are read."""
        return cls.of(
            space, recipe, int(sum(count for count in np.unique(logical, return_counts=True)[1] if count > 1))
        )

    @classmethod
    def of(cls, space: PageSpace, recipe: Recipe, copies: int) -> "Fillings":
        """Few enough pages that so many copies can all be read."""
        size = copies * recipe.pages_per_block * recipe.layout.page_bytes
        return cls(space, recipe, max(1, -(-size // READ_BYTES)))

    def vote(self, one: int, other: int) -> int:
        """1 where the other block holds what came later, -1 where the first one does, 0 where nothing tells.

        What was filled and what directories say must not contradict each other.
        """
        (before, known), (after, also) = self._content(one), self._content(other)
        before, after = before[known & also], after[known & also]
        said = {_filled_since(before, after), _entries_since(before, after)} - {0}
        return said.pop() if len(said) == 1 else 0

    def alike(self, one: int, other: int) -> bool:
        """Whether two blocks hold the same data throughout."""
        (before, known), (after, also) = self._content(one), self._content(other)
        return self.stride == 1 and bool(known.all() and also.all() and (before == after).all())

    def _content(self, block: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        if block not in self.content:
            self.content[block] = self._read(block)
        return self.content[block]

    def _read(self, block: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        size = self.recipe.pages_per_block
        numbers = block * size + np.arange(0, size, self.stride, dtype=np.int64)
        rows = np.minimum(numbers, len(self.space) - 1)
        batch = self.recipe.decode(self.space.take(rows), self.space.numbers(rows))
        # An erased page was not written yet, or not in this copy: that says nothing.
        known = (batch.errors >= 0).all(axis=1) & ~batch.erased & (numbers == rows)
        return batch.data, known


def _filled_since(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> int:
    """What `vote` says by what is blank in one of two copies alone."""
    blank = max(BLANKS, key=lambda value: int((before == value).sum()) + int((after == value).sum()))
    told = ~(chained(before ^ np.uint8(blank)) | chained(after ^ np.uint8(blank)))
    filled = int(((before == blank) & (after != blank) & told).sum())
    blanked = int(((before != blank) & (after == blank) & told).sum())
    replaced = int(((before != blank) & (after != blank) & (before != after) & told).sum())
    if filled >= max(FEWEST_BYTES, CLEARLY * blanked, replaced):
        return 1
    return -1 if blanked >= max(FEWEST_BYTES, CLEARLY * filled, replaced) else 0


def _entries_since(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> int:
    """What `vote` says by files that are deleted or added in one of two copies alone; the data may be complements."""
    since, ago = (
        sum(told(one ^ np.uint8(blank), other ^ np.uint8(blank)) for blank in BLANKS for told in (deletions, additions))
        for one, other in ((before, after), (after, before))
    )
    return 0 if since and ago else (since > 0) - (ago > 0)


def pairs_of_copies(logical: NDArray[np.int64], version: NDArray[np.int64]) -> Iterator[Pair]:
    """Copies with versions next to each other, as rows.

    Args:
        logical: `int64[blocks]`, equal for copies of one block; negative where a block is nobody's copy.
        version: `int64[blocks]`.

    >>> list(pairs_of_copies(np.array([7, 8, 7, 7]), np.array([3, 9, 5, 4])))
    [(0, 3), (3, 2)]
    """
    order = np.lexsort((version, logical))
    for before, after in pairwise(order[logical[order] >= 0].tolist()):
        if logical[before] == logical[after] and version[before] != version[after]:
            yield before, after


def differing_copies(logical: NDArray[np.int64], blocks: NDArray[np.int64], copies: Copies | None) -> NDArray[np.int64]:
    """`int64[pairs, 2]`: all pairs of copies of one block that do not hold the same data, as rows.

    Args:
        logical: `int64[blocks]`, equal for copies of one block.
        blocks: `int64[blocks]`.
        copies: what lies in them, where that may be looked at.
    """
    pairs = [
        pair
        for number in np.flatnonzero(np.bincount(logical) > 1)
        for pair in combinations(np.flatnonzero(logical == number).tolist(), 2)
        if copies is None or not copies.alike(int(blocks[pair[0]]), int(blocks[pair[1]]))
    ]
    return np.array(pairs, np.int64).reshape(-1, 2)


def votes_by_accident(votes: list[int]) -> float:
    """Logarithm of the chance that so many pairs agree on the order, if it is no order in time.

    >>> round(votes_by_accident([1, 1, 0, 1, 1]), 2)
    -1.2
    """
    forwards, backwards = votes.count(1), votes.count(-1)
    return log10_tail(forwards + backwards, forwards, 0.5) if forwards > backwards else 0.0


def in_turn_by_accident(logical: NDArray[np.int64], version: NDArray[np.int64]) -> float:
    """Logarithm of the chance that copies of a block have versions that follow each other with hardly a gap.

    A controller that counts how often it wrote a block leaves such versions behind; a count of erasures does not. A
    copy that is lost leaves a gap. The chance is that of the same versions dealt out to the blocks at random and with
    no more gaps (permutation test: E. J. G. Pitman, 1937).

    Args:
        logical: `int64[blocks]`, see `pairs_of_copies`.
        version: `int64[blocks]`.

    Returns:
        0 where more are missing, or copies are alike; never less than `log10(1 / DEALS)`.

    >>> logical = np.array([1, 1, 2, 2, 3, 3, 4, 4])
    >>> in_turn_by_accident(logical, np.array([6, 7, 4, 5, 9, 8, 1, 2])) < -1.5
    True
    >>> in_turn_by_accident(logical, np.array([6, 9, 4, 5, 9, 8, 1, 2]))
    0.0
    """
    order = np.argsort(logical, kind="stable")
    order = order[logical[order] >= 0]
    logical, dealt = logical[order], version[order]
    steps = len(logical) - len(np.unique(logical))
    missing = int(_left_out(logical, dealt[None])[0])
    if not steps or missing > LEFT_OUT * steps:
        return 0.0
    rng = np.random.default_rng(len(dealt))
    hits = sum(
        int((_left_out(logical, rng.permuted(np.tile(dealt, (DEALS_AT_ONCE, 1)), axis=1)) <= missing).sum())
        for _ in range(TURNS)
    )
    return float(np.log10((hits + 1) / (DEALS + 1)))


def _left_out(logical: NDArray[np.int64], versions: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each row of `int64[deals, blocks]`, versions missing between copies; `ALIKE` where some are."""
    return np.where(some_alike(logical, versions), ALIKE, left_out(logical, versions))
