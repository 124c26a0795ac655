"""How pages of chips and planes follow one another, once pages can be decoded.

The code and the keystream are the same for pages in any order, and so is what each block says of itself; only the disk
that comes out differs. So every interleave that is thought of makes a trial disk, and the consistency of its volumes
decides: tables that agree with their copies, chains that end, directories that know their parents, files that begin as
their names promise. All of these cross page borders. A wrong order seldom leaves the first sector where it belongs, so
most trials end with it.

What the metadata say narrows the trials: where blocks carry logical numbers, each unit counts for itself (the blocks
of a group have equal numbers) or all count together (consecutive ones). Blocks 2k and 2k + 1 of a chip with two planes
that are written together carry the same metadata, so that the size of a block is seen as twice of what it is: halves
and quarters of it are tried with two and four planes.

The place of a page is beyond doubt only where the best hypothesis leads by `LEAD` bits before every other that would
put a page elsewhere, and most of what the volumes promise holds; otherwise the recipe says so, and no sector is called
exact.
"""

import hashlib
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from deadstick.files.judge import Consistency
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.block_size import SURE_CHANCE, BlockSize
from deadstick.solve.evidence import Finding, Rival
from deadstick.solve.find_translation import (
    SURE_VOLUME,
    FoundTranslation,
    complemented,
    consistency,
    suggested,
    translated,
    with_block_size,
)
from deadstick.solve.geometry import PAGES_PER_BLOCK
from deadstick.solve.interleave_orders import PLANES, Chips, common_orders, orders, successions
from deadstick.solve.numbering import BlockMetadata
from deadstick.solve.placed_blocks import block_metadata, placed_blocks
from deadstick.solve.trial_disk import PageCache

WHOLE_SHARE = 0.97
"""Share of a volume's facts that hold where nothing is out of place; bit errors spoil a few."""
FEWEST_SHARE = 0.9
"""Share of the facts that must hold for a spread over chips or planes to be beyond doubt."""
LEAD = 32.0
"""Bits by which the best hypothesis must lead for its order to be beyond doubt; and at least this share of its own:"""
LEAD_SHARE = 0.1
FEWEST_NUMBERS = 8
"""Different logical numbers of a unit that it takes to tell them from versions."""
STEADY_SHARE = 0.9
"""Share of the blocks in which a byte must be the same to belong to the block, or to be a mere filling."""
MOST_SIZED = 2
"""Chips up to which all sizes of a block are tried with several planes where nothing tells the size."""
MOST_FIELDS = 2
"""Fields for the logical number that are tried with every interleave."""


@dataclass(frozen=True)
class FoundInterleave:
    """The interleave, and those that lost.

    Attributes:
        translation: the whole recipe, with what speaks for its translation.
        score: bits by which the volumes are consistent.
        share: of the facts about them that hold.
        lead: bits before the next hypothesis that would put pages elsewhere.
        tried: hypotheses that were judged.
        rivals: (description, bits) of the others, the best first.
    """

    translation: FoundTranslation
    score: float
    share: float
    lead: float
    tried: int
    rivals: tuple[tuple[str, float], ...] = ()

    @property
    def finding(self) -> Finding:
        """In words and figures."""
        interleave = self.translation.recipe.interleave
        answer = interleave.describe()
        given = [dump for chip in interleave.chip_order for dump in interleave.chips[chip]]
        if given != sorted(given) and interleave.numbers == "own":
            answer += f"; the dumps were given in another order, theirs is {', '.join(map(str, given))}"
        figure = f"volumes consistent by {self.score:.0f} bits; {self.share:.1%} of what they promise holds"
        if self.tried > 1:
            figure += f"; {self.lead:.0f} bits before the next of {self.tried} hypotheses"
        meaning = "in a wrong order tables differ from their copies, chains break and files begin with other content"
        rivals = tuple(Rival(line, f"volumes consistent by {score:.0f} bits") for line, score in self.rivals)
        chance = -max(0.0, min(self.score, self.lead)) * math.log10(2)
        return Finding("interleave", answer, figure, chance if self.score > 0 else None, rivals, meaning)


@dataclass(frozen=True)
class _Trial:
    """One whole hypothesis that was judged.

    Attributes:
        score: bits of consistency.
        recipe: complete.
        order: names the order in which it takes the pages; equal for equal orders.
    """

    score: float
    recipe: Recipe
    order: bytes

    def describe(self) -> str:
        """In words, with the block where another one was tried as well."""
        blocks = f"{self.recipe.pages_per_block} pages a block"
        return f"{self.recipe.interleave.describe()}; {blocks}; {self.recipe.translation.describe()}"


def find_interleave(
    space: PageSpace, plain: FoundTranslation, period: int, hint: int | None, progress: Progress
) -> FoundInterleave:
    """Find the order of pages over chips and planes.

    The recipe says so where the order is not beyond doubt. One chip whose volumes nobody recognises is left as it is.

    Args:
        space: the pages of all chips.
        plain: the translation that was found with chips one after another and no planes.
        period: pages after which the keystream comes again; 0 for none.
        hint: pages per block that the user knows.
        progress: told about every hypothesis.

    Returns:
        `plain` itself where nothing else is better.
    """
    base = _judge(space, plain.recipe, PageCache(), block_metadata(space, plain.recipe))
    share = base[1].share
    # A volume that begins with the second of two chips is as good as whole until its end: several are always tried.
    if len(space.chips) == 1 and base[0].score >= SURE_VOLUME and share >= WHOLE_SHARE:
        return FoundInterleave(plain, base[0].score, share, base[0].score, 1)
    trials = list(_trials(space, plain, period, hint, progress))
    best = max([base[0], *trials], key=lambda trial: trial.score)  # of equals the first, which is the simplest
    if best is not base[0]:
        size = _size(plain.block, best.recipe.pages_per_block)
        again = translated(space, replace(best.recipe, translation=IDENTITY), size, progress)
        # The search over all fields may find a better version than the first that came to mind.
        if again.volume_score >= best.score:
            plain = again
        else:
            plain = FoundTranslation(best.recipe, size, again.numbering, best.score, again.rivals, again.is_anchored)
        best, checks = _judge(space, plain.recipe, PageCache(), block_metadata(space, plain.recipe))
        share = checks.share
    others = [trial for trial in [base[0], *trials] if trial.order != best.order and _spread(trial) != _spread(best)]
    others.sort(key=lambda trial: -trial.score)
    lead = best.score - max((trial.score for trial in others if not _is_shifted(trial, best)), default=0.0)
    rivals = tuple((trial.describe(), trial.score) for trial in others[:6])
    sure = best.score >= SURE_VOLUME and lead >= max(LEAD, LEAD_SHARE * best.score)
    if not best.recipe.interleave.is_none:
        # Damage spoils facts too, and few blocks number themselves by accident. One chip whose pages stay as they are
        # gets the benefit of these doubts.
        space = PageSpace.of(space, plain.recipe.pages_per_block)
        sure &= share >= FEWEST_SHARE and _is_numbered(plain, block_metadata(space, plain.recipe))
    if not sure and (len(space.chips) > 1 or best.score >= SURE_VOLUME):
        interleave = replace(plain.recipe.interleave, sure=False)
        plain = replace(plain, recipe=replace(plain.recipe, interleave=interleave))
    return FoundInterleave(plain, best.score, share, lead, 1 + len(trials), rivals)


def _trials(
    space: PageSpace, plain: FoundTranslation, period: int, hint: int | None, progress: Progress
) -> Iterator[_Trial]:
    """Every hypothesis but the plain one, judged; complemented data only where nothing else makes a volume."""
    chips = plain.recipe.interleave.chips
    for complement in (False, True):
        best = 0.0
        base = complemented(plain.recipe) if complement else plain.recipe
        cache = PageCache()
        # A keystream may come again after fewer or more pages than a block has: it does not tell the block.
        is_tied = plain.recipe.scrambler is not None and not period
        is_given = hint is not None or is_tied
        is_known = is_given or plain.block.log10_chance is not None
        for size, planes in _splits(plain.block.pages, len(chips), is_known=is_known, is_given=is_given):
            recipe = replace(with_block_size(base, size, period), translation=IDENTITY)
            blocks = PageSpace.of(space, size)
            metadata = block_metadata(blocks, recipe)
            is_whole = False
            for number, whole in enumerate(_hypotheses(blocks, recipe, metadata, chips, planes)):
                progress("interleave", number, number + 1)
                trial, found = _judge(blocks, whole, cache, metadata)
                best = max(best, trial.score)
                is_whole |= trial.score >= SURE_VOLUME and found.share >= WHOLE_SHARE
                yield trial
            if is_whole:
                return
        if best >= SURE_VOLUME or base.code is None:
            return


def _hypotheses(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, chips: Chips, planes: int
) -> Iterator[Recipe]:
    """Whole recipes with a block size and a number of planes, the simplest first."""
    for group in (orders(chips, planes), common_orders(chips, planes), successions(chips) if planes == 1 else ()):
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
            for versioned in firsts:
                yield replace(whole, translation=versioned.translation)
            if not sure and not (interleave.numbers == "common" and interleave.by == "page"):
                yield whole


def _splits(pages: int, chips: int, *, is_known: bool, is_given: bool) -> Iterator[tuple[int, int]]:
    """(pages per block, planes) to be tried.

    Args:
        pages: in a block, as the metadata have it.
        chips: how many there are.
        is_known: something speaks for that size.
        is_given: the user does, or the keystreams go by such blocks.
    """
    for planes in PLANES:
        if chips * planes > 1:
            yield pages, planes
        if planes > 1 and not is_given and pages % planes == 0 and pages // planes >= PAGES_PER_BLOCK[0]:
            yield pages // planes, planes
    if is_known or chips > MOST_SIZED:
        return
    for size in _usual_sizes():
        for several in PLANES[1:]:
            if size not in {pages, pages // several}:
                yield size, several


def _usual_sizes() -> list[int]:
    """Blocks of two or three times a power of two pages."""
    sizes = sorted(odd << shift for odd in (2, 3) for shift in range(10))
    return [size for size in sizes if PAGES_PER_BLOCK[0] <= size <= PAGES_PER_BLOCK[1]]


def _judge(space: PageSpace, recipe: Recipe, cache: PageCache, metadata: BlockMetadata) -> tuple[_Trial, Consistency]:
    space = PageSpace.of(space, recipe.pages_per_block)
    found = consistency(space, recipe, metadata, cache)
    return _Trial(found.score, recipe, _order(space, recipe, metadata)), found


def _is_numbered(found: FoundTranslation, metadata: BlockMetadata) -> bool:
    """Whether the logical number is beyond doubt, or there is none.

    A version, too, takes a handful of values from 1 on. And bytes that are the same in a block and differ between
    blocks say that there is a mapping, even where too few blocks tell which.
    """
    number = found.numbering
    if number is not None:
        return number.log10_chance < SURE_CHANCE and number.score >= FEWEST_NUMBERS
    if not len(metadata.blocks):
        return True
    steady = (metadata.changing == 0).mean(axis=0) >= STEADY_SHARE
    first = metadata.first_good
    usual = np.array([np.bincount(column).max() for column in first.T]) / len(first)
    return not (steady & (usual < STEADY_SHARE)).any()


def _is_shifted(one: _Trial, other: _Trial) -> bool:
    """Whether both put whole chips one after another: then the same pages stand side by side."""
    spreads = one.recipe.interleave, other.recipe.interleave
    return all(spread.numbers == "common" and spread.by == "block" for spread in spreads)


def _spread(trial: _Trial) -> tuple[Interleave, int]:
    return trial.recipe.interleave, trial.recipe.pages_per_block


def _order(space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> bytes:
    """Names where a hypothesis takes each logical page from."""
    physical, size = placed_blocks(space, recipe, metadata), recipe.pages_per_block
    rows = np.full(len(physical) * size, -1, np.int64)
    pages = recipe.interleave.pages_of_blocks(len(physical), size)
    held = np.flatnonzero(physical >= 0)
    rows[pages[held]] = physical[held, None] * size + np.arange(size)
    last = int(np.flatnonzero(rows >= 0).max(initial=-1))
    return hashlib.sha256(rows[: last + 1].tobytes()).digest()


def _size(block: BlockSize, pages: int) -> BlockSize:
    if pages == block.pages:
        return block
    figure = f"{block.figure}; the volumes say that {block.pages // pages} blocks go together"
    if block.pages % pages or block.pages < pages:
        figure = f"{block.figure}; the volumes are most consistent with {pages}"
    return BlockSize(pages, figure, block.log10_chance)
