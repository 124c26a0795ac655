"""No code was found: are the data readable all the same?

A page whose data stand as they are needs no code to be read, only to be believed. So every page size is tried with its
data first and the rest as spare area, and the volumes that such a disk would hold are the judge: boot sectors,
tables that agree, directories that point at what they name. What comes out is a recipe without a code. Nothing under
it is checked, so nothing is EXACT: every sector is doubtful, and so is every file.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.files.judge import volume_consistency
from deadstick.flash.erased import erased_pages
from deadstick.progress import Progress, silent
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY, Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.numbering import numberings
from deadstick.solve.blocks.placed_blocks import newest_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.page_size.geometry import PAGES_PER_BLOCK, PageCandidate, data_bytes_of
from deadstick.solve.versions.versions import with_versions

SURE = 96.0
"""Bits of consistency that are taken for a volume; one boot sector alone has 32."""
MOST_CANDIDATES = 8
LIKELY_BLOCKS = (32, 64, 128, 16, 256)
LOOKED_AT_BYTES = 32 << 20
FEWEST_CHANGES = 3
ALIGNED = 0.8
TELLING_SHARE = 0.02
SAMPLES = 4
FEW_BYTES = 16
NO_SPARE = 512
"""A dump that was read without its spare areas is a disk, as far as the order of blocks is."""


@dataclass(frozen=True)
class FoundWithoutCode:
    """A way to read the data, without any proof of what is read.

    Attributes:
        recipe: its code is None.
        score: bits by which the volumes on the disk are consistent.
        figure: what was seen, one line.
        rivals: (description, score) of what else was looked at.
    """

    recipe: Recipe
    score: float
    figure: str
    rivals: tuple[tuple[str, float], ...]


def find_without_code(
    data: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], progress: Progress = silent
) -> FoundWithoutCode | None:
    """Find the page size and the order of blocks under which volumes are consistent.

    Args:
        data: `uint8[bytes]`, the whole dump.
        candidates: page sizes, likeliest first.
        progress: told about every page size as `without code`.

    Returns:
        None where no volume shows: then there is nothing that speaks for any of them.
    """
    sizes = list(dict.fromkeys([*(item.page_bytes for item in candidates[:MOST_CANDIDATES]), 528, 2112, NO_SPARE]))
    judged: list[tuple[float, Recipe]] = []
    for done, page_bytes in enumerate(sizes):
        progress("without code", done, len(sizes))
        pages = data[: len(data) // page_bytes * page_bytes].reshape(-1, page_bytes)
        judged += [(_score(pages, trial), trial.recipe) for trial in _trials(pages)] if len(pages) else []
    if not judged:
        return None
    score, recipe = max(judged, key=lambda item: item[0])
    if score < SURE:
        return None
    rivals = tuple((_describe(other), points) for points, other in judged if other is not recipe)
    figure = f"{score:.0f} bits of consistency of the volumes, with the data of each page taken as they were read"
    return FoundWithoutCode(recipe, score, figure, rivals)


@dataclass(frozen=True)
class _Trial:
    """A recipe with the place of every logical block."""

    recipe: Recipe
    physical: NDArray[np.int64]


def _score(pages: NDArray[np.uint8], trial: _Trial) -> float:
    return volume_consistency(TrialDisk(pages, trial.recipe, trial.physical)).score


def _describe(recipe: Recipe) -> str:
    return f"{recipe.layout.page_bytes} bytes, {recipe.pages_per_block} pages a block, {recipe.translation.describe()}"


def _trials(pages: NDArray[np.uint8]) -> Iterator[_Trial]:
    """Blocks in their own order, then by every field of the spare area that behaves like a number."""
    layout = data_first(pages)
    bare = Recipe(LIKELY_BLOCKS[0], layout, None)
    yield _Trial(bare, np.arange(len(pages) // bare.pages_per_block, dtype=np.int64))
    if not layout.metadata_bytes:
        return
    for size in _block_sizes(pages, layout):
        recipe = replace(bare, pages_per_block=size)
        metadata = _block_metadata(pages, recipe)
        count = len(pages) // size
        for item in numberings(metadata, count):
            for versioned in with_versions(item, metadata):
                translation: Translation = versioned.translation
                if translation != IDENTITY:
                    physical = newest_blocks(metadata, translation, count)
                    yield _Trial(replace(recipe, translation=translation), physical)


def data_first(pages: NDArray[np.uint8]) -> PageLayout:
    """The page as one stretch of data, and the bytes behind it that differ from page to page as metadata.

    Args:
        pages: `uint8[pages, page_bytes]`.
    """
    page_bytes = pages.shape[1]
    data = page_bytes if page_bytes == NO_SPARE else data_bytes_of(page_bytes)
    sample = pages[:: max(1, len(pages) // 2048)]
    sample = sample[~erased_pages(sample)]
    spare = sample[:, data:]
    loose: tuple[Span, ...] = ()
    if spare.size:
        differs = (spare != np.median(spare, axis=0).astype(np.uint8)).mean(axis=0) > TELLING_SHARE
        edges = np.flatnonzero(np.diff(np.r_[False, differs, False].astype(np.int8)))
        runs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        loose = tuple(Span.of_bytes(Part.METADATA, data + first, last - first) for first, last in runs)
    return PageLayout(page_bytes, (Codeword((Span.of_bytes(Part.DATA, 0, data),), ()),), loose)


def _metadata(pages: NDArray[np.uint8], recipe: Recipe) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """`uint8[pages, metadata_bytes]` and which pages are written."""
    batch = recipe.decode(pages, np.arange(len(pages), dtype=np.int64))
    return batch.metadata, ~batch.erased


def _block_sizes(pages: NDArray[np.uint8], layout: PageLayout) -> list[int]:
    """Pages in a block: what changes of spare bytes say, else the usual sizes; none where nothing can be a number."""
    most = LOOKED_AT_BYTES // layout.page_bytes
    values, written = _metadata(pages[:most], Recipe(1, layout, None))
    both = (written[1:] & written[:-1])[:, None]
    changes = (values[1:] != values[:-1]) & both
    best = (0.0, 0)
    # What belongs to the block changes at most once a block, bit errors aside.
    often = len(values) / PAGES_PER_BLOCK[0] / ALIGNED
    counts = changes.sum(axis=0)
    for column in np.flatnonzero((counts >= FEWEST_CHANGES) & (counts <= often)).tolist():
        places = np.flatnonzero(changes[:, column]) + 1
        for size in range(PAGES_PER_BLOCK[1], PAGES_PER_BLOCK[0] - 1, -1):
            fitting = int((places % size == 0).sum())
            if fitting >= max(FEWEST_CHANGES, ALIGNED * len(places)):
                best = min(best, (log10_tail(len(places), fitting, 1 / size), size))
                break
    if best[1]:
        return [best[1]]
    # A number of the block would have shown itself, unless each block ends with erased pages.
    return list(LIKELY_BLOCKS) if values.shape[1] <= FEW_BYTES else []


def _block_metadata(pages: NDArray[np.uint8], recipe: Recipe) -> BlockMetadata:
    """Spare bytes of a few pages of every block; all that is written counts, as nothing can be checked."""
    size = recipe.pages_per_block
    blocks = np.arange(len(pages) // size, dtype=np.int64)
    values = np.zeros((len(blocks), SAMPLES, recipe.layout.metadata_bytes), np.uint8)
    good = np.zeros((len(blocks), SAMPLES), np.bool_)
    for column in range(SAMPLES):
        values[:, column], good[:, column] = _metadata(pages[blocks * size + column * size // SAMPLES], recipe)
    written = good.any(axis=1)
    return BlockMetadata(blocks[written], values[written], good[written])
