"""How many codewords make a page, where they fill it without a rest.

In-line codewords that fill the page exactly look alike whether one, four or thirty-two of them are called a page. Two
things know the page: a scrambler's register starts anew there and nowhere else, and the controller writes its own bytes
into the first codeword of a page alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.block_metadata import uncovered
from deadstick.solve.common.noise import constant_rows
from deadstick.solve.page_size.geometry import data_bytes_of
from deadstick.solve.register.register import Register, find_hits
from deadstick.solve.register.register_states import rewound

MOST_WORDS = 1 << 15
MULTIPLES = (2, 4, 8, 16, 32, 64)
LARGEST_PAGE = 16384 + 2208
FEWEST_PAIRS = 8
MOST_UNUSED = 4
"""Unused bytes behind each codeword."""
INSIDE, ACROSS = 0.9, 0.5
"""Shares of neighbouring words that must agree inside a page, and at most may across its border."""
FEWEST_MARKED = 0.6


@dataclass(frozen=True, slots=True)
class Multiple:
    """A page that is several times what was taken for one.

    Attributes:
        times: how many of the smaller pages.
        figure: what speaks for it, one line.
    """

    times: int
    figure: str


def is_filled(layout: PageLayout) -> bool:
    """Whether in-line codewords at equal distances fill the page with hardly a rest."""
    count = len(layout.codewords)
    distance, rest = divmod(8 * layout.page_bytes, count)
    size = sum(span.bits for span in layout.codewords[0].spans)
    return (
        not rest
        and distance - 8 * MOST_UNUSED <= size <= distance
        and all(
            min(span.start for span in codeword.spans) == number * distance
            for number, codeword in enumerate(layout.codewords)
        )
    )


def by_register(data: NDArray[np.uint8], layout: PageLayout, registers: tuple[Register, ...]) -> Multiple | None:
    """Where the register starts anew.

    Args:
        data: `uint8[bytes]`, the surveyed part.
        layout: of the smaller page, filled.
        registers: seen in the dump as read.

    Returns:
        None where no register shows often enough.
    """
    count = len(layout.codewords)
    word = layout.page_bytes // count
    message = layout.codewords[0].message
    plain = next(span.bits for span in message if span.part is Part.DATA) // 8
    covered = layout.codewords[0].message_bits // 8
    stored = sum(span.bits for span in layout.codewords[0].spans) // 8
    # A register may pass over the metadata and go on over the parity.
    around = stored - sum(span.bits for span in message if span.part is Part.METADATA) // 8
    for register in registers[:2]:
        known, seeds = _looked_far_enough(data, word, register, count, _most(layout))
        for step in dict.fromkeys((0, word, stored, plain, covered, around)):
            back = rewound(seeds, np.full(len(seeds), step, np.int64), register)
            both = known[1:] & known[:-1]
            agree = both & (back[1:] == seeds[:-1])
            found = _period(both, agree, count, _most(layout))
            if found:
                return Multiple(found, f"the register starts anew after every {found * count} codewords")
    return None


def _most(layout: PageLayout) -> int:
    return LARGEST_PAGE // layout.page_bytes


def _looked_far_enough(
    data: NDArray[np.uint8], word: int, register: Register, count: int, most: int
) -> tuple[NDArray[np.bool_], NDArray[np.uint64]]:
    """As `_seeds`, of some words or of all, if the borders of a page that may be the right one are few among those.

    In a volume of packed files the register shows seldom. The page whose borders are too few would go unasked, and half
    of it, with twice as many, would be taken.
    """
    known, seeds = _seeds(data[: MOST_WORDS * word], word, register)
    if len(data) <= MOST_WORDS * word:
        return known, seeds
    places = 1 + np.flatnonzero(known[1:] & known[:-1])
    borders = [np.count_nonzero(places % (times * count) == 0) for times in MULTIPLES if times <= most]
    return _seeds(data, word, register) if any(some < FEWEST_PAIRS for some in borders) else (known, seeds)


def _seeds(data: NDArray[np.uint8], word: int, register: Register) -> tuple[NDArray[np.bool_], NDArray[np.uint64]]:
    """The register's state at the start of every word, as the first place in it tells where the register shows."""
    hits = find_hits(data, register)
    number, column = np.divmod(hits.positions, word)
    states = rewound(hits.states, column, register)
    known = np.zeros(len(data) // word + 1, np.bool_)
    seeds = np.zeros(len(known), np.uint64)
    # The first hit of a word lies before any other start of the register inside it.
    seeds[number[::-1]] = states[::-1]
    known[number] = True
    return known, seeds


def _period(both: NDArray[np.bool_], agree: NDArray[np.bool_], count: int, most: int) -> int:
    """The multiple under which neighbours agree inside a page and not across its border; 0 where none is.

    The largest: of the borders of half a page every second one lies inside the page, so half of them agree. Every place
    inside is asked by itself as well: of four pages taken for one the three borders inside are few among 32 words.
    """
    places = np.arange(1, len(both) + 1)
    for times in MULTIPLES[::-1]:
        border = places % (times * count) == 0
        inside, across = both & ~border, both & border
        if times > most or min(inside.sum(), across.sum()) < FEWEST_PAIRS:
            continue
        if agree[inside].mean() < INSIDE or agree[across].mean() > ACROSS:
            continue
        asked, agreeing = (np.bincount(places[some] % (times * count)) for some in (inside, inside & agree))
        agreeing = np.pad(agreeing, (0, len(asked) - len(agreeing)))
        if (agreeing > ACROSS * asked)[asked >= FEWEST_PAIRS].all():
            return times
    return 0


def by_metadata(pages: NDArray[np.uint8], recipe: Recipe) -> Multiple | None:
    """Where the controller's own bytes stand: in the first codeword of a page, filler in the others.

    Args:
        pages: `uint8[pages, page_bytes]`, the smaller pages in order.
        recipe: decodes them.
    """
    most = min(len(pages), MOST_WORDS // len(recipe.layout.codewords))
    batch = recipe.decode(pages[:most], np.arange(most, dtype=np.int64))
    # A bad block may read as zeros throughout, which are codewords, too.
    good = (batch.errors >= 0).all(axis=1) & ~batch.erased & ~constant_rows(pages[:most])
    if not batch.metadata.shape[1] or good.sum() < FEWEST_PAIRS:
        return None
    # The most frequent ones: of two codewords the second one's, which are the same everywhere.
    rows, counts = np.unique(batch.metadata[good], axis=0, return_counts=True)
    filler = rows[counts.argmax()]
    marked = differs(batch.metadata, filler, uncovered(recipe))
    for times in MULTIPLES[::-1]:
        first = np.arange(most) % times == 0
        if times > _most(recipe.layout) or min((good & first).sum(), (good & ~first).sum()) < FEWEST_PAIRS:
            continue
        if marked[good & first].mean() >= FEWEST_MARKED and marked[good & ~first].mean() < 1 - INSIDE:
            return Multiple(times, f"metadata stand in one of {times}, filler in the others")
    return None


def differs(rows: NDArray[np.uint8], filler: NDArray[np.uint8], bare: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """`bool[rows]`: metadata that are not the filler; one bit in bytes that no code corrects may be a bit error."""
    bits = np.bitwise_count(rows ^ filler)
    differs: NDArray[np.bool_] = bits[:, ~bare].any(axis=1) | (bits[:, bare].sum(axis=1) > 1)
    return differs


def repeated(layout: PageLayout, times: int) -> PageLayout:
    """So many of a page as one."""
    words, loose = [], []
    for number in range(times):
        move = 8 * number * layout.page_bytes
        loose += [Span(span.part, span.start + move, span.bits) for span in layout.loose]
        words += [
            Codeword(
                tuple(Span(span.part, span.start + move, span.bits) for span in codeword.message),
                tuple(Span(span.part, span.start + move, span.bits) for span in codeword.parity),
            )
            for codeword in layout.codewords
        ]
    return PageLayout(times * layout.page_bytes, tuple(words), tuple(loose))


def halved(layout: PageLayout) -> PageLayout | None:
    """Half of a page, where its second half is built as the first is; None where it is not.

    Two pages in a row look like one whose codewords have a gap in the middle.
    """
    count, odd = divmod(len(layout.codewords), 2)
    size = layout.page_bytes // 2
    if odd or layout.page_bytes % 2 or not count:
        return None
    first = layout.codewords[:count]
    ends = [span.end for codeword in first for span in codeword.spans]
    loose = tuple(span for span in layout.loose if span.end <= 8 * size)
    if max(ends) > 8 * size or any(span.target is not None for codeword in first for span in codeword.spans):
        return None
    half = PageLayout(size, first, loose)
    return half if repeated(half, 2).codewords == layout.codewords else None


def unit_with_rest(layout: PageLayout) -> PageLayout | None:
    """A page of the first codeword alone, where the page is several times that and one or more of them are missing.

    Nine pages in a row look like one of eight codewords with so much unused behind them as a ninth would take.
    """
    words = layout.codewords
    if len(words) < 2:
        return None
    pitch = words[1].spans[0].start - words[0].spans[0].start
    times, rest = divmod(8 * layout.page_bytes, max(pitch, 1))
    if pitch <= 0 or pitch % 8 or rest or times <= len(words) or max(span.end for span in words[0].spans) > pitch:
        return None
    unit = PageLayout(pitch // 8, words[:1])
    return unit if repeated(unit, times).codewords[: len(words)] == words else None


def plausible(layout: PageLayout, times: int) -> bool:
    """Whether the larger page is one that chips have: a power of two of data, and not too much beside it."""
    page = times * layout.page_bytes
    return page <= LARGEST_PAGE and data_bytes_of(page) == times * layout.data_bytes
