"""Bytes of data that are stored out of their turn: which byte of the keystream was added to them before the code.

A byte that was changed with the bad-block marker, or moved out of its way, has another place among the columns of the
page than among its data. A keystream that goes by columns and one that goes by data then differ in it, and in the few
bytes behind the marker, and nowhere else: every place where the register shows agrees with both, since none of these
stretches is long enough to show it. Free space tells: where the data around such a byte are blank, it is blank as well.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, stream_positions
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.keystream.keystream import RESTARTS
from deadstick.solve.register.register import hit_bytes
from deadstick.solve.scrambler.coded_pages import CONVINCING

BESIDE = 16
"""Bytes of data around one that must be alike, so that it lies in a blank stretch."""
ACCIDENT = 2.0**-8
"""Chance that a wrong keystream makes a byte look blank, once for each seed: all its pages may hold the same."""


def with_told_restart(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Recipe:
    """The recipe with the restart of its keystreams that blank data tell; as it is where they tell none.

    Args:
        recipe: decodes pages; its keystreams are right but for few bytes of the data.
        pages: `uint8[pages, page_bytes]`, as read: few of so few bytes have a bit error.
        numbers: `int64[pages]`, their numbers.
    """
    likely = _alike(recipe)
    told = _told(likely, recipe, pages, numbers)
    return recipe if told is None else replace(recipe, scrambler=likely[told])


def is_open_restart(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> bool:
    """Whether another restart fits the pages as well, and gives a few bytes of their data another keystream.

    Args:
        recipe: decodes pages.
        pages: `uint8[pages, page_bytes]`, as read.
        numbers: `int64[pages]`, their numbers.
    """
    likely = _alike(recipe)
    return len(likely) > 1 and _told(likely, recipe, pages, numbers) != 0


def data_columns(layout: PageLayout) -> NDArray[np.int64]:
    """`int64[data_bytes]`: the column of the page that holds each byte of data, or its first bits."""
    columns = np.zeros(layout.data_bytes, np.int64)
    for codeword, targets in zip(layout.codewords, layout.targets, strict=False):
        for span, target in zip(codeword.message, targets, strict=True):
            if span.part is Part.DATA:
                first, last = target.first // 8, -(-(target.first + span.bits) // 8)
                columns[first:last] = span.start // 8 + np.arange(last - first)
    return columns


def _alike(recipe: Recipe) -> list[Scrambler]:
    """The scrambler, and those with another restart that add the same to all data that can show the register."""
    scrambler, layout = recipe.scrambler, recipe.layout
    if scrambler is None:
        return []
    found, keystreams = [scrambler], scrambler.keystreams
    if scrambler.place != "before_ecc" or not layout.is_byte_aligned or not isinstance(keystreams, LfsrKeystreams):
        return found
    if not keystreams.polynomial & 1:
        return found  # the register cannot run backwards
    register, states = Lfsr(keystreams.polynomial), np.array(keystreams.seeds, np.uint64)
    columns = data_columns(layout)
    mine = stream_positions(layout, scrambler.restart, scrambler.covers)[columns]
    seen = [np.zeros_like(mine)]
    for restart in RESTARTS:
        ahead = stream_positions(layout, restart, scrambler.covers)[columns] - mine
        steps, counts = np.unique(ahead, return_counts=True)
        usual = int(steps[counts.argmax()])
        astray = ahead - usual
        is_new = not any(np.array_equal(astray, other) for other in seen)
        if is_new and _longest(astray) < hit_bytes(register.width):
            seen.append(astray)
            seeds = tuple(register.advance(states, -8 * usual).tolist())
            found.append(replace(scrambler, restart=restart, keystreams=replace(keystreams, seeds=seeds)))
    return found


def _longest(astray: NDArray[np.int64]) -> int:
    """Bytes of the longest stretch that lies in one piece, and out of its turn."""
    borders = np.flatnonzero(np.diff(astray)) + 1
    begins, ends = np.r_[0, borders], np.r_[borders, len(astray)]
    return int((ends - begins)[astray[begins] != 0].max(initial=0))


def _told(likely: list[Scrambler], recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> int | None:
    """Which of some scramblers blank data tell from every other; None where they tell none."""
    if len(likely) < 2:
        return None
    index = likely[0].index(numbers, recipe.pages_per_block)
    blank = _blank([scrambler.masks(recipe.layout) for scrambler in likely], recipe.layout, pages, index)
    seeds = _numbered(likely[0])[index]
    for one, mine in enumerate(blank):
        if all(_is_refuted(theirs, mine, seeds) for other, theirs in enumerate(blank) if other != one):
            return one
    return None


def _numbered(scrambler: Scrambler) -> NDArray[np.int64]:
    """`int64[count]`: a number for the seed of each keystream. A short register has few, which come twice."""
    seeds = scrambler.keystreams.seeds if isinstance(scrambler.keystreams, LfsrKeystreams) else ()
    _, numbers = np.unique(np.array(seeds, np.uint64), return_inverse=True)
    return numbers.astype(np.int64)


def _is_refuted(mine: NDArray[np.bool_], theirs: NDArray[np.bool_], seeds: NDArray[np.int64]) -> bool:
    """Whether pages are blank under another scrambler more often than accident has it, if this one is right.

    Args:
        mine: `bool[pages]`, blank under this scrambler.
        theirs: `bool[pages]`, blank under the other one.
        seeds: `int64[pages]`, the seed of each, numbered. All pages under one may hold the same: they are one witness.
    """
    count = int(seeds.max(initial=-1)) + 1
    more = np.bincount(seeds[theirs & ~mine], minlength=count) - np.bincount(seeds[mine & ~theirs], minlength=count)
    return log10_tail(int((more != 0).sum()), int((more > 0).sum()), ACCIDENT) < CONVINCING


def _blank(
    masks: list[NDArray[np.uint8]], layout: PageLayout, pages: NDArray[np.uint8], index: NDArray[np.int64]
) -> list[NDArray[np.bool_]]:
    """For each of some masks, `uint8[count, page_bytes]`, the pages in which all bytes in question are blank.

    Returns:
        `bool[pages]` each: those bytes lie in blank stretches, and have the value of them.
    """
    columns = data_columns(layout)
    asked = np.any([mask != masks[0] for mask in masks], axis=(0, 1))[columns]
    inside, outside = np.flatnonzero(asked), np.flatnonzero(~asked)
    nearest = np.argsort(np.abs(outside - inside[:, None]), axis=1, kind="stable")[:, :BESIDE]
    near, at = columns[outside[nearest]], columns[inside]
    beside = pages[:, near] ^ masks[0][index[:, None, None], near]
    value = beside[:, :, 0]
    around = (beside == value[:, :, None]).all(axis=(1, 2))
    return [around & ((pages[:, at] ^ mask[index[:, None], at]) == value).all(axis=1) for mask in masks]
