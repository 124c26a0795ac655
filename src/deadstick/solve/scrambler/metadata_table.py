"""Metadata under a table of keystreams: what the data and the code leave open of it.

Constant data show a stored keystream over the data, and the code the one over the parity; over metadata both leave it
open. But most metadata of a page are those of the next one. So the sum of two neighbours' metadata is mostly that of
their keystreams, and a tree of such sums over all keystreams leaves one constant for each byte of metadata. That one is
the same in every page: blocks are still told apart, and where they change. Which number a block has follows from the
block that must be number 0, since a disk begins in it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import DecodedPages, Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.solve.scrambler.boot_sectors import told_block

MOST_PAGES = 16_384
STEPS = (1, 2, 3)
"""From a page to the next ones whose keystream is known: where few are, hardly any two pages in a row are."""
FEWEST_PAIRS = 3
LEAST_SHARE = 0.5
"""Share of the pairs that must say the same of two keystreams."""
LEAST_DIFFERING = 0.5
"""Share of the metadata bytes in which two keystreams differ at least; random ones do so in 255 of 256."""
MOST_BLOCKS, MOST_BEGINNINGS = 4096, 8
SIGNATURE = (0x55, 0xAA)
"""The last bytes of a boot record's first sector (UEFI specification 2.10, section 5.2.1)."""

Bytes = NDArray[np.uint8]


def has_open_metadata(recipe: Recipe) -> bool:
    """Whether metadata are known but for a constant."""
    scrambler = recipe.scrambler
    return (
        scrambler is not None
        and isinstance(scrambler.keystreams, StoredKeystreams)
        and Part.METADATA in scrambler.covers
        and recipe.layout.metadata_bits > 0
    )


def with_aligned_metadata(recipe: Recipe, pages: Bytes, written: NDArray[np.int64]) -> Recipe:
    """The recipe with keystreams under which neighbouring pages have the same metadata.

    Args:
        recipe: with a table of keystreams.
        pages: `uint8[pages, page_bytes]`, as read.
        written: `int64[]`, which of them are not erased, ascending.

    Returns:
        The same where neighbours do not tell, or have the same metadata already, but for a byte or two that number
        blocks: keystreams differ nearly everywhere.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams) or not recipe.layout.metadata_bits:
        return recipe
    chosen = written[:MOST_PAGES]
    batch = recipe.decode(pages[chosen], chosen)
    good = (batch.errors >= 0).all(axis=1)
    sums = neighbour_sums(chosen[good], batch.metadata[good], scrambler.index(chosen[good], recipe.pages_per_block))
    if sums is None:
        return recipe
    offsets = tree_offsets(sums, ~scrambler.keystreams.unknown)
    differing = offsets[offsets.any(axis=1)] != 0
    return with_offsets(recipe, offsets) if differing.size and differing.mean() > LEAST_DIFFERING else recipe


@dataclass(frozen=True, slots=True)
class Sums:
    """What the metadata of neighbours say of pairs of keystreams.

    Attributes:
        first: `int64[pairs]`, a keystream.
        second: `int64[pairs]`, the other one.
        values: `uint8[pairs, metadata_bytes]`, the most frequent sum.
        shares: `float64[pairs, metadata_bytes]`, of the neighbours that have it.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    values: Bytes
    shares: NDArray[np.float64]


def neighbour_sums(numbers: NDArray[np.int64], metadata: Bytes, under: NDArray[np.int64], size: int = 0) -> Sums | None:
    """What the sums of neighbours' metadata are for the most part.

    Args:
        numbers: `int64[pages]`, ascending.
        metadata: `uint8[pages, metadata_bytes]`.
        under: `int64[pages]`, the keystream of each.
        size: pages of a block, where neighbours inside blocks alone are asked.
    """
    pairs, sums = [], []
    for step in STEPS:
        here = np.arange(max(0, len(numbers) - step))
        if size:
            here = here[numbers[here] // size == numbers[here + step] // size]
        there = here + step
        pairs.append(np.stack([under[here], under[there]], axis=1))
        sums.append(metadata[here] ^ metadata[there])
    both, differences = np.concatenate(pairs), np.concatenate(sums)
    # The sum is that of the pair in either order.
    both.sort(axis=1)
    keys, group, counts = np.unique(both, axis=0, return_inverse=True, return_counts=True)
    order = np.argsort(group.reshape(-1), kind="stable")
    borders = np.r_[0, np.cumsum(counts)]
    kept = [i for i in np.flatnonzero(counts >= FEWEST_PAIRS).tolist() if keys[i, 0] != keys[i, 1]]
    values, shares = [], []
    for i in kept:
        value, share = _most_frequent(differences[order[borders[i] : borders[i + 1]]])
        values.append(value)
        shares.append(share)
    if not kept:
        return None
    return Sums(keys[kept, 0], keys[kept, 1], np.array(values, np.uint8), np.array(shares))


def _most_frequent(rows: Bytes) -> tuple[Bytes, NDArray[np.float64]]:
    """The most frequent byte of each column, and the share of the rows that have it."""
    ordered = np.sort(rows, axis=0)
    runs = np.ones(ordered.shape, np.int64)
    for row in range(1, len(ordered)):
        runs[row] += runs[row - 1] * (ordered[row] == ordered[row - 1])
    last, columns = runs.argmax(axis=0), np.arange(rows.shape[1])
    return ordered[last, columns], runs[last, columns] / len(rows)


def tree_offsets(sums: Sums, known: NDArray[np.bool_]) -> Bytes:
    """`uint8[count, metadata_bytes]`: what each keystream lacks, along the tree of the surest sums.

    Zeros where the sums do not reach every keystream: what the rest lack would be anybody's guess.
    """
    count = len(known)
    offsets = np.zeros((count, sums.values.shape[1]), np.uint8)
    # Bytes that are another in every page say nothing. Keystreams that meet at the borders of blocks alone differ in
    # those that number the block.
    telling = np.median(sums.shares, axis=0) >= LEAST_SHARE
    sure = np.flatnonzero((sums.shares[:, telling] >= LEAST_SHARE).all(axis=1))
    if not len(sure) or not telling.any():
        return offsets
    # The tree of least weight has the largest shares; a weight of 0 would mean no edge.
    weights = 1.01 - sums.shares[np.ix_(sure, np.flatnonzero(telling))].mean(axis=1)
    graph = coo_array((weights, (sums.first[sure], sums.second[sure])), shape=(count, count))
    tree = minimum_spanning_tree(graph.tocsr())
    edges = {(int(sums.first[i]), int(sums.second[i])): i for i in sure.tolist()}
    degree = np.bincount(np.concatenate([sums.first[sure], sums.second[sure]]), minlength=count)
    order, before = breadth_first_order(tree, int(degree.argmax()), directed=False)
    for node in order[1:].tolist():
        parent = int(before[node])
        edge = edges[min(node, parent), max(node, parent)]
        offsets[node] = offsets[parent] ^ sums.values[edge]
    return offsets if known[order].sum() == known.sum() else np.zeros_like(offsets)


def with_offsets(recipe: Recipe, offsets: Bytes) -> Recipe:
    """Add `uint8[count, metadata_bytes]` to the metadata under each keystream."""
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
        return recipe
    code = recipe.code
    # What is added after the code must be a codeword; before it, the metadata are enough.
    is_outside = code is not None and scrambler.place == "after_ecc"
    bare = replace(code, inverted=False, erased_is_codeword=False) if code is not None and is_outside else None
    blank = np.zeros((len(offsets), recipe.layout.data_bytes), np.uint8)
    order = np.arange(len(offsets), dtype=np.int64)
    if bare is None and code is not None:
        offsets = in_code_order(offsets, code.bit_order)
    added = Recipe(1, recipe.layout, bare).encode(blank, offsets, order, filler=0)
    if bare is None and code is not None:
        added = in_code_order(added, code.bit_order)
    streams = tuple(
        bytes(np.frombuffer(stream, np.uint8) ^ row[: len(stream)]) if stream else b""
        for stream, row in zip(scrambler.keystreams.streams, added, strict=True)
    )
    covers = scrambler.covers | {Part.METADATA}
    return replace(recipe, scrambler=replace(scrambler, keystreams=StoredKeystreams(streams), covers=covers))


def with_told_number(space: PageSpace, recipe: Recipe) -> Iterator[Recipe]:
    """Recipes under which a block in which a volume begins has the number that its boot sector tells.

    Where the block in which the disk begins was lost, the first volume's was taken for it. The boot sector says how
    many sectors lie before it.

    Args:
        space: the pages of all chips.
        recipe: with the field of the number, and metadata that are open but for a constant.
    """
    number, size = recipe.translation.logical_number, recipe.pages_per_block
    if number is None:
        return
    batch = _first_pages(space, recipe)
    block_bytes = size * recipe.layout.data_bytes
    for row in np.flatnonzero(_begins(batch)).tolist():
        block = told_block(batch.data[row], block_bytes) or 0
        if 0 < block < len(space) // size:
            metadata = batch.metadata[row : row + 1]
            told = metadata.copy()
            number.write(told, np.array([block], np.int64))
            yield with_constant(recipe, (told ^ metadata)[0])


def _first_pages(space: PageSpace, recipe: Recipe) -> DecodedPages:
    """What the first page of each block holds."""
    size = recipe.pages_per_block
    rows = np.arange(0, len(space) // size * size, size, dtype=np.int64)[:MOST_BLOCKS]
    return recipe.decode(space.take(rows), space.numbers(rows))


def _begins(batch: DecodedPages) -> NDArray[np.bool_]:
    """`bool[pages]`: a disk or a volume begins there."""
    begins: NDArray[np.bool_] = (batch.data[:, 510:512] == SIGNATURE).all(axis=1) & (batch.errors >= 0).all(axis=1)
    return begins


def with_number_zero(space: PageSpace, recipe: Recipe) -> Iterator[Recipe]:
    """Recipes under which the metadata of a block in which a disk may begin are zeros, and so its number.

    Args:
        space: the pages of all chips.
        recipe: with metadata that are open but for a constant.
    """
    batch = _first_pages(space, recipe)
    first = np.unique(batch.metadata[_begins(batch)], axis=0)[:MOST_BEGINNINGS]
    for metadata in first:
        yield with_constant(recipe, metadata)


def beginnings(space: PageSpace, recipe: Recipe) -> NDArray[np.int64]:
    """`int64[]`: the blocks in which a disk or a volume may begin."""
    return np.flatnonzero(_begins(_first_pages(space, recipe)))


def with_constant(recipe: Recipe, metadata: Bytes) -> Recipe:
    """The recipe with `uint8[metadata_bytes]` added to the metadata under every keystream of its table."""
    count = recipe.scrambler.keystreams.count if recipe.scrambler else 0
    return with_offsets(recipe, np.repeat(metadata[None], count, axis=0))
