"""Blocks under stored keystreams that meet at the borders of blocks alone: what ties one group of them to another.

Neighbours inside a block have the same metadata, and tell what their keystreams lack. Where keystreams meet at the
borders of blocks alone, each group of them keeps a row of metadata of its own as the unknown. Copies of a block tie two
groups: the number in them is the same, so that the sum of their metadata is that of the two unknown rows, but for the
version.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.solve.common.spread import evenly
from deadstick.solve.scrambler.metadata_table import neighbour_sums, tree_offsets, with_offsets

Bytes = NDArray[np.uint8]

MOST_PAGES = 16_384
LOOKED_AT = 32
"""Pages of each block that are compared."""
FEWEST_ALIKE, ALIKE = 8, 0.5
"""Pages with content that two copies of a block have in common at the least, and the share of those looked at."""


@dataclass(frozen=True)
class CopyTie:
    """Two blocks that hold the same data for the most part, as rows of the written blocks."""

    one: int
    other: int


def keystream_groups(recipe: Recipe, blocks: int) -> NDArray[np.int64]:
    """Groups of keystreams that meet inside blocks, one with another or by way of others.

    Args:
        recipe: with a scrambler and a block size.
        blocks: of the chip.

    Returns:
        `int64[keystreams]`: the group of each, counted from 0.
    """
    scrambler, size = recipe.scrambler, recipe.pages_per_block
    if scrambler is None:
        return np.zeros(0, np.int64)
    count = scrambler.keystreams.count
    under = scrambler.index(np.arange(blocks * size, dtype=np.int64), size)
    edges = np.unique(np.stack([np.repeat(under[::size], size), under]), axis=1)
    graph = coo_array((np.ones(edges.shape[1]), (edges[0], edges[1])), shape=(count, count))
    groups: NDArray[np.int64] = connected_components(graph.tocsr(), directed=False)[1].astype(np.int64)
    return groups


def groups_of_blocks(recipe: Recipe, blocks: int) -> NDArray[np.int64]:
    """`int64[blocks]`: the group of the keystreams that each block lies under, see `keystream_groups`."""
    scrambler = recipe.scrambler
    if scrambler is None:
        return np.zeros(blocks, np.int64)
    under = scrambler.index(np.arange(blocks, dtype=np.int64) * recipe.pages_per_block, recipe.pages_per_block)
    groups: NDArray[np.int64] = keystream_groups(recipe, blocks)[under]
    return groups


def has_open_groups(recipe: Recipe, blocks: int) -> bool:
    """Whether the metadata of a chip may be known but for several rows, one for each group of known keystreams."""
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams) or not recipe.layout.metadata_bits:
        return False
    if not blocks or not recipe.interleave.is_none or scrambler.keystreams.unknown.any():
        return False
    return len(np.unique(groups_of_blocks(recipe, blocks))) > 1


def aligned_in_groups(space: PageSpace, recipe: Recipe, count: int) -> Recipe:
    """The recipe under which neighbours inside blocks have the same metadata."""
    scrambler, size = recipe.scrambler, recipe.pages_per_block
    if scrambler is None:
        return recipe
    numbers = np.arange(min(MOST_PAGES, count * size), dtype=np.int64)
    batch = recipe.decode(space.take(numbers), space.numbers(numbers))
    good = (batch.errors >= 0).all(axis=1) & ~batch.erased
    sums = neighbour_sums(numbers[good], batch.metadata[good], scrambler.index(numbers[good], size), size)
    if sums is None:
        return recipe
    groups = keystream_groups(recipe, count)
    offsets = np.zeros((len(groups), recipe.layout.metadata_bytes), np.uint8)
    for group in np.unique(groups[sums.first]).tolist():
        mine = groups[sums.first] == group
        some = replace(
            sums,
            first=sums.first[mine],
            second=sums.second[mine],
            values=sums.values[mine],
            shares=sums.shares[mine],
        )
        offsets ^= tree_offsets(some, groups == group)
    return with_offsets(recipe, offsets)


def copy_ties(space: PageSpace, recipe: Recipe, blocks: NDArray[np.int64], looked_at: int = LOOKED_AT) -> list[CopyTie]:
    """Pairs of blocks that hold the same data in the same places.

    Args:
        space: the pages of the chip.
        recipe: decodes pages.
        blocks: `int64[rows]`, written ones.
        looked_at: pages of each block that are compared.
    """
    return _alike(_contents(space, recipe, blocks, looked_at), FEWEST_ALIKE)


def sparse_ties(space: PageSpace, recipe: Recipe, blocks: NDArray[np.int64]) -> list[CopyTie]:
    """The same of blocks that hold too little for `copy_ties` to see it.

    The last block of a volume may be blank for the most part. So all pages of such blocks are compared, and as many of
    them must be alike as are looked at of other blocks.
    """
    told = (_contents(space, recipe, blocks, LOOKED_AT) > 0).sum(axis=1)
    sparse = np.flatnonzero((told > 0) & (told < FEWEST_ALIKE))
    ties = _alike(_contents(space, recipe, blocks[sparse], recipe.pages_per_block), LOOKED_AT)
    return [CopyTie(int(sparse[tie.one]), int(sparse[tie.other])) for tie in ties]


def _contents(space: PageSpace, recipe: Recipe, blocks: NDArray[np.int64], looked_at: int) -> NDArray[np.int64]:
    """`int64[blocks, pages]`: a number for all pages with the same data; 0 where a page tells nothing."""
    size = recipe.pages_per_block
    places = evenly(size, looked_at)
    contents = np.zeros((len(blocks), len(places)), np.int64)
    names: dict[bytes, int] = {}
    for row, block in enumerate(blocks.tolist()):
        pages = block * size + places
        batch = recipe.decode(space.take(pages), space.numbers(pages))
        told = (batch.errors >= 0).all(axis=1) & (batch.data != batch.data[:, :1]).any(axis=1)
        for place in np.flatnonzero(told).tolist():
            contents[row, place] = names.setdefault(batch.data[place].tobytes(), len(names) + 1)
    return contents


def _alike(contents: NDArray[np.int64], fewest: int) -> list[CopyTie]:
    """Pairs of rows of `_contents` that are the same in so many places, and in half of those that both tell."""
    ties = []
    for one, mine in enumerate(contents):
        both = (mine > 0) & (contents[one + 1 :] > 0)
        alike = ((mine == contents[one + 1 :]) & both).sum(axis=1)
        copies = np.flatnonzero(alike >= np.maximum(fewest, ALIKE * both.sum(axis=1)))
        ties += [CopyTie(one, one + 1 + other) for other in copies.tolist()]
    return ties


def joined(
    groups: NDArray[np.int64], readings: NDArray[np.int64], ties: list[CopyTie]
) -> dict[int, tuple[int, int]] | None:
    """Groups that copies tie.

    Args:
        groups: `int64[rows]`, of each block.
        readings: `int64[rows]`, what is read of the number; -1 where there is none.
        ties: of rows.

    Returns:
        By group, the group that stands for all that are tied to it, and what is to be added to its readings to make
        them those of that one; None where the ties contradict each other.

    >>> joined(np.array([0, 0, 1, 1]), np.array([5, 3, 4, 7]), [CopyTie(0, 2)])
    {0: (0, 0), 1: (0, 1)}
    >>> joined(np.array([0, 0, 1, 1]), np.array([5, 3, 4, 7]), [CopyTie(0, 2), CopyTie(1, 3)]) is None
    True
    """
    place = {group: (group, 0) for group in np.unique(groups).tolist()}
    for tie in ties:
        if min(readings[tie.one], readings[tie.other]) < 0:
            continue
        (first, here), (second, there) = place[int(groups[tie.one])], place[int(groups[tie.other])]
        difference = int(readings[tie.one]) ^ here ^ int(readings[tie.other]) ^ there
        if first == second and difference:
            return None
        place = {
            g: (first, added ^ difference) if root == second else (root, added) for g, (root, added) in place.items()
        }
    return place
