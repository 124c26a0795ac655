"""Numbers of blocks under several groups of keystreams, told by the volumes.

On a chip of few large blocks the gaps that one group of numbers leaves are filled by another under many constants, and
one pair of copies may be two copies of a file. But few blocks have few numbers: there are only so many constants, and a
volume crosses the borders of its blocks with its tables, chains and files. So every constant is tried, and one is taken
only if the volumes are clearly ahead with it of what they are with any other, by as much as tells an order of planes.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.numbering import DISTINCT_SHARE, FEWEST_BLOCKS
from deadstick.solve.blocks.translation_trials import LEAD, LEAD_SHARE, SURE_VOLUME, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.keystream_groups.group_numbers import offsets_of
from deadstick.solve.keystream_groups.group_ties import aligned_in_groups
from deadstick.solve.keystream_groups.grouped_blocks import GroupedBlocks, grouped_blocks, number_fields, readings_of
from deadstick.solve.scrambler.metadata_table import with_offsets

MOST_CHOICES = 64
"""Choices of constants that are tried: all that there are, or none."""

Bytes = NDArray[np.uint8]


def with_judged_groups(space: PageSpace, recipe: Recipe) -> Recipe | None:
    """The recipe under which the numbers of all groups are those that the volumes tell; None where they tell none.

    Args:
        space: the pages of one chip.
        recipe: with a table of keystreams, several groups of which do not meet inside blocks.
    """
    recipe = aligned_in_groups(space, recipe, len(space) // recipe.pages_per_block)
    blocks = grouped_blocks(space, recipe)
    choices = [(number, offsets) for number in number_fields(blocks) for offsets in _choices(blocks, number)]
    cache = PageCache()
    scores: dict[bytes, float] = {}
    first: dict[bytes, Bytes] = {}
    for number, offsets in choices:
        metadata = replace(blocks.metadata, values=blocks.metadata.values ^ offsets[blocks.groups][:, None])
        complete = replace(recipe, translation=Translation("block", number))
        logical = number.read(metadata.first_good)
        inside = logical < 2 * blocks.count
        if len(np.unique(logical[inside])) < max(FEWEST_BLOCKS, DISTINCT_SHARE * inside.sum()):
            continue
        places = np.where(inside, logical, -1).tobytes()
        # Which of the copies is the newer is not known yet.
        for oldest in (False, True):
            found = consistency(space, complete, metadata, cache, oldest=oldest)
            scores[places] = max(found.score, scores.get(places, 0.0))
        first.setdefault(places, offsets)
    if not scores:
        return None
    best, *others = sorted(scores, key=lambda places: -scores[places])
    lead = scores[best] - max((scores[places] for places in others), default=0.0)
    if scores[best] < SURE_VOLUME or lead < max(LEAD, LEAD_SHARE * scores[best]):
        return None
    return with_offsets(recipe, first[best][blocks.of_streams])


def _choices(blocks: GroupedBlocks, number: BitField) -> Iterator[Bytes]:
    """For each block in which the disk may begin, all constants of the groups: `uint8[groups, metadata_bytes]`."""
    readings, high = readings_of(blocks, number)
    for begin in blocks.begins:
        first = int(blocks.groups[begin])
        others = [group for group in high if group != first]
        if readings[begin] < 0 or len(blocks.begins) << blocks.width * len(others) > MOST_CHOICES:
            continue
        for turns in product(range(1 << blocks.width), repeat=len(others)):
            constants = {first: int(readings[begin]), **dict(zip(others, turns, strict=True))}
            yield offsets_of(blocks, number, {group: turn | high[group] for group, turn in constants.items()})
