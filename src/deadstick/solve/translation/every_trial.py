"""Every translation that the metadata suggest, judged by the volumes that are on the disk under it."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from deadstick.files.judge import Consistency
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata
from deadstick.solve.blocks.block_size import SURE_CHANCE
from deadstick.solve.blocks.numbering import Numbering, numberings
from deadstick.solve.blocks.translation_trials import SURE_VOLUME, TIED_SHARE, TranslationTrial, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.scrambler.metadata_table import has_open_metadata
from deadstick.solve.versions.version_order import UPWARDS, Order, VersionOrder
from deadstick.solve.versions.versions import Versioned, with_versions

Suggestion = tuple[Versioned, Numbering | None]


def every_trial(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """Every translation that the metadata suggest, with the consistency of the volumes under it."""
    metadata = block_metadata(space, recipe, with_cut=True)
    trials: list[Suggestion] = [(Versioned(IDENTITY), None), *suggested(space, recipe, metadata)]
    return judged_trials(space, recipe, metadata, trials, progress)


def judged_trials(
    space: PageSpace, recipe: Recipe, metadata: BlockMetadata, trials: Sequence[Suggestion], progress: Progress
) -> list[TranslationTrial]:
    """Those translations that neither copies nor volumes refuse.

    Args:
        space: the pages of all chips.
        recipe: complete but for the translation.
        metadata: of the written blocks that may be placed.
        trials: of one number those with a version first.
        progress: told about every hypothesis.
    """
    judged: list[TranslationTrial] = []
    cache = PageCache()
    orders = VersionOrder(space, recipe, metadata)
    for done, (versioned, item) in enumerate(trials):
        complete = replace(recipe, translation=versioned.translation)
        found = consistency(space, complete, metadata, cache)
        score = found.score
        progress("translation", done + 1, len(trials))
        # Copies are worth a look only where blocks make a volume, or where metadata alone must decide.
        is_numbered = item is not None and item.log10_chance < SURE_CHANCE
        has_volume = score >= SURE_VOLUME
        order = orders.of(versioned.translation) if has_volume or is_numbered else Order()
        if order.is_opposite:
            continue
        # Where no volume says where pages belong nothing is claimed, and the copies are all that is left to ask.
        is_proven = (has_volume or is_numbered) and order.is_proven(versioned)
        is_proven |= not has_volume and order.log10_chance < UPWARDS
        if versioned.translation.version is not None:
            if not is_proven:
                backwards = consistency(space, complete, metadata, cache, oldest=True)
                if not _is_forwards(found, backwards, counted=versioned.counted):
                    continue
        elif any(trial.is_in_order(found) and trial.numbering is item for trial in judged):
            # An older state of the disk may have more facts to count; the newest one contradicts itself less.
            continue
        counted = versioned.counted or is_proven
        proven, follows = order.is_by_copies(versioned), order.follows_writes(versioned)
        judged.append(TranslationTrial(score, complete, item, found.share, counted, found.is_anchored, proven, follows))
    return judged


def _is_forwards(found: Consistency, backwards: Consistency, *, counted: bool) -> bool:
    """Whether the highest version is the newest: turned round, the volume must be less consistent.

    A field that tells the copies apart although it takes few values is a count in any case, and counts go up. Then an
    older state of the disk may well be as free of contradictions, and may have more files in it to speak for it.
    """
    if counted:
        return backwards.share <= found.share + TIED_SHARE or backwards.score < found.score
    return backwards.score < found.score


def suggested(space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> list[Suggestion]:
    """Block mappings that the metadata suggest, the likeliest first.

    Where every unit counts its blocks for itself, the unit with most blocks tells the field of the number: over all
    units each number is there several times. Versions whose bits are known but for a constant cannot be compared: they
    are left to `open_versions`.
    """
    count, one, units = space.blocks, metadata, None
    if recipe.interleave.numbers == "own" and recipe.interleave.ways > 1:
        slots = recipe.interleave.slots(space.chip_of_block, space.own_block)
        units = slots[metadata.blocks]
        mine = units == np.bincount(units, minlength=1).argmax()
        one = metadata.of(mine)
        count = int(np.bincount(slots).max())
    found: list[Suggestion] = [
        (version, item) for item in numberings(one, count) for version in with_versions(item, metadata, units)
    ]
    is_open = has_open_metadata(recipe)
    return [trial for trial in found if not is_open or trial[0].translation.version is None]
