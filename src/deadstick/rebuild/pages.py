"""The decode pass: every page of a dump once, in batches over the cores, with results in physical order."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.progress import Progress, silent
from deadstick.rebuild.certainty import codeword_states
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.parallel import in_order
from deadstick.recipe.blank import blank_pages
from deadstick.recipe.code import LOST
from deadstick.recipe.recipe import Recipe

BATCH_BYTES = 1 << 21
"""Raw bytes that one worker holds at a time: large enough for the kernels, small enough for the second-level cache."""

_MOST_PAGES = 0.75
"""A block of which so many pages read as zeros is one that reads as zeros."""


@dataclass(frozen=True)
class _Found:
    """Columns that the workers fill, each in its own rows."""

    errors: NDArray[np.int16]
    metadata: NDArray[np.uint8]
    erased: NDArray[np.bool_]
    zeros: NDArray[np.bool_]
    mark: NDArray[np.uint8]


def decode_dump(pages: NDArray[np.uint8] | PageSpace, recipe: Recipe, progress: Progress = silent) -> PageTable:
    """Decode every page and note the outcome; the data itself is not kept.

    Args:
        pages: `uint8[pages, page_bytes]`, a view of the dump; or the pages of several chips.
        recipe: what to undo.
        progress: told `("decode", pages done, pages)`.

    Returns:
        One row per page; `logical` and `version` are -1 until `translate.block_table` fills them.

    Raises:
        RecipeError: the pages are not as long as the recipe's.
    """
    space = PageSpace.of(pages, recipe.pages_per_block)
    if space.page_bytes != recipe.layout.page_bytes:
        raise RecipeError(f"the recipe is for pages of {recipe.layout.page_bytes} bytes, not {space.page_bytes}")
    count = len(space)
    found = _Found(
        np.empty((count, len(recipe.layout.codewords)), np.int16),
        np.empty((count, recipe.layout.metadata_bytes), np.uint8),
        np.empty(count, np.bool_),
        np.empty(count, np.bool_),
        np.empty(count, np.uint8),
    )

    def work(rows: range) -> int:
        _decode_rows(space, recipe, rows, found)
        return rows.stop

    for done in in_order(work, batches(count, recipe.layout.page_bytes)):
        progress("decode", done, count)
    return _table(space, recipe, found)


def batches(count: int, page_bytes: int) -> list[range]:
    """Runs of pages of about `BATCH_BYTES` raw bytes that together are all `count` pages."""
    step = max(1, BATCH_BYTES // page_bytes)
    return [range(start, min(start + step, count)) for start in range(0, count, step)]


def _decode_rows(space: PageSpace, recipe: Recipe, batch: range, found: _Found) -> None:
    rows = slice(batch.start, batch.stop)
    numbers = np.arange(batch.start, batch.stop, dtype=np.int64)
    raw = space.take(numbers)
    decoded = recipe.decode(raw, space.numbers(numbers))
    found.errors[rows] = decoded.errors
    found.metadata[rows] = decoded.metadata
    found.erased[rows] = decoded.erased
    found.zeros[rows] = blank_pages(raw, recipe.layout, 0)
    found.mark[rows] = raw[:, min(recipe.layout.data_bytes, raw.shape[1] - 1)]


def _table(space: PageSpace, recipe: Recipe, found: _Found) -> PageTable:
    numbers = np.arange(len(found.errors), dtype=np.int64)
    block, page = np.divmod(numbers, recipe.pages_per_block)
    constant = _blocks_of_zeros(found, block)
    states = codeword_states(found.errors, block, recipe)
    # An unscrambled page of zeros is a codeword; that it was written as one, nothing on the chip can tell.
    states[constant] = np.maximum(states[constant], np.uint8(SectorState.DOUBTFUL))
    corrected = np.maximum(found.errors, 0)
    lost = (found.errors == LOST).sum(axis=1)
    kind = np.full(len(numbers), PageKind.DATA, np.uint8)
    kind[lost == found.errors.shape[1]] = PageKind.LOST
    kind[constant] = PageKind.CONSTANT
    kind[found.erased] = PageKind.ERASED
    return PageTable(
        chip=space.chip(numbers).astype(np.uint8),
        block=space.own_block[block],
        page=page.astype(np.int32),
        kind=kind,
        logical=np.full(len(numbers), -1, np.int64),
        version=np.full(len(numbers), -1, np.int64),
        bits_corrected=corrected.sum(axis=1, dtype=np.int32),
        worst_codeword=np.where(found.errors >= 0, found.errors, -1).max(axis=1).astype(np.int16),
        lost_codewords=lost.astype(np.int16),
        doubtful_codewords=(states == SectorState.DOUBTFUL).sum(axis=1).astype(np.int16),
        errors=found.errors,
        states=states,
        spare_mark=found.mark,
        metadata=found.metadata,
    )


def _blocks_of_zeros(found: _Found, block: NDArray[np.int64]) -> NDArray[np.bool_]:
    """`bool[pages]`: written pages of blocks in which nearly every page reads so; single ones may well be data."""
    pages, zeros = np.bincount(block), np.bincount(block, weights=found.zeros)
    chosen: NDArray[np.bool_] = (zeros > _MOST_PAGES * pages)[block] & ~found.erased
    return chosen
