"""Other page sizes that may fit a code which was found under one of them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page_size.geometry import PageCandidate, allowed_pages

RIVALS, FEW_RIVALS = 10, 4
"""Other page sizes that are looked at; few where nearly all codewords decode."""
WHOLE_SHARE = 0.97
"""Of the codewords, from which on few are looked at."""
MOSTLY_WHOLE = 0.75
"""Share of the codewords that decode below which the multiples of a page are tried though its register starts anew at
every border of it and not at theirs."""
MULTIPLES = (2, 3, 4, 8, 16, 32)
"""Of a page of which only a part decodes: it may be a slice."""


def rival_pages(first: FoundPage, candidates: Sequence[PageCandidate]) -> Iterator[PageCandidate]:
    """Other candidates, and, where only a part of the codewords decodes, the multiples of the page."""
    page = first.layout.page_bytes
    seen = {page}
    if first.candidate.shows_restarts:
        # A register that starts anew at every border leaves parts and multiples, and nothing else. The borders of
        # the page itself may tell nothing where more is unused at its end than a gap between two places may have.
        shown = [other for other in candidates if other.shows_restarts and other.page_bytes != page]
        yield from shown
        if first.share < MOSTLY_WHOLE:
            sizes = {times * page for times in MULTIPLES}
            multiples = (other for other in candidates if other.page_bytes in sizes)
            yield from (replace(other, shows_restarts=True) for other in multiples if not other.shows_restarts)
        return
    if first.share < WHOLE_SHARE:
        allowed = set(allowed_pages().tolist())
        for times in MULTIPLES:
            if times * page in allowed:
                seen.add(times * page)
                yield replace(first.candidate, page_bytes=times * page)
    for candidate in candidates[: RIVALS if first.share < WHOLE_SHARE else FEW_RIVALS]:
        if candidate.page_bytes not in seen:
            yield candidate
