"""Hypotheses on the translation, each judged by the volumes on the disk that it makes, and which of them is taken."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency, volume_consistency
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.block_size import SURE_CHANCE
from deadstick.solve.blocks.numbering import Numbering
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.trial_disk import CopiedDisk, PageCache, TrialDisk

SURE_VOLUME = 64.0
"""Bits of consistency above which the complement of the data need not be tried."""
CONTRADICTED = 0.1
"""Share of what volumes promise by which blocks in the order of the chip must not keep less than numbered ones."""
TIED_SHARE = 0.002
"""Shares of what volumes promise that differ by less are no reason to turn a count round: an older state of a disk may
hold a little better, if the newest was never finished."""
PROVEN_SHARE = 0.01
"""The same, where the copies prove the order by themselves: of a volume of which a part is missing, as of a dump that
ends early, files lie in lost blocks under any order, and more of them under one than under another."""
CONFIRMED_SHARE = 0.9
"""Share of what volumes promise that holds where numbers that were told but for a constant are the right ones."""

LEAD, LEAD_SHARE = 32.0, 0.1
"""Bits by which the best hypothesis must lead before every other that puts pages elsewhere for its places to be beyond
doubt; and at least this share of its own."""


def consistency(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, cache: PageCache, *, oldest: bool = False
) -> Consistency:
    """How consistent the volumes are that a whole recipe makes.

    Args:
        space: the pages of all chips.
        recipe: the hypothesis.
        metadata: of all written blocks; of one that the dump ends in, an older copy has the pages behind the end.
        cache: of pages that were decoded for recipes with the same code and scrambler.
        oldest: take the copy with the lowest version of each block instead of the highest.
    """
    physical, behind = _placed(space, recipe, metadata, oldest=oldest)
    return volume_consistency(TrialDisk(space, recipe, physical, cache, behind))


def _placed(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, *, oldest: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
    """Where each block of the disk lies, and its pages behind the end of the dump; see `TrialDisk`."""
    physical = placed_blocks(space, recipe, metadata, oldest=oldest)
    whole = (metadata.blocks + 1) * recipe.pages_per_block <= len(space)
    return physical, None if whole.all() else placed_blocks(space, recipe, metadata.of(whole), oldest=oldest)


def is_no_better_backwards(space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> bool:
    """Whether the volumes are no better off with the oldest copy of each block than with the newest.

    What no copy of a block holds is asked of neither, see `CopiedDisk`, where blocks are not interleaved.

    Args:
        space: the pages of all chips.
        recipe: with number and version.
        metadata: of all written blocks.
    """
    number, cache = recipe.translation.logical_number, PageCache()
    if number is None or not recipe.interleave.is_none:
        newest, oldest = (consistency(space, recipe, metadata, cache, oldest=turned) for turned in (False, True))
        return oldest.share <= newest.share + TIED_SHARE
    copies: dict[int, list[int]] = {}
    for logical, block in zip(number.read(metadata.first_good).tolist(), metadata.blocks.tolist(), strict=True):
        copies.setdefault(logical, []).append(block)
    newest, oldest = (
        volume_consistency(CopiedDisk(space, recipe, physical, cache, behind, copies))
        for physical, behind in (_placed(space, recipe, metadata, oldest=turned) for turned in (False, True))
    )
    return oldest.share <= newest.share + TIED_SHARE


@dataclass(frozen=True)
class TranslationTrial:
    """A hypothesis that was judged.

    Attributes:
        score: bits by which the volumes are consistent under it.
        recipe: complete.
        numbering: what speaks for the logical number; None for the identity.
        share: of what the volumes promise that holds.
        counted: its version is a count in any case, see `versions.Versioned`, or proven otherwise.
        is_anchored: the volumes begin where the disk does or where a partition says.
        is_proven: the copies themselves show, beyond accident, that the version grows with time.
        follows_writes: the version also numbers all writes, in the order in which a host makes them; or so many copies
            show it that nothing else need.
    """

    score: float
    recipe: Recipe
    numbering: Numbering | None
    share: float = 0.0
    counted: bool = False
    is_anchored: bool = True
    is_proven: bool = False
    follows_writes: bool = False

    @property
    def is_confirmed(self) -> bool:
        """Whether the volumes leave hardly a doubt of numbers that the metadata tell."""
        return self.numbering is not None and self.score >= SURE_VOLUME and self.share >= CONFIRMED_SHARE

    def is_in_order(self, bare: Consistency) -> bool:
        """Whether versions put copies in an order that is worth more than what `bare` makes without them.

        A block whose newest copy is lost comes from an older state than the rest, and there is no telling how much of
        the volume contradicts it. Copies taken in no order may all be of older states, and agree. So where nothing but
        the order of writing explains the numbers, what the volume holds is no argument.
        """
        has_version = self.recipe.translation.version is not None
        better = self.share >= bare.share - TIED_SHARE if self.counted else self.share > bare.share
        better |= self.follows_writes or (self.is_proven and self.share >= bare.share - PROVEN_SHARE)
        return has_version and self.score >= SURE_VOLUME and better

    def with_version(self, recipe: Recipe, found: Consistency) -> "TranslationTrial":
        """The same numbers with a version that was told but for a constant.

        It is taken before this one, although an older state of the disk may have more facts to count: so its score is
        the higher one whatever the volumes say.

        Args:
            recipe: with the version, and the constant in its metadata.
            found: how consistent the volumes are under it.
        """
        score = max(self.score, found.score) + 1
        return TranslationTrial(score, recipe, self.numbering, found.share, is_anchored=found.is_anchored)

    def __lt__(self, other: "TranslationTrial") -> bool:
        return self.score < other.score

    def describe(self) -> str:
        """Its translation, in words."""
        code = self.recipe.code
        return self.recipe.translation.describe() + (", complemented" if code and code.inverted else "")


def best_of(judged: list[TranslationTrial]) -> TranslationTrial:
    """The most consistent hypothesis; of equals the one whose field behaves most like a number.

    Blocks in the order of the chip may have older copies of a volume's tables beside the newest, and more facts to
    count, of which many contradict each other. A field that behaves like a number and contradicts itself less is
    better.
    """
    sure = [t for t in judged if t.numbering is not None and t.numbering.log10_chance < SURE_CHANCE]
    numbered = max((t.share for t in sure if t.score >= SURE_VOLUME), default=0.0)
    left = [t for t in judged if t.numbering is not None or t.share >= numbered - CONTRADICTED]
    top = max(left).score
    tied = [trial for trial in left if trial.score >= top]
    return next((trial for trial in tied if trial in sure), tied[0])
