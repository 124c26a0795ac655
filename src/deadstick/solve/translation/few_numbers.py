"""Numbers of two or three blocks, which what lies in the blocks tells where their range cannot.

A byte with values from 0 to 2 may be a flag as well as a number, so its values alone say nothing. But few blocks leave
few orders, and their content tells the number three times: copies of a block hold mostly the same data, so the field
must have one value in all of them and another in all others; the disk begins in block 0; and the tables, chains and
files of a volume cross the borders of blocks. So every order of the numbers is judged, and the field is taken only if
its own is clearly ahead of all others. Then the blocks are in their places, whatever else the field may be.

With so few copies an older state of the disk is as consistent as the newest: volumes that hold 98.8 % of what they
promise held as much with the oldest copies. So a version counts only if the copies themselves show its order.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.files.judge import Consistency, volume_consistency
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata, block_values
from deadstick.solve.blocks.numbering import few_numberings
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.translation_trials import LEAD, LEAD_SHARE, TranslationTrial
from deadstick.solve.blocks.trial_disk import PageCache, TrialDisk
from deadstick.solve.keystream_groups.group_ties import CopyTie, copy_ties
from deadstick.solve.scrambler.metadata_table import has_open_metadata
from deadstick.solve.translation.every_trial import judged_trials
from deadstick.solve.versions.version_order import VersionOrder
from deadstick.solve.versions.versions import with_versions


def few_trials(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """Hypotheses with numbers of two or three blocks that copies and volumes confirm.

    Args:
        space: the pages of one chip; several tell a number by themselves.
        recipe: complete but for the translation.
        progress: told about every hypothesis.
    """
    if has_open_metadata(recipe) or not recipe.interleave.is_none:
        return []
    written = block_metadata(space, recipe)
    # A block that reads as zeros throughout would be the oldest copy of number 0, and no older state makes a volume.
    metadata = written.of(~(written.is_foreign | written.is_blank))
    items = few_numberings(metadata, len(space) // recipe.pages_per_block)
    # All pages of so few blocks are compared: the last block of a volume may be blank for the most part.
    ties = copy_ties(space, recipe, metadata.blocks, recipe.pages_per_block) if items else []
    orders = VersionOrder(space, recipe, metadata)
    judged: list[TranslationTrial] = []
    for item in items:
        values, constant = block_values(item.number, metadata)
        numbers = np.where(constant & (values != item.number.all_ones), values, -1)
        if constant.all() and are_copies(numbers, ties):
            told = replace(item, figure=f"{item.figure}; blocks with one number are copies, and no others are")
            versions = [
                (some, told)
                for some in with_versions(told, metadata)
                if some.translation.version is None or orders.of(some.translation).is_shown
            ]
            judged += judged_trials(space, recipe, metadata, versions, progress)
    confirmed = (trial for trial in judged if trial.is_confirmed)
    return [trial for trial in confirmed if _is_ahead(space, trial.recipe, written, metadata)]


def are_copies(numbers: NDArray[np.int64], ties: Sequence[CopyTie]) -> bool:
    """Whether all blocks with one number are tied as copies, at least by way of others, and to no other block.

    Args:
        numbers: `int64[rows]`, -1 for blocks without one.
        ties: of rows.

    >>> are_copies(np.array([0, 1, 0, -1]), [CopyTie(0, 2)])
    True
    >>> are_copies(np.array([0, 1, 0, -1]), [CopyTie(0, 2), CopyTie(1, 3)])
    False
    >>> are_copies(np.array([0, 0, 1, 1]), [CopyTie(0, 1)])
    False
    """
    edges = np.array([(tie.one, tie.other) for tie in ties], np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(numbers), len(numbers)))
    parts = connected_components(graph.tocsr(), directed=False)[1]
    numbered = np.isin(parts, parts[numbers >= 0])
    pairs = np.unique(np.stack([parts, numbers])[:, numbered], axis=1)
    return bool(len(np.unique(pairs[0])) == len(np.unique(pairs[1])) == pairs.shape[1]) and bool((pairs[1] >= 0).all())


def _is_ahead(space: PageSpace, recipe: Recipe, written: BlockMetadata, metadata: BlockMetadata) -> bool:
    """Whether volumes hold clearly more under the numbers than with the same blocks in any other order.

    All orders place the same blocks, so a fact that fails counts against an order as one that holds counts for it. An
    order under which a volume begins in the middle, where no partition says so, is none: the others are turned round.

    Args:
        space: the pages of one chip.
        recipe: complete.
        written: metadata of all written blocks.
        metadata: of those that may have a number; no other must take the place of one.
    """
    physical, cache = placed_blocks(space, recipe, metadata), PageCache()
    if not np.array_equal(physical, placed_blocks(space, recipe, written)):
        return False
    own, *others = (
        volume_consistency(TrialDisk(space, recipe, physical[list(order)], cache))
        for order in permutations(range(len(physical)))
    )
    next_best = max((_net_bits(other) for other in others if other.is_anchored), default=0.0)
    return own.is_anchored and _net_bits(own) - next_best >= max(LEAD, LEAD_SHARE * _net_bits(own))


def _net_bits(found: Consistency) -> float:
    """Bits of the facts that hold, less those of the facts that fail."""
    return sum((2 * check.passed - check.total) * check.bits for check in found.checks)
