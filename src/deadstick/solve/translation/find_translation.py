"""The search for block size and translation, once pages can be decoded."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import Consistency
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata
from deadstick.solve.blocks.block_size import BlockSize, agreed, as_period, block_size, is_mere_period, tied
from deadstick.solve.blocks.filling import Fillings
from deadstick.solve.blocks.numbering import Numbering
from deadstick.solve.blocks.translation_trials import (
    TranslationTrial,
    best_of,
    consistency,
    is_no_better_backwards,
)
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.keystream_groups.group_anchors import with_anchored_groups
from deadstick.solve.keystream_groups.group_numbers import with_tied_groups
from deadstick.solve.keystream_groups.group_orders import version_by_copies
from deadstick.solve.keystream_groups.group_ties import groups_of_blocks, has_open_groups, keystream_groups
from deadstick.solve.keystream_groups.group_versions import constant_of_writes, versions_agree
from deadstick.solve.keystream_groups.group_volumes import with_judged_groups
from deadstick.solve.scrambler.bare_metadata import with_bare_metadata
from deadstick.solve.scrambler.metadata_table import (
    has_open_metadata,
    with_constant,
    with_number_zero,
    with_offsets,
    with_told_number,
)
from deadstick.solve.translation.complements import complemented
from deadstick.solve.translation.either_way import either_way
from deadstick.solve.translation.every_trial import every_trial
from deadstick.solve.versions.open_versions import ordered
from deadstick.solve.versions.version_order import UPWARDS, VersionOrder
from deadstick.solve.versions.versions import with_versions


@dataclass(frozen=True)
class FoundTranslation:
    """The translation, and those that lost.

    Attributes:
        recipe: complete.
        block: its block size.
        numbering: what speaks for the logical number; None for the identity.
        volume_score: bits by which the volumes on the disk are consistent.
        rivals: (description, score) of the other hypotheses.
    """

    recipe: Recipe
    block: BlockSize
    numbering: Numbering | None
    volume_score: float
    rivals: tuple[tuple[str, float], ...]
    is_anchored: bool = True
    """The volumes begin where the disk does or where a partition says; else all of it may be out of its place."""


def find_translation(
    pages: NDArray[np.uint8] | PageSpace, recipe: Recipe, period: int, hint: int | None, progress: Progress
) -> FoundTranslation:
    """Find the block size and which metadata bytes number the blocks.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump; or the pages of several chips.
        recipe: decodes pages; its block size and translation are still open, its interleave is not.
        period: pages after which the keystream comes again; 0 for none.
        hint: pages per block that the user knows; None if unknown.
        progress: told about every hypothesis.

    Raises:
        HintError: the block size that the user knows is contradicted by the metadata.

    Returns:
        The hypothesis under which the volumes are most consistent; metadata decide where there is no volume.
    """
    space = PageSpace.of(pages, 1)
    block = block_size(space.chips[0].run(0, len(space.chips[0])), recipe, period)
    if hint is not None:
        block = agreed(hint, block)
    elif recipe.scrambler is not None and not period:
        if is_mere_period(recipe, block):
            recipe, period = as_period(recipe)
        else:
            block = tied(recipe, block)
    return translated(space, with_block_size(recipe, block.pages, period), block, progress)


def translated(space: PageSpace, recipe: Recipe, block: BlockSize, progress: Progress) -> FoundTranslation:
    """Find which metadata bytes number the blocks, where the block size is known.

    Args:
        space: the pages of all chips.
        recipe: complete but for the translation.
        block: what is said of the block size.
        progress: told about every hypothesis.
    """
    space = PageSpace.of(space, recipe.pages_per_block)
    judged = _bare(space, recipe, progress) or _open(space, recipe, progress)
    best = best_of(judged)
    rivals = tuple((trial.describe(), trial.score) for trial in judged if trial is not best)
    return FoundTranslation(best.recipe, block, best.numbering, best.score, rivals, best.is_anchored)


def _bare(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """Every hypothesis with metadata that stand as they are under stored keystreams; none if that tells no version.

    Where numbers alone are found, nothing is lost by taking the metadata for open.
    """
    bare = with_bare_metadata(space, recipe)
    judged = either_way(space, bare, progress) if bare is not None else []
    has_version = bool(judged) and best_of(judged).recipe.translation.version is not None
    return judged if has_version and best_of(judged).is_confirmed else []


def _open(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """Every hypothesis, with what stored keystreams may lack over the metadata."""
    judged = either_way(space, recipe, progress)
    if has_open_metadata(recipe):
        for base in (recipe, complemented(recipe)):
            for other in with_number_zero(space, base):
                judged += every_trial(space, other, progress)
        judged += _told(space, best_of(judged))
        judged += _ordered(space, best_of(judged))
        if best_of(judged).recipe.translation.version is None:
            judged += _by_copies(space, best_of(judged))
    if not best_of(judged).is_confirmed and has_open_groups(recipe, len(space) // recipe.pages_per_block):
        judged += _by_groups(space, recipe, progress)
    return judged


def _by_groups(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """The hypothesis with numbers and versions of blocks under several groups of keystreams, if all are told.

    Numbers without versions would leave copies in places that look right, and are not asked for. The volumes may be as
    consistent with an older state of the disk: what was filled later must speak for the order as well, or show it of
    every pair of copies that differs.
    """
    for numbered in _numbered_groups(space, recipe):
        for base in (numbered, complemented(numbered)):
            judged = [trial for other in with_number_zero(space, base) for trial in every_trial(space, other, progress)]
            for trial in _with_group_versions(space, best_of(judged)) if judged else ():
                order = VersionOrder(space, trial.recipe, block_metadata(space, trial.recipe))
                told = order.of(trial.recipe.translation)
                if trial.is_confirmed and (told.is_shown or told.log10_chance < UPWARDS):
                    return [trial]
    return []


def _numbered_groups(space: PageSpace, recipe: Recipe) -> Iterator[Recipe]:
    """Recipes with the numbers of blocks under several groups of keystreams, likeliest first."""
    yield from with_tied_groups(space, recipe)
    for look in (with_judged_groups, with_anchored_groups):
        numbered = look(space, recipe)
        if numbered is not None:
            yield numbered


def _with_group_versions(space: PageSpace, best: TranslationTrial) -> list[TranslationTrial]:
    """The hypothesis with a version that is known but for a constant, under several groups of keystreams."""
    if best.numbering is None:
        return []
    count, metadata = len(space) // best.recipe.pages_per_block, block_metadata(space, best.recipe)
    fillings = Fillings.of(space, best.recipe, len(metadata.blocks))
    for versioned in with_versions(best.numbering, metadata)[:-1]:
        offset = constant_of_writes(versioned.translation, metadata, fillings, count)
        if offset is not None:
            recipe = replace(with_constant(best.recipe, offset), translation=versioned.translation)
            found = consistency(space, recipe, block_metadata(space, recipe), PageCache())
            return [best.with_version(recipe, found)]
    groups = groups_of_blocks(best.recipe, count)[metadata.blocks]
    ordered_trials = _ordered(space, best)
    agreeing = [t for t in ordered_trials if versions_agree(t.recipe.translation, metadata.first_good, groups, count)]
    return agreeing or _by_copies(space, best)


def _by_copies(space: PageSpace, best: TranslationTrial) -> list[TranslationTrial]:
    """The hypothesis with a version that puts all copies in the order that their own data tell.

    The volumes must not be better off the other way round, as far as any copy holds what they promise.
    """
    recipe, count = best.recipe, len(space) // best.recipe.pages_per_block
    number = recipe.translation.logical_number
    if number is None:
        return []
    metadata = block_metadata(space, recipe)
    groups = groups_of_blocks(recipe, count)[metadata.blocks]
    fillings = Fillings.of_copies(space, recipe, number.read(metadata.first_good))
    told = version_by_copies(number, metadata, groups, fillings, count)
    if told is None:
        return []
    version, constants = told
    streams = keystream_groups(recipe, count)
    offsets = np.zeros((len(streams), recipe.layout.metadata_bytes), np.uint8)
    offsets[:, version.first_byte] = [constants.get(group, 0) for group in streams.tolist()]
    recipe = replace(with_offsets(recipe, offsets), translation=replace(recipe.translation, version=version))
    metadata = block_metadata(space, recipe)
    if not is_no_better_backwards(space, recipe, metadata):
        return []
    return [best.with_version(recipe, consistency(space, recipe, metadata, PageCache()))]


def _told(space: PageSpace, best: TranslationTrial) -> list[TranslationTrial]:
    """The hypothesis with the numbers that the boot sector of a volume tells."""
    trials = []
    for recipe in with_told_number(space, best.recipe):
        found = consistency(space, recipe, block_metadata(space, recipe, with_cut=True), PageCache())
        trials.append(replace(best, score=found.score, recipe=recipe, share=found.share, is_anchored=found.is_anchored))
    return trials


def _ordered(space: PageSpace, best: TranslationTrial) -> list[TranslationTrial]:
    """The hypothesis with a version whose bits are known but for a constant, if the volumes are better off with it."""
    number = best.recipe.translation.logical_number
    if best.numbering is None or number is None:
        return []
    cache = PageCache()

    def judge(translation: Translation, metadata: BlockMetadata) -> Consistency:
        return consistency(space, replace(best.recipe, translation=translation), metadata, cache)

    metadata = block_metadata(space, best.recipe)
    fillings = Fillings.of_copies(space, best.recipe, number.read(metadata.first_good))
    found = ordered(best.numbering, metadata, judge, fillings)
    if found is None:
        return []
    recipe = replace(with_constant(best.recipe, found.offset), translation=found.translation)
    return [best.with_version(recipe, found.found)]


def with_block_size(recipe: Recipe, pages_per_block: int, period: int) -> Recipe:
    """Set the block size; the keystream keeps going by the number of the page on the chip."""
    scrambler = recipe.scrambler
    if scrambler is not None and period:
        scrambler = replace(scrambler, block_step=pages_per_block % period)
    return replace(recipe, pages_per_block=pages_per_block, scrambler=scrambler)
