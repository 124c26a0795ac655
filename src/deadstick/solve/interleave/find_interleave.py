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

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from deadstick.errors import HintError
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata
from deadstick.solve.blocks.block_size import SURE_CHANCE, BlockSize
from deadstick.solve.blocks.translation_trials import LEAD, LEAD_SHARE, SURE_VOLUME
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.common.evidence import Finding, Rival
from deadstick.solve.hints.hints import InterleaveHint
from deadstick.solve.interleave.interleave_trials import NOTHING_KNOWN, SpreadSearch, Trial, judged, trials
from deadstick.solve.translation.find_translation import FoundTranslation, translated

FEWEST_SHARE = 0.9
"""Share of the facts that must hold for a spread over chips or planes to be beyond doubt."""
FEWEST_NUMBERS = 8
"""Different logical numbers of a unit that it takes to tell them from versions."""
STEADY_SHARE = 0.9
"""Share of the blocks in which a byte must be the same to belong to the block, or to be a mere filling."""


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


def find_interleave(search: SpreadSearch) -> FoundInterleave:
    """Find the order of pages over chips and planes.

    The recipe says so where the order is not beyond doubt. One chip whose volumes nobody recognises is left as it is.

    Args:
        search: what is known before; nothing else than what the user knows is taken.

    Returns:
        The plain translation itself where nothing else is better.

    Raises:
        HintError: what the user knows is contradicted by the volumes.
    """
    space, plain, known = search.space, search.plain, search.known
    fits = known.fits(plain.recipe.interleave)
    # A volume that begins with the second of two chips is as good as whole until its end: several are always tried.
    if len(space.chips) == 1 and fits:
        alone = judged(space, plain.recipe, PageCache(), block_metadata(space, plain.recipe, with_cut=True))
        if alone.is_whole:
            return FoundInterleave(plain, alone.score, alone.share, alone.score, 1)
    base = judged(space, plain.recipe, PageCache(), block_metadata(space, plain.recipe))
    tried = [base, *trials(search)]
    mine = tried if fits else tried[1:]
    best = max(mine, key=lambda trial: trial.score)  # of equals the first, which is the simplest
    if known != NOTHING_KNOWN:
        tried += [trial for trial in _against(search, best) if not known.fits(trial.spread[0])]
        _refuse(known, best, tried)
    if best is not base:
        size = _size(plain.block, best.recipe.pages_per_block)
        again = translated(space, replace(best.recipe, translation=IDENTITY), size, search.progress)
        # The search over all fields may find a better version than the first that came to mind.
        if again.volume_score >= best.score:
            plain = again
        else:
            plain = FoundTranslation(best.recipe, size, again.numbering, best.score, again.rivals, again.is_anchored)
        best = judged(space, plain.recipe, PageCache(), block_metadata(space, plain.recipe))
    others = [trial for trial in tried if trial.order != best.order and trial.spread != best.spread]
    others.sort(key=lambda trial: -trial.score)
    lead = best.score - max((trial.score for trial in others if not _is_shifted(trial, best)), default=0.0)
    rivals = tuple((trial.describe(), trial.score) for trial in others[:6])
    sure = best.score >= SURE_VOLUME and lead >= max(LEAD, LEAD_SHARE * best.score)
    # What the user knows may come second; it is taken, and not proven.
    sure &= all(best.score >= trial.score for trial in others)
    if not best.recipe.interleave.is_none:
        # Damage spoils facts too, and few blocks number themselves by accident. One chip whose pages stay as they are
        # gets the benefit of these doubts.
        space = PageSpace.of(space, plain.recipe.pages_per_block)
        sure &= best.share >= FEWEST_SHARE and _is_numbered(plain, block_metadata(space, plain.recipe))
    if not sure and (len(space.chips) > 1 or best.score >= SURE_VOLUME):
        interleave = replace(plain.recipe.interleave, sure=False)
        plain = replace(plain, recipe=replace(plain.recipe, interleave=interleave))
    return FoundInterleave(plain, best.score, best.share, lead, len(tried), rivals)


def _against(search: SpreadSearch, best: Trial) -> Iterator[Trial]:
    """What the best of the hypotheses that the user leaves is held against.

    If nothing is out of place under it, that is every other order with as many planes; else every hypothesis.
    """
    if not best.is_whole:
        yield from trials(replace(search, known=NOTHING_KNOWN))
        return
    size = best.recipe.pages_per_block
    near = replace(search.plain, block=_size(search.plain.block, size))
    planes = InterleaveHint(planes=best.recipe.interleave.planes)
    yield from trials(replace(search, plain=near, hint=size, known=planes))


def _refuse(known: InterleaveHint, best: Trial, tried: Sequence[Trial]) -> None:
    """Refuse what the user knows if another hypothesis is ahead as far as it must be to count as proven.

    A few facts of a volume may speak for the wrong one of two copies, so small differences refuse nothing.
    """
    top = max(tried, key=lambda trial: trial.score)
    is_ahead = top.score - best.score >= max(LEAD, LEAD_SHARE * top.score)
    is_clear = top.share >= FEWEST_SHARE or 2 * best.score < top.score
    if top.score >= SURE_VOLUME and is_ahead and is_clear and top.order != best.order:
        raise HintError(
            f"the interleave of the recipe file ({known.describe()}) does not fit: volumes are consistent by "
            f"{best.score:.0f} bits under it, and by {top.score:.0f} bits under {top.recipe.interleave.describe()}"
        )


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


def _is_shifted(one: Trial, other: Trial) -> bool:
    """Whether both put whole chips one after another: then the same pages stand side by side."""
    spreads = one.recipe.interleave, other.recipe.interleave
    return all(spread.numbers == "common" and spread.by == "block" for spread in spreads)


def _size(block: BlockSize, pages: int) -> BlockSize:
    if pages == block.pages:
        return block
    figure = f"{block.figure}; the volumes say that {block.pages // pages} blocks go together"
    if block.pages % pages or block.pages < pages:
        figure = f"{block.figure}; the volumes are most consistent with {pages}"
    return BlockSize(pages, figure, block.log10_chance)
