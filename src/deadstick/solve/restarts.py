"""Page sizes and keystream periods from the places where a shift register starts anew.

Wherever the register shows, its state there is known. Between two such places in a row it either ran on or started anew
somewhere; a page begins where it started anew and never where it ran on. So nearly every multiple of the right page
size lies in a gap of the second kind, while those of a wrong one lie anywhere. Two places of different pages with the
same column tell whether the pages have the same keystream, and so after how many pages it comes again.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.solve.chance import log10_tail
from deadstick.solve.geometry import PageCandidate, allowed_pages
from deadstick.solve.keystream import rewound
from deadstick.solve.register import Hits, Register, find_hits
from deadstick.solve.running_on import Neighbours, are_parts, most_going_on
from deadstick.solve.spread import evenly

MOST_BYTES = 32 << 20
LONGEST_GAPS = (1024, 2304)
"""Bytes between two places; more of them say little about where the register started anew. A register that does not run
over the parity shows nowhere in the whole spare area, so longer ones are looked at where shorter ones tell nothing."""
RUN_BYTES = 64
"""How far behind a place its run is followed; a run that goes on has another place 32 bytes on."""
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
LAGS, FAR_LAGS = 1024, 4096
"""Pages after which keystreams may come again. Where the register hardly shows, only a multiple of the period may have
enough pairs of pages that tell."""
MOST_LAGS = 3
FEWEST_PAIRS, MOST_PAIRS = 12, 64
APART = 0.3
"""Share of neighbours with one keystream below which every page has its own: under half of a page it is one half."""
BESIDE, CLEARLY = 64, 0.1
"""Bytes between two page sizes that may be one, and what more of the keystreams must come again under the right one."""
WORTH = 0.25
"""Share of the pairs of pages with one keystream from which on their differences are worth a look."""
LIKELY = 2.0
"""Standard deviations by which such a share may be too high by chance."""


@dataclass(frozen=True)
class Gaps:
    """Gaps between neighbouring places at which the register shows.

    Attributes:
        ends: `int64[places]`, where they lie, ascending.
        begins: `int64[places - 1]`, how far the register runs on from a place for certain: no border lies before.
        anew: `bool[places - 1]`, whether the register started anew in the gap behind a place.
        short: `bool[places - 1]`, whether the gap is short enough to tell.
    """

    ends: NDArray[np.int64]
    begins: NDArray[np.int64]
    anew: NDArray[np.bool_]
    short: NDArray[np.bool_]

    @classmethod
    def of(cls, data: NDArray[np.uint8], hits: Hits, register: Register, longest: int) -> "Gaps":
        """Between the places where a register shows in `uint8[bytes]`; gaps of up to so many bytes tell."""
        ahead = np.diff(hits.positions)
        anew = rewound(hits.states[1:], ahead, register) != hits.states[:-1]
        begins = hits.positions[:-1].copy()
        followed = np.flatnonzero(anew & (ahead <= longest))
        begins[followed] = np.minimum(_run_ends(data, hits.take(followed), register), hits.positions[followed + 1])
        return cls(hits.positions, begins, anew, ahead <= longest)

    @property
    def usual(self) -> float:
        """Share of all bytes in short gaps that lie in gaps with a start: how often any byte looks like a border."""
        with_start = (self.ends[1:] - self.begins)[self.short & self.anew]
        return float(with_start.sum() / max(1, np.diff(self.ends)[self.short].sum()))

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
        inside = (gap >= 0) & (gap < len(self.anew))
        gap, borders = gap[inside], borders[inside]
        gap, borders = gap[self.short[gap]], borders[self.short[gap]]
        return int((self.anew[gap] & (borders >= self.begins[gap])).sum()), len(gap)


def _run_ends(data: NDArray[np.uint8], hits: Hits, register: Register) -> NDArray[np.int64]:
    """`int64[hits]`: the byte behind the last one that each place's run explains; bit errors end it early."""
    streams = Lfsr(register.polynomial).keystream(hits.states, RUN_BYTES, register.bit_order)
    inside = np.minimum(hits.positions[:, np.newaxis] + np.arange(RUN_BYTES), len(data) - 1)
    agree = data[inside] == streams ^ np.where(hits.ones, 0xFF, 0).astype(np.uint8)[:, np.newaxis]
    return hits.positions + np.where(agree.all(axis=1), RUN_BYTES, agree.argmin(axis=1))


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
        tried = (_sizes(Gaps.of(data, hits, register, longest)) for longest in LONGEST_GAPS)
        found = next((sizes for sizes in tried if sizes), [])
        if found:
            sizes = []
            for page, figure, witness in found:
                seeds = _Seeds.of(hits, page, register)
                periods = seeds.periods()
                best = seeds.share(periods[0]) if periods else 0.0
                sizes.append(_Size(PageCandidate(page, periods, figure, witness, True), seeds, best))
            return _whole_pages_first(sizes, register)
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


@dataclass(frozen=True)
class _Size:
    """A page size with what its keystreams tell.

    Attributes:
        candidate: the size.
        seeds: of its pages.
        best_share: of the pairs of pages at its best period, those with one keystream.
    """

    candidate: PageCandidate
    seeds: "_Seeds"
    best_share: float

    @property
    def page(self) -> int:
        """Bytes."""
        return self.candidate.page_bytes

    @cached_property
    def is_apart(self) -> bool:
        """Whether pages that follow each other mostly have different keystreams."""
        return self.seeds.is_apart


def _whole_pages_first(sizes: list[_Size], register: Register) -> list[PageCandidate]:
    """The candidates, those last that look like parts of a page, several pages, or a page some bytes off.

    Parity that the register does not run over interrupts it as a border does. But the keystreams of parts do not come
    again; or neighbouring parts have the same one, while those of some multiple do not. The borders of a size that is a
    few bytes off drift through a wide gap and may all lie in it; its keystreams come again less often. Where the parts
    of a page have keystreams that come again, none of which runs on from the one before, each part is a page.
    Parts whose keystream goes on inside a page, and never over its border, are left out: codewords of a cyclic code
    that begin with a byte of filler decode a byte off their place as well, so the code may not tell such a half from a
    page.
    """

    def is_part(item: _Size) -> bool:
        multiples = (other for other in sizes if other.page % item.page == 0)
        return not item.candidate.periods or (not item.is_apart and any(other.is_apart for other in multiples))

    def is_off(item: _Size) -> bool:
        beside = (other for other in sizes if 0 < abs(other.page - item.page) <= BESIDE)
        return any(other.best_share > item.best_share + CLEARLY for other in beside)

    def is_several(item: _Size) -> bool:
        parts = (other for other in sizes if other.page < item.page and item.page % other.page == 0)
        whole = (part for part in parts if part.is_apart and part.best_share >= SHARE)
        return any(not part.seeds.run_on(register, part.page, item.page // part.page) for part in whole)

    def goes_on(item: _Size) -> bool:
        times = (other.page // item.page for other in sizes if other.page > item.page and other.page % item.page == 0)
        return any(are_parts(item.seeds.table, item.seeds.known, item.page, number, register) for number in times)

    sizes = [item for item in sizes if not goes_on(item)]
    return [item.candidate for item in sorted(sizes, key=lambda item: (is_part(item), is_several(item), is_off(item)))]


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
