"""Page sizes and keystream periods from the places where a shift register starts anew.

Wherever the register shows, its state there is known. Between two such places in a row it either ran on or started anew
somewhere; a page begins where it started anew and never where it ran on. So nearly every multiple of the right page
size lies in a gap of the second kind, while those of a wrong one lie anywhere. Two places of different pages with the
same column tell whether the pages have the same keystream, and so after how many pages it comes again.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.geometry import PageCandidate, allowed_pages
from deadstick.solve.keystream import rewound
from deadstick.solve.register import Hits, Register, find_hits
from deadstick.solve.spread import evenly
from deadstick.solve.window import log10_tail

MOST_BYTES = 32 << 20
LONGEST_GAP = 1024
"""Bytes between two places; more of them say little about where the register started anew."""
MOST_BORDERS = 16_000
PART_BYTES, MOST_PARTS = 1 << 16, 64
"""Parts of the dump in which the register shows most often: borders are looked at there first."""
FEWEST_BORDERS = 12
FIRST_SHARE, SHARE = 0.8, 0.9
"""Share of the borders at which the register must start anew; an accident or a flipped bit may hide some."""
CONVINCING = -8.0
MOST_PAGES = 4
SLOT = 512
"""Bytes in which one place a page is enough."""
LAGS = 1024
MOST_LAGS = 3
FEWEST_PAIRS = 12
APART = 0.3
"""Share of neighbours with one keystream below which every page has its own: under half of a page it is one half."""
WORTH = 0.25
"""Share of the pairs of pages with one keystream from which on their differences are worth a look."""


@dataclass(frozen=True)
class Gaps:
    """Gaps between neighbouring places at which the register shows.

    Attributes:
        ends: `int64[places]`, where they lie, ascending.
        anew: `bool[places - 1]`, whether the register started anew in the gap behind a place.
        short: `bool[places - 1]`, whether the gap is short enough to tell.
    """

    ends: NDArray[np.int64]
    anew: NDArray[np.bool_]
    short: NDArray[np.bool_]

    @property
    def usual(self) -> float:
        """Share of all bytes in short gaps that lie in gaps with a start: how often any byte looks like a border."""
        lengths = np.diff(self.ends)[self.short]
        return float(lengths[self.anew[self.short]].sum() / max(1, lengths.sum()))

    def first_share(self, page: int, parts: NDArray[np.int64]) -> tuple[int, int]:
        """As `share`, of the borders in some parts of the dump that begin at `int64[parts]`."""
        first = -(-parts // page)
        counts = (parts + PART_BYTES) // page - first
        borders = page * np.concatenate([f + np.arange(n) for f, n in zip(first, counts.clip(0), strict=True)])
        return self._of(borders)

    def share(self, page: int) -> tuple[int, int]:
        """(borders at which the register starts anew, borders that tell) under a page size."""
        return self._of(page * (1 + evenly(int(self.ends[-1]) // page, MOST_BORDERS)))

    def busiest(self) -> NDArray[np.int64]:
        """`int64[parts]`: where those parts of the dump begin that have the most places."""
        counts = np.bincount(self.ends // PART_BYTES)
        return np.sort(np.argsort(-counts, kind="stable")[:MOST_PARTS]) * PART_BYTES

    def _of(self, borders: NDArray[np.int64]) -> tuple[int, int]:
        gap = np.searchsorted(self.ends, borders, "left") - 1
        gap = gap[(gap >= 0) & (gap < len(self.anew))]
        gap = gap[self.short[gap]]
        return int(self.anew[gap].sum()), len(gap)


def candidates_by_register(data: NDArray[np.uint8], registers: tuple[Register, ...]) -> list[PageCandidate]:
    """Page sizes at whose borders the register starts anew, the likeliest first, with periods.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        registers: seen in it.

    Returns:
        Empty where no register shows, or not often enough.
    """
    for register in registers[:2]:
        hits = find_hits(data[:MOST_BYTES], register)
        if len(hits.positions) < FEWEST_BORDERS:
            continue
        ahead = np.diff(hits.positions)
        ran_on = rewound(hits.states[1:], ahead, register) == hits.states[:-1]
        gaps = Gaps(hits.positions, ~ran_on, ahead <= LONGEST_GAP)
        found = _sizes(gaps)
        if found:
            sizes = []
            for page, figure, witness in found:
                seeds = _Seeds.of(hits, page, register)
                sizes.append((seeds.is_apart, PageCandidate(page, seeds.periods(), figure, witness, True)))
            return _whole_pages_first(sizes)
    return []


def _sizes(gaps: Gaps) -> list[tuple[int, float, str]]:
    """(page, standard deviations, witness) of the sizes that fit."""
    usual = min(1.0, gaps.usual + 0.01)
    parts = gaps.busiest()
    found = []
    for page in allowed_pages().tolist():
        agreeing, telling = gaps.first_share(page, parts)
        if agreeing < FIRST_SHARE * telling:
            continue
        agreeing, telling = gaps.share(page)
        enough = telling >= FEWEST_BORDERS and agreeing >= SHARE * telling
        if enough and log10_tail(telling, agreeing, usual) < CONVINCING:
            figure = (agreeing / telling - usual) / np.sqrt(max(usual * (1 - usual), 1e-4) / telling)
            witness = f"the register starts anew at {agreeing} of {telling} borders, {figure:.0f} standard deviations"
            found.append((page, float(figure), witness))
    return sorted(found, key=lambda item: -item[1])[:MOST_PAGES]


def _whole_pages_first(sizes: list[tuple[bool, PageCandidate]]) -> list[PageCandidate]:
    """The candidates, those last that look like parts of a page.

    Parity that the register does not run over interrupts it as a border does. But the keystreams of parts do not come
    again; or neighbouring parts have the same one, while those of some multiple do not.
    """

    def is_part(item: tuple[bool, PageCandidate]) -> bool:
        is_apart, size = item
        multiples = (other for other in sizes if other[1].page_bytes % size.page_bytes == 0)
        return not size.periods or (not is_apart and any(other[0] for other in multiples))

    return [candidate for _, candidate in sorted(sizes, key=is_part)]


@dataclass(frozen=True)
class _Seeds:
    """States at the beginning of the pages, slot by slot.

    Attributes:
        table: `uint64[pages, slots]`.
        known: `bool[pages, slots]`.
    """

    table: NDArray[np.uint64]
    known: NDArray[np.bool_]

    @classmethod
    def of(cls, hits: Hits, page: int, register: Register) -> "_Seeds":
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
        both = self.known[lag:] & self.known[:-lag]
        pairs = int(both.sum())
        equal = int((self.table[lag:] == self.table[:-lag])[both].sum())
        return equal / pairs if pairs >= FEWEST_PAIRS else 0.0

    @property
    def is_apart(self) -> bool:
        """Whether pages that follow each other mostly have different keystreams."""
        return self.share(1) < APART

    def periods(self) -> tuple[int, ...]:
        """Pages after which most keystreams come again, the best first."""
        shares = ((-round(self.share(lag), 2), lag) for lag in range(1, min(LAGS, len(self.table) - 1) + 1))
        return tuple(lag for _, lag in sorted(item for item in shares if -item[0] >= WORTH)[:MOST_LAGS])
