"""The whole step: decode every page, sort the blocks, and stand up the disk."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.flash.dump import Dump
from deadstick.progress import Progress, silent
from deadstick.rebuild.disk import RebuiltDisk
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState
from deadstick.rebuild.mapping import BlockTable
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.pages import decode_dump
from deadstick.rebuild.patch import PatchedSpace
from deadstick.rebuild.translate import SamePages, block_table, with_places
from deadstick.rebuild.trials import Reads, with_trials
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.toml import to_dict

_SECTORS_AT_A_TIME = 1 << 20


@dataclass(frozen=True)
class Statistics:
    """A rebuilt disk in figures.

    Attributes:
        sectors: sectors of the disk.
        exact: sectors of this `SectorState`; likewise the next three.
        unwritten: see above.
        doubtful: see above.
        lost: see above.
        bits_corrected: over all pages of the chip.
        codewords: that are written, over all pages of the chip.
        lost_codewords: of them, those beyond correction.
        raw_bit_error_rate: corrected bits by the bits of the corrected codewords; 0 where no code protects them.
            Lost codewords are not in it, so it is on the low side where there are many.
        older_copies: blocks that hold an older copy of a logical block.
        unreadable_blocks: written blocks whose logical number is not sure. One of them may hide a newer copy of
            any logical block.
        seconds: that the rebuild took.
    """

    sectors: int
    exact: int
    unwritten: int
    doubtful: int
    lost: int
    bits_corrected: int
    codewords: int
    lost_codewords: int
    raw_bit_error_rate: float
    older_copies: int
    unreadable_blocks: int
    seconds: float


@dataclass(frozen=True)
class Rebuilt:
    """What a recipe makes of a dump.

    Attributes:
        page_table: one row per physical page.
        block_table: where every logical page lies.
        disk: the disk.
        statistics: the whole in figures.
    """

    page_table: PageTable
    block_table: BlockTable
    disk: RebuiltDisk
    statistics: Statistics


def rebuild(
    dump: Dump | Sequence[Dump],
    recipe: Recipe,
    *,
    page_table: PageTable | None = None,
    progress: Progress = silent,
) -> Rebuilt:
    """Rebuild the disk of one chip, or of several.

    Args:
        dump: the chip as read; of several chips one dump each, in the order that the recipe's interleave names them.
        recipe: what its controller did.
        page_table: from an earlier run, which saves the decode pass; used only if it was made of this dump with
            this recipe.
        progress: told `("decode", pages, pages in all)`, and for a chip that was read several times
            `("trials", codewords, codewords in all)`.

    Raises:
        RecipeError: a dump is shorter than a page, or there are more or fewer dumps than the recipe speaks of.
    """
    start = perf_counter()
    dumps = [dump] if isinstance(dump, Dump) else list(dump)
    pages = PageSpace.of_dumps([one.array for one in dumps], recipe)
    for one in dumps:
        if one.size * recipe.interleave.lanes < recipe.layout.page_bytes:
            raise RecipeError(f"{one.path}: {one.size} bytes are less than one page of {recipe.layout.page_bytes}")
    identity = dump_identity(dumps, recipe)
    if page_table is None or page_table.identity != identity:
        decoded = with_trials(decode_dump(pages, recipe, progress), Reads(dumps, pages, recipe), progress)
        page_table = replace(decoded, identity=identity)
    if len(page_table.patch):
        pages = PatchedSpace(pages, page_table.patch)
    blocks = block_table(page_table, recipe, same_pages(pages, recipe, page_table))
    page_table = with_places(page_table, blocks)
    disk = RebuiltDisk(pages, recipe, page_table, blocks)
    return Rebuilt(page_table, blocks, disk, _statistics(disk, recipe, perf_counter() - start))


def dump_identity(dump: Dump | Sequence[Dump], recipe: Recipe) -> str:
    """Names a dump, or the dumps of several chips, with a recipe: 64 hexadecimal digits."""
    dumps = [dump] if isinstance(dump, Dump) else list(dump)
    text = json.dumps({"dump": ",".join(one.sha256 for one in dumps), "recipe": to_dict(recipe)}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def same_pages(pages: NDArray[np.uint8] | PageSpace, recipe: Recipe, table: PageTable) -> SamePages:
    """Compare two physical blocks by their corrected data, page by page.

    Args:
        pages: `uint8[pages, page_bytes]`, the dump; or the pages of several chips.
        recipe: what to undo.
        table: outcome of the decode pass.
    """
    size = recipe.pages_per_block
    space = PageSpace.of(pages, size)

    def data(block: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        rows = np.arange(block * size, min((block + 1) * size, len(space)))
        readable = (table.states[rows] == SectorState.EXACT).all(axis=1) & (table.kind[rows] != PageKind.ERASED)
        return recipe.decode(space.take(rows), space.numbers(rows)).data, readable

    def compare(first: int, second: int) -> NDArray[np.bool_]:
        (one, one_fine), (other, other_fine) = data(first), data(second)
        count = min(len(one), len(other))
        same = np.zeros(size, np.bool_)
        same[:count] = (one[:count] == other[:count]).all(axis=1) & one_fine[:count] & other_fine[:count]
        return same

    return compare


def _statistics(disk: RebuiltDisk, recipe: Recipe, seconds: float) -> Statistics:
    table, blocks = disk.page_table, disk.block_table
    sectors = disk.size // SECTOR_BYTES
    counts = np.zeros(len(SectorState), np.int64)
    for first in range(0, sectors, _SECTORS_AT_A_TIME):
        states = disk.states(first, min(_SECTORS_AT_A_TIME, sectors - first))
        counts += np.bincount(states, minlength=len(SectorState))
    sizes = np.array([codeword.message_bits for codeword in recipe.layout.codewords], np.int64)
    sizes += recipe.code.parity_bits if recipe.code else 0
    bits = int(((table.errors >= 0).sum(axis=0) * sizes).sum())
    corrected = int(table.bits_corrected.sum())
    return Statistics(
        sectors=sectors,
        exact=int(counts[SectorState.EXACT]),
        unwritten=int(counts[SectorState.UNWRITTEN]),
        doubtful=int(counts[SectorState.DOUBTFUL]),
        lost=int(counts[SectorState.LOST]),
        bits_corrected=corrected,
        codewords=int((table.kind != PageKind.ERASED).sum()) * len(sizes),
        lost_codewords=int(table.lost_codewords.sum()),
        raw_bit_error_rate=corrected / bits if bits else 0.0,
        older_copies=sum(len(copies) - 1 for copies in blocks.copies if copies),
        unreadable_blocks=len(blocks.unreadable),
        seconds=seconds,
    )
