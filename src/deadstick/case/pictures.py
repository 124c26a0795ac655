"""Pictures for the report, as plain shapes: cells of a chip or disk, bars of a histogram. The template draws them."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby

from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

COLUMNS = 64
CELL = 12
"""Pitch of the cells, in units of the drawing."""
GAP = 6
"""Between two groups of cells."""
GUTTER = 64
"""Room for the numbers before the rows."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: its style, and the words that a pointer shows."""

    x: float
    y: float
    width: float
    height: float
    style: str
    title: str


@dataclass(frozen=True, slots=True)
class Label:
    """A word in the drawing; `anchor` as in SVG: start, middle or end."""

    x: float
    y: float
    text: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class Legend:
    """One style of the picture and what it means."""

    style: str
    text: str
    count: int


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with its size, boxes, legend and labels."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    legend: tuple[Legend, ...]
    caption: str
    labels: tuple[Label, ...] = ()


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its style, and the first and last thing that it stands for."""

    style: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Rows:
    """How cells are laid out in rows.

    Attributes:
        columns: cells in a row.
        group: cells that belong together; a gap follows each group. The whole row by default.
        number: what stands before a row, from the number of the first thing in it; nothing by default.
    """

    columns: int = COLUMNS
    group: int = 0
    number: Callable[[int], str] | None = None


PLAIN_ROWS = Rows()


def grid(cells: Sequence[Cell], meanings: dict[str, str], thing: str, caption: str, rows: Rows = PLAIN_ROWS) -> Picture:
    """Lay cells out in rows; neighbours of one style in one group become one box.

    Args:
        cells: in order.
        meanings: what each style means; styles that no cell has are left out of the legend.
        thing: what a cell's numbers count, for instance "block".
        caption: one line below the picture.
        rows: their length, groups and numbers.
    """
    group, left = rows.group or rows.columns, GUTTER if rows.number else 0
    boxes: list[Box] = []
    labels: list[Label] = []
    for first in range(0, len(cells), rows.columns):
        row, column = cells[first : first + rows.columns], 0
        y = first // rows.columns * CELL
        number = rows.number(row[0].first) if rows.number else ""
        if number not in {"", *(label.text for label in labels[-1:])}:
            labels.append(Label(left - 6, y + CELL - 3, number, "end"))
        for (_, style), run in groupby(enumerate(row), key=lambda item: (item[0] // group, item[1].style)):
            members = [cell for _, cell in run]
            title = f"{_span(thing, members[0].first, members[-1].last)}: {meanings[style]}"
            x = left + column * CELL + column // group * GAP
            boxes.append(Box(x, y, len(members) * CELL - 1, CELL - 1, style, title))
            column += len(members)
    counts = {style: sum(cell.style == style for cell in cells) for style in meanings}
    legend = tuple(Legend(style, text, counts[style]) for style, text in meanings.items() if counts[style])
    across = min(len(cells), rows.columns)
    width = left + across * CELL + (across - 1) // group * GAP
    height = -(-len(cells) // rows.columns) * CELL
    return Picture(width, height, tuple(boxes), legend, caption, tuple(labels))


def _span(thing: str, first: int, last: int) -> str:
    return f"{thing} {first:,}" if first == last else f"{thing}s {first:,} to {last:,}"


DISK_MEANINGS = {
    "exact": "exact, as far as it was written",
    "unwritten": "not stored on the chip",
    "doubtful": "at least one sector doubtful",
    "lost": "at least one sector lost",
}
_DISK_STYLES = {
    SectorState.LOST: "lost",
    SectorState.DOUBTFUL: "doubtful",
    SectorState.UNWRITTEN: "unwritten",
    SectorState.EXACT: "exact",
}


def disk_picture(counts: Sequence[Sequence[int]]) -> Picture | None:
    """The disk from its first to its last sector; the weakest claim in a cell colours it.

    Args:
        counts: `[cell][SectorState]`, how many sectors of each state.
    """
    if not counts or not sum(map(sum, counts)):
        return None
    cells = []
    first = 0
    for row in counts:
        # A cell that is partly unwritten and otherwise exact is shown as exact: unwritten free space is no damage.
        worst = next((state for state in (SectorState.LOST, SectorState.DOUBTFUL) if row[state]), None)
        if worst is None:
            worst = SectorState.EXACT if row[SectorState.EXACT] else SectorState.UNWRITTEN
        cells.append(Cell(_DISK_STYLES[worst], first, first + sum(row) - 1))
        first += sum(row)
    each = -(-first // len(cells))
    size = "1 sector" if each == 1 else f"{each:,} sectors"
    caption = (
        f"{first:,} sectors of {SECTOR_BYTES} bytes, row by row; a cell is {size}; the number is a row's first sector"
    )
    return grid(cells, DISK_MEANINGS, "sector", caption, Rows(number=lambda sector: f"{sector:,}"))


HEIGHT = 130
LABEL_HEIGHT = 16
_BAR_AREA = 720
_TICKS = 8


def histogram_picture(counts: Sequence[int], t: int) -> Picture | None:
    """How many codewords needed how many corrections; the heights are logarithmic.

    Args:
        counts: codewords with 0, 1, 2 ... corrected bits.
        t: bits that the code can correct.
    """
    if not sum(counts):
        return None
    bars = [*counts, *[0] * (t + 1 - len(counts))]
    pitch = _BAR_AREA / len(bars)
    top = LABEL_HEIGHT
    scale = (HEIGHT - 2 * top) / math.log10(10 * max(bars))
    floor = HEIGHT - top
    boxes = [Box(0, floor, _BAR_AREA, 1, "axis", "no codeword needed as many corrections")]
    for bits, count in enumerate(bars):
        if count:
            height = scale * math.log10(10 * count)
            title = f"{bits} corrected bits: {count:,} codewords"
            boxes.append(Box(bits * pitch, floor - height, max(1.0, pitch - 1), height, shade(bits, t), title))
    step = max(1, -(-t // _TICKS))
    shown = [bits for bits in range(0, t, step) if t - bits >= step / 2] + [t]
    labels = [Label((bits + 0.5) * pitch, HEIGHT - 3, str(bits)) for bits in shown]
    largest = bars.index(max(bars))
    edge, anchor = (largest, "start") if 2 * largest < len(bars) else (largest + 1, "end")
    labels.append(Label(edge * pitch, top - 4, f"{max(bars):,} codewords", anchor))
    caption = (
        f"Corrected bits per codeword, from 0 to {t}, which is all that the code can correct; heights are logarithmic"
    )
    return Picture(_BAR_AREA, HEIGHT, tuple(boxes), (), caption, tuple(labels))


def shade(bits: int, t: int) -> str:
    """Five shades, from no corrected bit to the most that the code can bear."""
    return "c0" if bits == 0 else f"c{min(4, 1 + 4 * (bits - 1) // max(1, t))}"
