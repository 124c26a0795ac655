"""The seeds of pages under a page size: after how many pages do keystreams come again, and do neighbours share one?

The state of a register at any place of a page, run back to the beginning of the page, is the page's seed. Two places
of different pages with the same column tell whether the pages have the same keystream, and so after how many pages it
comes again.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly
from deadstick.solve.register.register import Hits, Register
from deadstick.solve.register.register_gaps import LONGEST_GAPS
from deadstick.solve.register.register_states import rewound
from deadstick.solve.register.running_on import Neighbours, most_going_on

SLOT = 512
"""Bytes in which one place a page is enough."""
LAGS, FAR_LAGS = 1024, 4096
"""Pages after which keystreams may come again. Where the register hardly shows, only a multiple of the period may have
enough pairs of pages that tell."""
MOST_LAGS = 3
FEWEST_PAIRS, MOST_PAIRS = 12, 64
APART = 0.3
"""Share of neighbours with one keystream below which every page has its own: under half of a page it is one half."""
WORTH = 0.25
"""Share of the pairs of pages with one keystream from which on their differences are worth a look."""
LIKELY = 2.0
"""Standard deviations by which such a share may be too high by chance."""


@dataclass(frozen=True)
class PageSeeds:
    """States at the beginning of the pages, slot by slot.

    Attributes:
        table: `uint64[pages, slots]`.
        known: `bool[pages, slots]`.
    """

    table: NDArray[np.uint64]
    known: NDArray[np.bool_]

    @classmethod
    def of(cls, hits: Hits, page: int, register: Register) -> "PageSeeds":
        """For pages of a size."""
        number, column = np.divmod(hits.positions, page)
        slots = -(-page // SLOT)
        # Where the register starts anew inside the page, a seed is that of its slot; within a slot all agree.
        key, first = np.unique(number * slots + column // SLOT, return_index=True)
        table = np.zeros((int(number[-1]) + 1, slots), np.uint64)
        known = np.zeros(table.shape, np.bool_)
        table[np.divmod(key, slots)] = rewound(hits.states[first], column[first], register)
        known[np.divmod(key, slots)] = True
        return cls(table, known)

    def share(self, lag: int) -> float:
        """Of the pairs of pages so far apart, those with one keystream; 0 where too few tell."""
        equal, pairs = self._pairs(lag)
        return equal / pairs if pairs >= FEWEST_PAIRS else 0.0

    def _pairs(self, lag: int) -> tuple[int, int]:
        """(pairs with one keystream, pairs) of pages so far apart."""
        both = self.known[lag:] & self.known[:-lag]
        return int((self.table[lag:] == self.table[:-lag])[both].sum()), int(both.sum())

    @property
    def is_apart(self) -> bool:
        """Whether pages that follow each other mostly have different keystreams."""
        return self.share(1) < APART

    def periods(self) -> tuple[int, ...]:
        """Pages after which most keystreams come again, the best first.

        What comes again after n pages does so after 2n and 3n, too: where no lag alone has pairs enough, its multiples
        are counted with it.
        """
        pairs = np.zeros((1, 2), np.int64)
        for last in (LAGS, FAR_LAGS):
            first = len(pairs)
            lags = range(first, min(last, len(self.table) - 1) + 1)
            pairs = np.array([*pairs, *map(self._pairs, lags)])
            found = _best_lags({lag: pairs[lag] for lag in lags})
            if found:
                return found
        return _best_lags({lag: pairs[lag::lag].sum(axis=0) for lag in range(1, min(len(pairs), LAGS + 1))})

    def run_on(self, register: Register, page: int, times: int) -> bool:
        """Whether the keystreams of the parts of pages are one that goes on, but for a gap as long as parity may be.

        Args:
            register: of the keystreams.
            page: bytes of a part.
            times: parts of a page.
        """
        slot, told = self.known.argmax(axis=1), self.known.max(axis=1)
        seeds = self.table[np.arange(len(slot)), slot]
        first = np.flatnonzero(told[:-1] & told[1:])
        first = first[first % times != times - 1]
        first = first[evenly(len(first), MOST_PAIRS)]
        if len(first) < FEWEST_PAIRS:
            return True
        pairs = Neighbours(seeds[first], seeds[first + 1])
        return most_going_on(pairs, page, register, LONGEST_GAPS[0]) > APART * len(first)


def _best_lags(pairs: Mapping[int, NDArray[np.int64]]) -> tuple[int, ...]:
    """Of lags with (pairs of pages with one keystream, pairs) those worth a look, the best first."""
    shares = ((-round(_least_share(*counts.tolist()), 2), lag) for lag, counts in pairs.items())
    return tuple(lag for _, lag in sorted(item for item in shares if item[0])[:MOST_LAGS])


def _least_share(equal: int, pairs: int) -> float:
    """What a share likely is at least, for few pairs may all be alike by chance; 0 if not worth a look.

    The lower bound of E. B. Wilson (1927).
    """
    if pairs < FEWEST_PAIRS or equal < WORTH * pairs:
        return 0.0
    share, unsure = equal / pairs, LIKELY**2 / pairs
    spread = LIKELY * np.sqrt(share * (1 - share) / pairs + unsure / (4 * pairs))
    return float((share + unsure / 2 - spread) / (1 + unsure))
