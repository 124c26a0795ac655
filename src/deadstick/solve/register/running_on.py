"""Whether the keystreams of pages in a row, or of parts of pages, are one that goes on from the first to the second."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly
from deadstick.solve.register.register import Register
from deadstick.solve.register.register_states import rewound

LONGEST_PARITY = 2304
"""Bytes that the register may have left out between two pages."""
FEWEST_PAIRS, MOST_PAIRS = 12, 64
INSIDE, ACROSS = 0.8, 0.1
"""Shares of the pairs that must go on inside a page, since some states are misread, and that may across its border."""


class Neighbours(NamedTuple):
    """Keystreams of pages that follow each other, each as its state at the beginning of the page.

    Attributes:
        first: `uint64[pairs]`.
        second: `uint64[pairs]`, of the pages behind.
    """

    first: NDArray[np.uint64]
    second: NDArray[np.uint64]

    @property
    def kinds(self) -> int:
        """Pairs that differ: the same two keystreams tell but once, however often they come again."""
        return len(np.unique(np.stack([self.first, self.second]), axis=1).T)


def most_going_on(pairs: Neighbours, page_bytes: int, register: Register, longest: int = LONGEST_PARITY) -> int:
    """Of the pairs, how many go on with one and the same gap, the one under which the most do.

    Args:
        pairs: with states.
        page_bytes: from the beginning of the one to that of the other.
        register: of the keystreams.
        longest: bytes that the register may have left out.
    """
    # Rewound by as many bytes as lie between them, the second of two is the first.
    gaps = np.arange(min(page_bytes, longest))
    count = len(pairs.first)
    back = rewound(np.tile(pairs.second, len(gaps)), np.repeat(page_bytes - gaps, count), register)
    same = back.reshape(len(gaps), -1) == pairs.first
    return int(np.count_nonzero(same, axis=1).max())


def are_parts(
    table: NDArray[np.uint64], known: NDArray[np.bool_], page_bytes: int, times: int, register: Register
) -> bool:
    """Whether so many pages in a row are one: its keystream goes on inside it, and never over its border.

    Args:
        table: `uint64[pages, slots]`, states at the beginning of the pages, each by a place in that slot.
        known: `bool[pages, slots]`.
        page_bytes: of what may be a part.
        times: parts of the larger page.
        register: of the keystreams.

    Returns:
        False as well where too few different keystreams tell. Seeds that are steps of one orbit may seem to go on by
        chance, and those of few pages not to at the border alone.
    """
    both = known[1:] & known[:-1]
    # Of one slot, since the register may have left out parity between two of them.
    slot = int(both.sum(axis=0).argmax())
    before = np.flatnonzero(both[:, slot])
    is_border = before % times == times - 1
    shares = []
    for every in (before[~is_border], before[is_border]):
        some = every[evenly(len(every), MOST_PAIRS)]
        pairs = Neighbours(table[some, slot], table[some + 1, slot])
        if pairs.kinds < FEWEST_PAIRS:
            return False
        shares.append(most_going_on(pairs, page_bytes, register) / len(some))
    inside, across = shares
    return inside >= INSIDE and across <= ACROSS
