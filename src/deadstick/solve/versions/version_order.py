"""Whether a field that tells copies of blocks apart puts them in the order in which they were written."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.block_size import SURE_CHANCE
from deadstick.solve.blocks.filling import Fillings, in_turn_by_accident, pairs_of_copies, votes_by_accident
from deadstick.solve.versions.sequential_writes import sequential_by_accident
from deadstick.solve.versions.versions import VERSION_CHANCE, Versioned

AGAINST, UPWARDS = -1.5, -0.8
"""Logarithms of the chance from which on the copies are in the opposite order, and from which on those of a count are
in the right one: five pairs of copies against none, and three."""
WAY_CHANCE = -1.0
"""Logarithm of the chance from which on copies say which way numbers of writes go."""


@dataclass(frozen=True, slots=True)
class Order:
    """What the copies say of the order in which a field puts them.

    Attributes:
        log10_chance: that a field which is no version has such versions in such an order.
        log10_opposite: that copies in the right order are blanked so often.
        is_shown: of all copies that differ the one with the higher version was filled later, or none differ, so that
            the field need be no version to give the newest data.
        log10_sequential: that a field which has nothing to do with the order of writing follows it so.
    """

    log10_chance: float = 0.0
    log10_opposite: float = 0.0
    is_shown: bool = False
    log10_sequential: float = 0.0

    def is_proven(self, versioned: Versioned) -> bool:
        """Whether nothing else need confirm it; what is a count in any case need only go up.

        Numbers of writes always do (common practice, no source). An older state of the disk, from before much of it was
        written again, may contradict itself less than the newest one.
        """
        if versioned.is_sequence and self.log10_opposite > UPWARDS:
            return True
        return self.is_shown or self.log10_chance < (UPWARDS if versioned.counted else VERSION_CHANCE)

    def is_by_copies(self, versioned: Versioned) -> bool:
        """Whether copies show beyond accident that it grows with time; of numbers of writes, which way they go."""
        return self.log10_chance < (WAY_CHANCE if versioned.is_sequence else VERSION_CHANCE)

    def follows_writes(self, versioned: Versioned) -> bool:
        """Whether nothing but the order of writing explains it, by copies that follow each other or by all numbers.

        Numbers of which hardly one is left out, and of no copies the same, are numbers of something by themselves.
        """
        numbered = versioned.is_sequence and self.log10_sequential < SURE_CHANCE
        needed = VERSION_CHANCE if versioned.is_sequence else SURE_CHANCE
        return self.log10_chance < needed or (numbered and self.is_by_copies(versioned))

    @property
    def is_opposite(self) -> bool:
        """The field does not grow with time."""
        return self.log10_opposite < AGAINST


def logical_blocks(space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> NDArray[np.int64]:
    """`int64[blocks]`: equal for copies of one block; -1 for blocks without a number, and those that read as zeros."""
    number = recipe.translation.logical_number
    if number is None:
        return np.full(len(metadata.blocks), -1, np.int64)
    rows = metadata.first_good
    logical = number.read(rows)
    numbered = (logical != number.all_ones) & ~metadata.is_blank
    if recipe.interleave.numbers == "own" and recipe.interleave.ways > 1:
        units = recipe.interleave.slots(space.chip_of_block, space.own_block)[metadata.blocks]
        logical = logical * (int(units.max(initial=0)) + 1) + units
    return np.where(numbered, logical, -1)


class VersionOrder:
    """Judges versions of blocks by what lies in the copies.

    Copies are read once for all fields that are judged.
    """

    def __init__(self, space: PageSpace, recipe: Recipe, metadata: BlockMetadata) -> None:
        """Take the pages, what decodes them, and the metadata of all written blocks."""
        self.space, self.recipe, self.metadata = space, recipe, metadata
        self.fillings = Fillings.of(space, recipe, len(metadata.blocks))

    def of(self, translation: Translation) -> Order:
        """The order in which a version puts the copies."""
        recipe = replace(self.recipe, translation=translation)
        version = translation.version
        if version is None:
            return Order()
        logical = logical_blocks(self.space, recipe, self.metadata)
        values = version.read(self.metadata.first_good)
        blocks = self.metadata.blocks.tolist()
        pairs = [(blocks[a], blocks[b]) for a, b in pairs_of_copies(logical, values)]
        votes = [self.fillings.vote(*pair) for pair in pairs]
        shown = bool(pairs) and all(
            vote == 1 or self.fillings.alike(*pair) for vote, pair in zip(votes, pairs, strict=True)
        )
        chance = votes_by_accident(votes)
        if chance < 0:
            chance += in_turn_by_accident(logical, values)
        return Order(
            chance,
            votes_by_accident([-vote for vote in votes]),
            shown and _is_told(logical, values),
            sequential_by_accident(logical, values),
        )


def _is_told(logical: NDArray[np.int64], version: NDArray[np.int64]) -> bool:
    """Whether no two copies of a block have the same version."""
    known = np.stack([logical, version], axis=1)[logical >= 0]
    return len(np.unique(known, axis=0)) == len(known)
