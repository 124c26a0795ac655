"""Other page sizes that may fit a code which was found under one of them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from deadstick.recipe.layout import PageLayout
from deadstick.solve.codeword.word_fit import decoding_share
from deadstick.solve.page.code import code_view
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page.row_views import RowViews
from deadstick.solve.page_size.geometry import PageCandidate, allowed_pages

RIVALS, FEW_RIVALS = 10, 4
"""Other page sizes that are looked at; few where nearly all codewords decode."""
WHOLE_SHARE = 0.97
"""Of the codewords, from which on few are looked at."""
MOSTLY_WHOLE = 0.75
"""Share of the codewords that decode below which the multiples of a page are tried though its register starts anew at
every border of it and not at theirs."""
BEGIN_SHARE, BEGIN_TIMES = 0.75, 1.5
"""Rows that begin with a codeword: their share by the most under any size, and by those of the page itself."""
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


def likelier_pages(first: FoundPage, candidates: Sequence[PageCandidate], rows: RowViews) -> list[PageCandidate]:
    """Those of other page sizes under which clearly more rows begin with the first codeword, the smallest first.

    A page begins with it whatever its size, so that a few words tell which sizes are worth a search for all the others.
    Only rows as read are compared: what differences of pages are hangs on the size.

    Args:
        first: found under one size.
        candidates: that the dump suggests.
        rows: of all sizes.
    """
    if first.way != 0:
        return []
    end = max(span.end for span in first.layout.codewords[0].spans)
    sizes = {other.page_bytes: other for other in candidates if 8 * other.page_bytes >= end}
    shares = {size: _begin_share(first, size, rows) for size in sizes}
    own = _begin_share(first, first.layout.page_bytes, rows)
    least = max(BEGIN_SHARE * max(shares.values(), default=0.0), BEGIN_TIMES * own)
    return [sizes[size] for size in sorted(sizes) if shares[size] > least]


def _begin_share(first: FoundPage, page_bytes: int, rows: RowViews) -> float:
    """Share of the rows of a size with content that begin with the first codeword."""
    layout = PageLayout(page_bytes, first.layout.codewords[:1])
    view = rows.view(page_bytes, 0)
    return decoding_share(code_view(view.rows, first.window), first.words.bch, layout)[0]
