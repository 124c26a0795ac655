"""What became of the chip's pages: counts, a histogram and a map, small enough to keep in the record of the case."""

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from deadstick.case.pictures import COLUMNS, Cell, Picture, Rows, grid, shade
from deadstick.rebuild.mapping import BlockTable
from deadstick.rebuild.page_table import PageKind, PageTable

MOST_CELLS = 2048


class ChipFigures(BaseModel):
    """The chip in figures.

    Attributes:
        pages: physical pages.
        pages_per_block: pages in a block.
        pages_per_cell: pages that one cell of the map stands for.
        cells: style of each cell of the map, see `meanings`.
        histogram: codewords with 0, 1, 2 ... corrected bits.
        counts: counts of pages, blocks and codewords, in words.
        aside: written blocks that have no place on the disk, and why.
    """

    model_config = ConfigDict(frozen=True)

    pages: int
    pages_per_block: int
    pages_per_cell: int
    cells: list[str]
    histogram: list[int]
    counts: list[tuple[str, int]]
    aside: list[str]


def chip_figures(table: PageTable, blocks: BlockTable, t: int) -> ChipFigures:
    """Count and sum up.

    Args:
        table: outcome of the decode pass.
        blocks: which pages the disk is made of.
        t: bits that the code corrects; 0 where there is no code.
    """
    used = np.zeros(len(table), np.bool_)
    used[blocks.physical[blocks.physical >= 0]] = True
    errors = table.errors
    histogram = np.bincount(errors[errors >= 0].astype(np.int64))
    per_cell = pages_per_cell(len(table), blocks.pages_per_block)
    return ChipFigures(
        pages=len(table),
        pages_per_block=blocks.pages_per_block,
        pages_per_cell=per_cell,
        cells=_styles(table, used, np.arange(0, len(table), per_cell), t) if len(table) else [],
        histogram=histogram.tolist(),
        counts=_counts(table, blocks, used, histogram),
        aside=[f"physical block {blocks.name(block.block)}: {block.reason}" for block in blocks.aside],
    )


def meanings(t: int) -> dict[str, str]:
    """What each style of a cell means, for a code that corrects `t` bits."""
    quarter = [max(1, t * part // 4) for part in range(1, 5)]
    return {
        "c0": "no bit had to be corrected",
        "c1": f"worst codeword up to {quarter[0]} corrected bits of {t}",
        "c2": f"worst codeword up to {quarter[1]} of {t}",
        "c3": f"worst codeword up to {quarter[2]} of {t}",
        "c4": f"worst codeword up to {t} of {t}",
        "stale": "not part of the disk: older copies, the controller's own tables",
        "erased": "erased",
        "constant": "reads as zero bits, like a bad block",
        "apart": "not part of the disk, beyond correction: bad blocks, torn copies",
        "lost": "part of the disk, at least one codeword beyond correction",
    }


def chip_picture(chip: ChipFigures, t: int) -> Picture | None:
    """The chip from its first to its last block; the weakest page in a cell colours it.

    A cell is some whole blocks of a large chip, and a part of a block of a small one.
    """
    if not chip.cells:
        return None
    whole = chip.pages_per_cell % chip.pages_per_block == 0
    thing, unit = ("block", chip.pages_per_block) if whole else ("page", 1)
    each = chip.pages_per_cell // unit
    last = (chip.pages - 1) // unit
    cells = [Cell(style, at * each, min(at * each + each - 1, last)) for at, style in enumerate(chip.cells)]
    size = f"1 {thing}" if each == 1 else f"{each:,} {thing}s"
    caption = f"{chip.pages:,} pages in blocks of {chip.pages_per_block}, row by row; a cell is {size}; "
    caption += "the number is a row's first block"
    columns, group = (COLUMNS, COLUMNS) if whole else block_rows(chip.pages_per_block // chip.pages_per_cell)
    rows = Rows(columns, group, lambda first: f"{first * unit // chip.pages_per_block:,}")
    return grid(cells, meanings(t), thing, caption, rows)


def block_rows(cells: int) -> tuple[int, int]:
    """Columns of a row, and how many of them go together, so that rows begin with a block, or with a whole part of one.

    Args:
        cells: of one block.

    >>> block_rows(32), block_rows(24), block_rows(256)
    ((64, 32), (48, 24), (64, 64))
    """
    group = max(part for part in range(1, COLUMNS + 1) if cells % part == 0)
    # A part of a block has a row of its own, so that blocks stand below one another.
    return group if group < cells else group * (COLUMNS // group), group


def pages_per_cell(pages: int, pages_per_block: int) -> int:
    """How many pages one cell stands for, so that there are at most `MOST_CELLS` cells.

    >>> pages_per_cell(64 * 4096, 64), pages_per_cell(64 * 16, 64)
    (128, 1)
    """
    blocks = -(-pages // pages_per_block)
    if blocks > MOST_CELLS:
        return pages_per_block * -(-blocks // MOST_CELLS)
    divisors = [part for part in range(1, pages_per_block + 1) if pages_per_block % part == 0]
    return pages_per_block // max(part for part in divisors if blocks * part <= MOST_CELLS)


def _styles(table: PageTable, used: NDArray[np.bool_], starts: NDArray[np.int64], t: int) -> list[str]:
    erased = table.kind == PageKind.ERASED
    constant = table.kind == PageKind.CONSTANT
    blank = np.logical_and.reduceat(erased, starts).tolist()
    bad = np.logical_and.reduceat(erased | constant, starts).tolist()
    lost = (np.add.reduceat(np.where(constant, 0, table.lost_codewords), starts) > 0).tolist()
    live = np.logical_or.reduceat((table.kind == PageKind.DATA) & used, starts).tolist()
    missed = np.add.reduceat(np.where(used & ~constant, table.lost_codewords, 0), starts).tolist()
    worst = np.maximum.reduceat(np.maximum(table.worst_codeword, 0), starts).tolist()
    return [
        "erased" if a else "constant" if b else "lost" if m else shade(bits, t) if d else "apart" if c else "stale"
        for a, b, c, d, m, bits in zip(blank, bad, lost, live, missed, worst, strict=True)
    ]


def _counts(
    table: PageTable, blocks: BlockTable, used: NDArray[np.bool_], histogram: NDArray[np.int64]
) -> list[tuple[str, int]]:
    data = table.kind == PageKind.DATA
    return [
        ("pages", len(table)),
        ("written pages, at least partly readable", _true(data)),
        ("of these, not part of the disk (older copies, blocks without a place)", _true(data & ~used)),
        ("erased pages", _true(table.kind == PageKind.ERASED)),
        ("pages without any readable codeword", _true(table.kind == PageKind.LOST)),
        ("pages that read as zero bits", _true(table.kind == PageKind.CONSTANT)),
        ("logical pages that no page holds", _true(blocks.physical < 0)),
        ("logical pages with more than one candidate", _true(blocks.doubtful)),
        ("written blocks without a place", len(blocks.aside)),
        ("codewords corrected", int(histogram.sum())),
        ("bits corrected", int((histogram * np.arange(len(histogram))).sum())),
        ("codewords beyond correction", int(table.lost_codewords.sum(dtype=np.int64))),
        ("codewords that are doubtful by themselves", int(table.doubtful_codewords.sum(dtype=np.int64))),
    ]


def _true(flags: NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(flags))
