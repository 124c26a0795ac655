"""Pages in a block, from where metadata bytes change, or from erased pages."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.page_size.geometry import DATA_SIZES, PAGES_PER_BLOCK

METADATA_BYTES = 32 << 20
DEFAULT_PAGES_PER_BLOCK = 64
SURE_CHANCE = -6.0
TWICE_CHANCE = -4.0
"""Logarithm of the chance below which blocks are several times as long as the keystreams' period."""
LONG_CHANCE = -3.0
"""The same, for blocks of more pages than any has, whose pages may be parts of pages."""
FEWEST_CHANGES = 3
ALIGNED_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class BlockSize:
    """Pages in a block, with what speaks for it."""

    pages: int
    figure: str
    log10_chance: float | None


def block_size(pages: NDArray[np.uint8], recipe: Recipe, period: int) -> BlockSize:
    """Pages in a block, from where metadata bytes change.

    A byte that belongs to the block as a whole changes only at block borders; changes at random places would be
    multiples of d with the chance 1/d each. Bytes outside the code's cover may change by a bit error here and there.
    A byte that counts pages and changes in steps belongs to no block.
    """
    most = min(len(pages), METADATA_BYTES // recipe.layout.page_bytes)
    batch = recipe.decode(pages[:most], np.arange(most, dtype=np.int64))
    good = np.asarray((batch.errors >= 0).all(axis=1))
    if recipe.scrambler is not None:
        # Under an unknown keystream nothing is read of the metadata that it covers.
        under = recipe.scrambler.index(np.arange(most, dtype=np.int64), recipe.pages_per_block)
        good &= ~recipe.scrambler.keystreams.unknown[under]
    starts = np.flatnonzero(batch.erased[:-1] & ~batch.erased[1:]) + 1
    seen: list[tuple[BlockSize, int]] = []
    # A page of one codeword may be a part of one of several, and a block have that many times as many.
    times = DATA_SIZES[-1] // recipe.layout.data_bytes if len(recipe.layout.codewords) == 1 else 1
    for column in range(batch.metadata.shape[1]):
        changes = _changes(batch.metadata[:, column], good)
        # Where blocks between written ones are erased, few borders show by a change; the others show by that.
        borders = np.union1d(changes, starts) if len(changes) else changes
        found = _common_step(changes, times) or _common_step(borders, times)
        if found is not None:
            seen.append((found, column))
    seen.sort(key=lambda item: item[0].log10_chance or 0.0)
    counts_up = {column: _counts_up(batch.metadata[:, column], good) for _, column in seen}
    for found, column in seen:
        longer = {other.pages for other, at in seen if _is_longer(other, found) and not counts_up[at]}
        if not any(_counts_pages(batch.metadata[:, column], good, size) for size in longer):
            return found
    return _without_metadata(batch.erased, period)


def agreed(hint: int, seen: BlockSize) -> BlockSize:
    """The user's block size, unless the metadata contradict it.

    Raises:
        HintError: they do.
    """
    if hint != seen.pages and (seen.log10_chance or 0.0) < SURE_CHANCE:
        raise HintError(f"{hint} pages per block do not fit the dump: {seen.figure}")
    return BlockSize(hint, f"given by the user; {seen.figure}", seen.log10_chance)


def tied(recipe: Recipe, seen: BlockSize) -> BlockSize:
    """The block size that the keystreams go by."""
    size = recipe.pages_per_block
    return BlockSize(size, f"the keystreams go by blocks of {size} pages; {seen.figure}", seen.log10_chance)


def is_mere_period(recipe: Recipe, seen: BlockSize) -> bool:
    """Whether keystreams that begin anew with every block do so after some pages, with no regard to blocks.

    The metadata tell: they change at the borders of blocks of another size.
    """
    scrambler = recipe.scrambler
    if scrambler is None or scrambler.block_step or (seen.log10_chance or 0.0) >= SURE_CHANCE:
        return False
    times, rest = divmod(seen.pages, recipe.pages_per_block)
    # Of a multiple the metadata must change too often for every change to fall on one by accident.
    changes = -(seen.log10_chance or 0.0) / np.log10(seen.pages)
    return bool(rest or (times > 1 and -changes * np.log10(times) < TWICE_CHANCE))


def as_period(recipe: Recipe) -> tuple[Recipe, int]:
    """The same keystreams, one for every page of what was taken for a block, and their period."""
    scrambler, period = recipe.scrambler, recipe.pages_per_block
    if scrambler is None:
        return recipe, 0
    numbers = [scrambler.page_step * place % scrambler.keystreams.count for place in range(period)]
    return replace(
        recipe, scrambler=replace(scrambler, keystreams=scrambler.keystreams.take(numbers), page_step=1)
    ), period


def _changes(values: NDArray[np.uint8], good: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Pages at which a byte differs from that of the good page right before.

    A byte that is another in a single page, and the old one again in the next, is a bit error where no code covers it.
    """
    values = values.copy()
    odd = np.flatnonzero((values[1:-1] != values[:-2]) & (values[2:] == values[:-2])) + 1
    values[odd] = values[odd - 1]
    both = good[1:] & good[:-1]
    changes = np.flatnonzero(both & (values[1:] != values[:-1])) + 1
    # Borders do not follow each other: a block that was written in another way changes at every page.
    near = np.diff(changes) == 1
    in_a_row = np.zeros(len(changes), np.bool_)
    in_a_row[1:] |= near
    in_a_row[:-1] |= near
    alone: NDArray[np.int64] = changes[~in_a_row]
    return alone


def _is_longer(other: BlockSize, found: BlockSize) -> bool:
    """Whether a byte shows blocks of several smaller ones each, of no more pages than any has, beyond accident."""
    times, rest = divmod(other.pages, found.pages)
    return times > 1 and not rest and other.pages <= PAGES_PER_BLOCK[1] and (other.log10_chance or 0.0) < SURE_CHANCE


def _counts_up(values: NDArray[np.uint8], good: NDArray[np.bool_]) -> bool:
    """Whether a byte may go up by one at every change, whatever constant its keystream leaves on it.

    It may be the high part of numbers of blocks in order then: their low part comes again with each value of the high
    one, and looks like a count of pages in a longer block.
    """
    changes = _changes(values, good)
    steps = values[changes] ^ values[changes - 1]
    return bool((steps & (steps + 1) == 0).all())  # v ^ (v + 1) is a row of ones at the low end


def _counts_pages(values: NDArray[np.uint8], good: NDArray[np.bool_], size: int) -> bool:
    """Whether a byte that changes inside blocks has the same values at the same places of all of them.

    A high byte of the page's number does. So does a low one under a table of keystreams that is known but for a
    constant each: the part of the number that goes by the keystream is taken for the keystream's own. One change that
    the place does not tell is enough against it: numbers of blocks that lie in order but for a few look much the same.
    """
    changes = _changes(values, good)
    inside = changes[changes % size != 0]
    usual = np.zeros(size, np.uint8)
    for place in np.union1d(inside % size, inside % size - 1).tolist():
        usual[place] = np.bincount(values[place::size][good[place::size]], minlength=1).argmax()
    # Equal on both sides of a change, the usual values would tell none of it.
    told = (values[inside] == usual[inside % size]) & (values[inside - 1] == usual[inside % size - 1])
    return len(inside) > 0 and bool(told.all())


def _common_step(places: NDArray[np.int64], times: int = 1) -> BlockSize | None:
    """The largest number of which nearly all places are multiples; one that no block has, only beyond accident."""
    if len(places) < FEWEST_CHANGES:
        return None
    needed = max(FEWEST_CHANGES, ALIGNED_SHARE * len(places))
    sizes = range(PAGES_PER_BLOCK[1], PAGES_PER_BLOCK[0] - 1, -1)
    usual = next((size for size in sizes if (places % size == 0).sum() >= needed), None)
    if usual is None:
        return None
    longer = range(times * PAGES_PER_BLOCK[1] // usual * usual, PAGES_PER_BLOCK[1], -usual)
    size = next((size for size in longer if _is_beyond_accident(places, size, needed)), usual)
    fitting = int((places % size == 0).sum())
    figure = f"a metadata byte changes at {len(places)} pages, {fitting} of them multiples of {size}"
    return BlockSize(size, figure, log10_tail(len(places), fitting, 1 / size))


def _is_beyond_accident(places: NDArray[np.int64], size: int, needed: float) -> bool:
    """Whether more places are multiples of a size than borders of blocks of a half or a third of it would be."""
    fitting = int((places % size == 0).sum())
    least = next(part for part in range(2, size + 1) if size % part == 0)
    return fitting >= needed and log10_tail(len(places), fitting, 1 / least) < LONG_CHANCE


def _without_metadata(erased: NDArray[np.bool_], period: int) -> BlockSize:
    starts = np.flatnonzero(erased[:-1] & ~erased[1:]) + 1  # pages are programmed from a block's first page on
    common = int(np.gcd.reduce(starts, initial=0))
    if PAGES_PER_BLOCK[0] <= period <= PAGES_PER_BLOCK[1]:
        return BlockSize(period, f"the keystream comes again after {period} pages", None)
    if len(starts) >= 3 and common >= PAGES_PER_BLOCK[0]:
        size = common
        while size > PAGES_PER_BLOCK[1]:
            size //= 2
        figure = f"written pages begin after erased ones at {len(starts)} places, all multiples of {common} pages"
        return BlockSize(size, figure, -len(starts) * float(np.log10(size)))
    return BlockSize(DEFAULT_PAGES_PER_BLOCK, "nothing tells; it changes nothing where blocks are in order", None)
