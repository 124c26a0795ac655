"""Stored keystreams that leave the metadata alone.

Over metadata neither constant data nor the code show a stored keystream, so they are taken for open (`metadata_table`).
But what most pages have in common, filler and the high bytes of counts, tells whether something was added: under
keystreams that run over the metadata it reads otherwise under each of them. Where it reads the same under all, nothing
was added, and metadata are known as they stand: numbers and versions lack no constant.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly_of
from deadstick.solve.scrambler.metadata_table import has_open_metadata

MOST_PAGES, FEWEST_PAGES = 12, 3
"""Pages that are looked at under each keystream, and those that must decode before it is asked."""
SURE_CHANCE = -6.0
"""Logarithm of the chance that a keystream over the metadata leaves so many of their bytes as another one does."""
OTHERWISE = 0.5
"""Share of the bytes in which two keystreams differ elsewhere at least: one that is there twice says nothing."""

Bytes = NDArray[np.uint8]


def with_bare_metadata(space: PageSpace, recipe: Recipe) -> Recipe | None:
    """The recipe whose keystreams leave out the metadata, if these are the same under all keystreams as they stand.

    Args:
        space: the pages of all chips.
        recipe: decodes pages; its block size is known.

    Returns:
        None where its keystreams have something over the metadata, or what they have in common does not tell.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not has_open_metadata(recipe):
        return None
    around = replace(scrambler, covers=scrambler.covers - {Part.METADATA})
    if not np.array_equal(scrambler.masks(recipe.layout), around.masks(recipe.layout)):
        return None
    return replace(recipe, scrambler=around) if _are_alike(space, recipe) else None


def _are_alike(space: PageSpace, recipe: Recipe) -> bool:
    """Whether the usual metadata under every keystream are those under the first, beyond accident.

    Pages that do not decode say nothing: erased ones and the patterns of tests stand under no keystream.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
        return False
    masks = scrambler.masks(recipe.layout)
    under = scrambler.index(space.numbers(np.arange(len(space), dtype=np.int64)), recipe.pages_per_block)
    first: tuple[Bytes, Bytes] | None = None
    compared = 0
    for number in np.flatnonzero(~scrambler.keystreams.unknown).tolist():
        usual = _usual(space, recipe, evenly_of(np.flatnonzero(under == number), MOST_PAGES))
        if usual is None:
            continue
        if first is None:
            first = masks[number], usual
            continue
        used = int(np.count_nonzero(first[0] | masks[number]))
        if int(np.count_nonzero(first[0] != masks[number])) < OTHERWISE * max(1, used):
            return False
        if log10_tail(len(usual), int((first[1] == usual).sum()), 1 / 256) > SURE_CHANCE:
            return False
        compared += 1
    return compared > 0


def _usual(space: PageSpace, recipe: Recipe, numbers: NDArray[np.int64]) -> Bytes | None:
    """`uint8[metadata_bytes]`: what most of some pages have; None where too few of them decode."""
    if len(numbers) < FEWEST_PAGES:
        return None
    batch = recipe.decode(space.take(numbers), space.numbers(numbers))
    good = (batch.errors >= 0).all(axis=1) & ~batch.erased
    if good.sum() < FEWEST_PAGES:
        return None
    return np.array([np.bincount(column).argmax() for column in batch.metadata[good].T], np.uint8)
