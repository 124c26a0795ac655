"""What can be seen of a controller in a second: enough to rank recipes that are known, never enough to believe one.

A fingerprint is measured on a dump with the figures of one recipe in hand: its page, the lag after which its keystream
comes again, the columns of its spare area, its shift register. It is kept beside the recipe; on another dump the same
is measured and compared. It costs a few hundred pages, whatever the size of the dump.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.spread import evenly
from deadstick.solve.register.register import Register, find_hits

PAIRS = 192
BESIDE = 7
"""Columns by which one page of a pair is turned to see how many bytes are equal by accident."""
STEADY = 0.5
REGISTER_PAGES = 128
REGISTER_BYTES_A_HIT = 32


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """Figures of one dump, measured as one recipe says.

    Attributes:
        page_bytes: of the recipe.
        lag: pages after which its keystream comes again; 1 without one.
        excess: share of bytes that are equal in pages `lag` apart, beyond what is equal by accident.
        steady: runs `(first, after last)` of columns outside the data that mostly come again after `lag` pages.
        register: characteristic polynomial of its shift register; 0 without one.
        shown: share of the bytes that are the bare output of the register.
    """

    page_bytes: int
    lag: int
    excess: float
    steady: tuple[tuple[int, int], ...]
    register: int
    shown: float


def fingerprint(data: NDArray[np.uint8], recipe: Recipe) -> Fingerprint:
    """Measure a dump with the figures of a recipe.

    Args:
        data: `uint8[bytes]`, the dump.
        recipe: which page, lag, columns and register to look at.

    Returns:
        Its figures; all zero where the dump has no two written pages so far apart.
    """
    size = recipe.layout.page_bytes
    count = len(data) // size
    pages = data[: count * size].reshape(count, size)
    lag = keystream_lag(recipe)
    excess, steady = _what_comes_again(pages, lag, _outside_data(recipe))
    polynomial, shown = _register_shown(pages, recipe)
    return Fingerprint(size, lag, excess, steady, polynomial, shown)


def keystream_lag(recipe: Recipe) -> int:
    """Pages after which the keystream comes again, if it goes by the page's number on the chip; 1 without one.

    Where blocks move the keystream on, pages one block apart do not share it, but pages of one block may: the lag is
    a guess then, and the figure is compared with the figure of the same guess.
    """
    return recipe.scrambler.keystreams.count if recipe.scrambler else 1


def similarity(one: Fingerprint, other: Fingerprint) -> float:
    """How alike two fingerprints of the same page and lag are, 0 to 1.

    >>> same = Fingerprint(2112, 64, 0.1, ((2100, 2112),), 0x8003, 0.02)
    >>> similarity(same, same)
    1.0
    >>> similarity(same, Fingerprint(2112, 64, 0.0, (), 0x8003, 0.0))
    0.0
    """
    figures = [_ratio(one.excess, other.excess), _overlap(one.steady, other.steady)]
    if one.register or other.register:
        figures.append(_ratio(one.shown, other.shown) if one.register == other.register else 0.0)
    return float(np.mean(figures))


def _ratio(one: float, other: float) -> float:
    """The smaller share by the larger, on a scale that forgives a chip that is fuller than another."""
    low, high = sorted((max(0.0, one), max(0.0, other)))
    return 1.0 if high < 1e-4 else (low / high) ** 0.5


def _overlap(one: tuple[tuple[int, int], ...], other: tuple[tuple[int, int], ...]) -> float:
    mine = {column for first, end in one for column in range(first, end)}
    yours = {column for first, end in other for column in range(first, end)}
    return len(mine & yours) / len(mine | yours) if mine | yours else 1.0


def _outside_data(recipe: Recipe) -> NDArray[np.bool_]:
    """`bool[page_bytes]`: columns that hold no data."""
    outside = np.ones(recipe.layout.page_bytes, np.bool_)
    for span in recipe.layout.spans:
        if span.part is Part.DATA:
            outside[span.start // 8 : -(-span.end // 8)] = False
    return outside


def _what_comes_again(
    pages: NDArray[np.uint8], lag: int, outside: NDArray[np.bool_]
) -> tuple[float, tuple[tuple[int, int], ...]]:
    if len(pages) <= lag:
        return 0.0, ()
    # Four times as many as needed, since some are erased.
    first = np.unique(np.linspace(0, len(pages) - lag - 1, 4 * PAIRS).astype(np.int64))
    both = ~erased_pages(pages[first]) & ~erased_pages(pages[first + lag])
    first = first[both][:: max(1, int(both.sum()) // PAIRS)]
    if not len(first):
        return 0.0, ()
    here, there = pages[first], pages[first + lag]
    equal = (here == there).mean(axis=0)
    accident = float((here == np.roll(there, BESIDE, axis=1)).mean())
    return float(equal.mean()) - accident, _runs((equal > STEADY) & outside)


def _runs(mask: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return tuple((int(first), int(end)) for first, end in edges.reshape(-1, 2))


def _register_shown(pages: NDArray[np.uint8], recipe: Recipe) -> tuple[int, float]:
    rule = recipe.scrambler.keystreams if recipe.scrambler else None
    if not isinstance(rule, LfsrKeystreams) or not len(pages):
        return 0, 0.0
    some = evenly(len(pages), REGISTER_PAGES)
    sample = np.ascontiguousarray(pages[some]).reshape(-1)
    hits = find_hits(sample, Register(rule.polynomial, rule.bit_order, 0, 0))
    return rule.polynomial, REGISTER_BYTES_A_HIT * len(hits.positions) / len(sample)
