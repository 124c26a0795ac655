"""The interleaves that come into question, each judged by the volumes on the disk that it makes."""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY, Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata
from deadstick.solve.blocks.block_size import SURE_CHANCE
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.translation_trials import SURE_VOLUME, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.hints.hints import InterleaveHint
from deadstick.solve.interleave.interleave_orders import groups_of, planes_of
from deadstick.solve.page_size.geometry import PAGES_PER_BLOCK
from deadstick.solve.translation.complements import complemented
from deadstick.solve.translation.every_trial import suggested
from deadstick.solve.translation.find_translation import FoundTranslation, with_block_size

WHOLE_SHARE = 0.97
"""Share of a volume's facts that hold where nothing is out of place; bit errors spoil a few."""
MOST_SIZED = 2
"""Chips up to which all sizes of a block are tried with several planes where nothing tells the size."""
MOST_FIELDS = 2
"""Fields for the logical number that are tried with every interleave."""
MISSING, DIVIDED_CHANCE = 0.3, -3.0
"""Share of the numbers of a unit that another one may lack, where each counts for itself; and the logarithm of the
chance from which on more are missing."""
NOTHING_KNOWN = InterleaveHint()


@dataclass(frozen=True)
class Trial:
    """One whole hypothesis that was judged.

    Attributes:
        score: bits of consistency.
        share: of the facts about the volumes that hold.
        recipe: complete.
        order: names the order in which it takes the pages; equal for equal orders.
    """

    score: float
    share: float
    recipe: Recipe
    order: bytes

    @property
    def is_whole(self) -> bool:
        """Whether nothing of what its volumes promise is out of place."""
        return self.score >= SURE_VOLUME and self.share >= WHOLE_SHARE

    @property
    def spread(self) -> tuple[Interleave, int]:
        """The interleave, and the block that it goes by."""
        return self.recipe.interleave, self.recipe.pages_per_block

    def describe(self) -> str:
        """In words, with the block where another one was tried as well."""
        blocks = f"{self.recipe.pages_per_block} pages a block"
        return f"{self.recipe.interleave.describe()}; {blocks}; {self.recipe.translation.describe()}"


@dataclass(frozen=True, eq=False)
class SpreadSearch:
    """What a search for the order of pages over chips and planes starts from.

    Attributes:
        space: the pages of all chips.
        plain: the translation that was found with chips one after another and no planes.
        period: pages after which the keystream comes again; 0 for none.
        hint: pages per block that the user knows.
        progress: told about every hypothesis.
        known: of the interleave, by the user.
    """

    space: PageSpace
    plain: FoundTranslation
    period: int
    hint: int | None
    progress: Progress
    known: InterleaveHint = NOTHING_KNOWN


def trials(search: SpreadSearch) -> Iterator[Trial]:
    """Every hypothesis but the plain one, judged; complemented data only where nothing else makes a volume.

    Args:
        search: hypotheses that say something else than what is known are left out.
    """
    space, plain, period, known = search.space, search.plain, search.period, search.known
    chips = plain.recipe.interleave.chips
    for complement in (False, True):
        best = 0.0
        base = complemented(plain.recipe) if complement else plain.recipe
        cache = PageCache()
        # A keystream may come again after fewer or more pages than a block has: it does not tell the block.
        is_tied = plain.recipe.scrambler is not None and not period
        is_given = search.hint is not None or is_tied
        is_known = is_given or plain.block.log10_chance is not None
        for size, planes in _splits(
            plain.block.pages, len(chips), planes_of(known), is_known=is_known, is_given=is_given
        ):
            recipe = replace(with_block_size(base, size, period), translation=IDENTITY)
            # The rest of a block that is cut short has facts of its own where blocks are smaller: no fair comparison.
            whole_ones = space.in_whole_blocks(plain.block.pages) if size < plain.block.pages else space
            blocks = PageSpace.of(whole_ones, size)
            metadata = block_metadata(blocks, recipe)
            is_whole = False
            for number, whole in enumerate(_hypotheses(blocks, recipe, metadata, groups_of(known, chips, planes))):
                search.progress("interleave", number, number + 1)
                trial = judged(blocks, whole, cache, metadata)
                best = max(best, trial.score)
                is_whole |= trial.is_whole
                yield trial
            if is_whole:
                return
        if best >= SURE_VOLUME or base.code is None:
            return


def _hypotheses(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, groups: Iterable[Iterable[Interleave]]
) -> Iterator[Recipe]:
    """Whole recipes with a block size and a number of planes, the simplest first.

    Args:
        space: the pages of all chips.
        recipe: with the block size.
        metadata: of its blocks.
        groups: interleaves; those of one group count blocks alike.
    """
    for group in groups:
        for number, interleave in enumerate(group):
            whole = replace(recipe, interleave=interleave)
            if number == 0:
                # Which bytes number the blocks does not depend on the order of the units.
                found = suggested(space, whole, metadata)
                fields = dict.fromkeys(versioned.translation.logical_number for versioned, _ in found)
                firsts = [next(v for v, _ in found if v.translation.logical_number == field) for field in fields][
                    :MOST_FIELDS
                ]
                sure = any(item is not None and item.log10_chance < SURE_CHANCE for _, item in found)
                if interleave.numbers == "own":
                    firsts = [one for one in firsts if not _are_divided(one.translation, whole, space, metadata)]
            for versioned in firsts:
                yield replace(whole, translation=versioned.translation)
            if not sure and not (interleave.numbers == "common" and interleave.by == "page"):
                yield whole


def _are_divided(translation: Translation, recipe: Recipe, space: PageSpace, metadata: BlockMetadata) -> bool:
    """Whether the numbers of a translation are divided among the units of an interleave."""
    number = translation.logical_number
    if number is None or recipe.interleave.ways < 2:
        return False
    values = number.read(metadata.first_good)
    inside = values < len(metadata.blocks)
    units = recipe.interleave.slots(space.chip_of_block, space.own_block)[metadata.blocks]
    return is_divided(values[inside], units[inside])


def is_divided(numbers: NDArray[np.int64], units: NDArray[np.int64]) -> bool:
    """Whether numbers are divided among units, so that no unit can have counted for itself.

    Where each counts for itself the blocks of a group have one number, and hardly a number of one unit is missing in
    another, if not for a dump that was cut short. Where all count together it is there twice for old copies alone.

    Args:
        numbers: `int64[blocks]`.
        units: `int64[blocks]`, of each block.

    >>> is_divided(np.arange(40), np.arange(40) % 2), is_divided(np.arange(40) // 2, np.arange(40) % 2)
    (True, False)
    """
    if not units.any():
        return False
    *_, some, most = sorted((np.unique(numbers[units == unit]) for unit in range(int(units.max()) + 1)), key=len)
    missing = len(some) - len(np.intersect1d(some, most))
    return log10_tail(len(some), missing, MISSING) < DIVIDED_CHANCE


def _splits(
    pages: int, chips: int, several: Sequence[int], *, is_known: bool, is_given: bool
) -> Iterator[tuple[int, int]]:
    """(pages per block, planes) to be tried.

    Args:
        pages: in a block, as the metadata have it.
        chips: how many there are.
        several: numbers of planes that come into question.
        is_known: something speaks for that size.
        is_given: the user does, or the keystreams go by such blocks.
    """
    for planes in several:
        if chips * planes > 1:
            yield pages, planes
        if planes > 1 and not is_given and pages % planes == 0 and pages // planes >= PAGES_PER_BLOCK[0]:
            yield pages // planes, planes
    if is_known or chips > MOST_SIZED:
        return
    for size in _usual_sizes():
        for planes in several:
            if planes > 1 and size not in {pages, pages // planes}:
                yield size, planes


def _usual_sizes() -> list[int]:
    """Blocks of two or three times a power of two pages."""
    sizes = sorted(odd << shift for odd in (2, 3) for shift in range(10))
    return [size for size in sizes if PAGES_PER_BLOCK[0] <= size <= PAGES_PER_BLOCK[1]]


def judged(space: PageSpace, recipe: Recipe, cache: PageCache, metadata: BlockMetadata) -> Trial:
    """A whole hypothesis with what its volumes say for it."""
    space = PageSpace.of(space, recipe.pages_per_block)
    found = consistency(space, recipe, metadata, cache)
    return Trial(found.score, found.share, recipe, _order(space, recipe, metadata))


def _order(space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> bytes:
    """Names where a hypothesis takes each logical page from."""
    physical, size = placed_blocks(space, recipe, metadata), recipe.pages_per_block
    rows = np.full(len(physical) * size, -1, np.int64)
    pages = recipe.interleave.pages_of_blocks(len(physical), size)
    held = np.flatnonzero(physical >= 0)
    rows[pages[held]] = physical[held, None] * size + np.arange(size)
    last = int(np.flatnonzero(rows >= 0).max(initial=-1))
    return hashlib.sha256(rows[: last + 1].tobytes()).digest()
