"""Page sizes from the places where a shift register starts anew, each with the periods of its keystreams.

A page begins where the register started anew and never where it ran on (`register_gaps`). So nearly every multiple of
the right page size lies in a gap between two places in which it started anew, while those of a wrong one lie anywhere.
Several sizes may pass: parts of a page, several pages, or a page some bytes off. The keystreams of the pages under each
size tell which of them come last (`page_seeds`).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.chance import log10_tail
from deadstick.solve.page_size.geometry import PageCandidate, allowed_pages
from deadstick.solve.page_size.page_seeds import PageSeeds
from deadstick.solve.register.register import Register, find_hits
from deadstick.solve.register.register_gaps import LONGEST_GAPS, Gaps
from deadstick.solve.register.running_on import are_parts

MOST_BYTES = 32 << 20
FEWEST_BORDERS = 12
FIRST_SHARE, SHARE = 0.8, 0.9
"""Share of the borders at which the register must start anew; an accident or a flipped bit may hide some."""
CONVINCING = -8.0
MOST_PAGES = 4
BESIDE, CLEARLY = 64, 0.1
"""Bytes between two page sizes that may be one, and what more of the keystreams must come again under the right one."""


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
                seeds = PageSeeds.of(hits, page, register)
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
    seeds: PageSeeds
    best_share: float

    @property
    def page(self) -> int:
        """Bytes."""
        return self.candidate.page_bytes

    @cached_property
    def is_apart(self) -> bool:
        """Whether pages that follow each other mostly have different keystreams."""
        return self.seeds.is_apart

    @cached_property
    def is_alike(self) -> bool:
        """Whether the keystream begins anew with nearly every page, as it did with the one before."""
        return self.seeds.share(1) >= SHARE


def _whole_pages_first(sizes: list[_Size], register: Register) -> list[PageCandidate]:
    """The candidates, those last that look like parts of a page, several pages, or a page some bytes off.

    Parity that the register does not run over interrupts it as a border does. But the keystreams of parts do not come
    again; or neighbouring parts have the same one, while those of some multiple do not. The borders of a size that is a
    few bytes off drift through a wide gap and may all lie in it; its keystreams come again less often. Where the parts
    of a page have keystreams that come again, none of which runs on from the one before, each part is a page.
    Under a keystream for each block all multiples of a page fit as well as the page, and which of them has the highest
    figure is chance. Where nearly all parts in a row have one keystream, it begins anew at the same column of each: so
    does a codeword, and the part comes before multiples that have no keystreams of their own.
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

        def is_whole(part: _Size) -> bool:
            if part.is_alike:
                return not item.is_apart
            own = part.is_apart and part.best_share >= SHARE
            return own and not part.seeds.run_on(register, part.page, item.page // part.page)

        return any(is_whole(part) for part in parts)

    def goes_on(item: _Size) -> bool:
        times = (other.page // item.page for other in sizes if other.page > item.page and other.page % item.page == 0)
        return any(are_parts(item.seeds.table, item.seeds.known, item.page, number, register) for number in times)

    sizes = [item for item in sizes if not goes_on(item)]
    return [item.candidate for item in sorted(sizes, key=lambda item: (is_part(item), is_several(item), is_off(item)))]
