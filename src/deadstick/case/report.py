"""The report: one HTML file that opens anywhere, prints well, and needs nothing from outside."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from deadstick.board.journal import NAME as BENCH_JOURNAL
from deadstick.board.journal import Journal, Row, table
from deadstick.case.atomic import write_atomic
from deadstick.case.chip_map import ChipFigures, chip_picture
from deadstick.case.pictures import disk_picture, histogram_picture
from deadstick.case.result import FilePart, Result, Status
from deadstick.case.store import JournalRow
from deadstick.errors import InputError
from deadstick.files.records import FileState
from deadstick.recipe import toml

MOST_ROWS = 500
"""Most files in a table of the report; `files.csv` has them all."""

HEADLINES = {
    Status.RECOVERED: "Recovered: every live file is exact.",
    Status.PARTIAL: "Partly recovered.",
    Status.UNSOLVED: "Not solved: what the controller did could not be proven.",
    Status.ENCRYPTED: "Encrypted: the code was read, but what it protects is enciphered.",
    Status.UNREADABLE: "Unreadable: the dump holds nothing that could be decoded.",
}
STATE_MEANINGS = {
    FileState.EXACT: "every codeword under the file was corrected, the place of every sector is proven, and the "
    "content does not contradict its format",
    FileState.DOUBTFUL: "all bytes are there, but something that placed or filled them is not proven",
    FileState.DAMAGED: "some bytes are known to be lost; the table says where",
}


@dataclass(frozen=True, slots=True)
class StateCount:
    """Files of one state."""

    state: str
    meaning: str
    files: int
    bytes: int


@dataclass(frozen=True, slots=True)
class FileTable:
    """The part of a list of files that the report shows: what needs eyes first.

    Attributes:
        rows: shown, at most `MOST_ROWS`.
        total: of the whole list.
        counts: by state, over the whole list.
    """

    rows: Sequence[FilePart]
    total: int
    counts: tuple[StateCount, ...]


@dataclass(frozen=True, slots=True)
class Sources:
    """What the report is made of.

    Attributes:
        result: what came out.
        journal: events of the case.
        chip: the chip in figures, where a recipe was found.
        cells: counts of sector states for the picture of the disk, `[cell][SectorState]`; empty without a disk.
    """

    result: Result
    journal: Sequence[JournalRow] = ()
    chip: ChipFigures | None = None
    cells: Sequence[Sequence[int]] = ()


@dataclass(frozen=True, slots=True)
class Bench:
    """The journal of the work on the board.

    Attributes:
        name: of its file.
        rows: its lines.
        last: SHA-256 of the last one.
        problem: why it is not shown; empty where it is sound.
    """

    name: str
    rows: Sequence[Row] = ()
    last: str = ""
    problem: str = ""


def bench_of(folder: Path) -> Bench | None:
    """The journal of the bench in a case folder; None where there is none."""
    path = folder / BENCH_JOURNAL
    if not path.exists():
        return None
    try:
        journal = Journal.open(path)
    except InputError as error:
        # The recovery does not depend on it, so the report says what is wrong and goes on.
        return Bench(BENCH_JOURNAL, problem=str(error))
    return Bench(BENCH_JOURNAL, table(journal.entries, journal.struck), journal.last)


def file_table(files: Sequence[FilePart]) -> FileTable:
    """Sort and cut a list of files: damaged ones, doubtful ones, exact ones, each by path."""
    rank = {FileState.DAMAGED: 0, FileState.DOUBTFUL: 1, FileState.EXACT: 2}
    rows = sorted(files, key=lambda file: (rank[file.state], file.path))[:MOST_ROWS]
    counts = []
    for state, meaning in STATE_MEANINGS.items():
        members = [file.bytes for file in files if file.state == state]
        counts.append(StateCount(state.value, meaning, len(members), sum(members)))
    return FileTable(rows, len(files), tuple(counts))


def at_a_glance(result: Result, chip: ChipFigures | None) -> list[tuple[str, str]]:
    """The figures that a reader looks for first, each with its name."""
    figures: list[tuple[str, str]] = []
    if result.disk:
        exact = sum(file.state is FileState.EXACT for file in result.files)
        figures.append((f"{exact:,} of {len(result.files):,}", "live files exact"))
        figures.append((f"{len(result.deleted):,}", "deleted files found"))
        figures.append((f"{result.disk.sectors_exact:,}", f"of {result.disk.sectors:,} sectors exact"))
    if chip:
        corrected = sum(bits * count for bits, count in enumerate(chip.histogram))
        figures.append((f"{corrected:,}", f"bits corrected in {sum(chip.histogram):,} codewords"))
    figures.append((f"{result.seconds.total:,.0f} s", "of work by the program"))
    return figures


def write_report(path: Path, sources: Sources) -> None:
    """Write the report of a case."""
    write_atomic(path, render(sources, bench_of(path.parent)).encode())


def render(sources: Sources, bench: Bench | None = None) -> str:
    """The report as text; every value is escaped by the template."""
    result, chip = sources.result, sources.chip
    recipe = toml.from_dict(result.recipe) if result.recipe else None
    t = recipe.code.t if recipe and recipe.code else 0
    view: dict[str, Any] = {
        "result": result,
        "glance": at_a_glance(result, chip),
        "headline": HEADLINES[result.status],
        "recipe": recipe.describe() if recipe else {},
        "journal": sources.journal,
        "bench": bench,
        "chip": chip,
        "chip_map": chip_picture(chip, t) if chip else None,
        "histogram": histogram_picture(chip.histogram, t) if chip and t else None,
        "disk_map": disk_picture(sources.cells),
        "live": file_table(result.files),
        "deleted": file_table(result.deleted),
        "t": t,
    }
    return _template().render(view)


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("deadstick.case"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = lambda value: f"{value:,}"
    environment.filters["size"] = readable_size
    return environment.get_template("report.html.j2")


def readable_size(size: int) -> str:
    """Bytes for a person, in binary units (IEC 80000-13).

    >>> readable_size(900), readable_size(36175872)
    ('900 bytes', '34.5 MiB')
    """
    value, units = float(size), ["KiB", "MiB", "GiB", "TiB"]
    if size < 1024:
        return f"{size} byte{'' if size == 1 else 's'}"
    while value >= 1024 and units:
        value, unit = value / 1024, units.pop(0)
    return f"{value:.1f} {unit}"
