from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import workshop

from deadstick.case.chip_map import MOST_CELLS, ChipFigures, chip_figures, chip_picture, meanings, pages_per_cell
from deadstick.case.glance import bars
from deadstick.case.outcome import evidence_parts
from deadstick.case.pictures import disk_picture, histogram_picture
from deadstick.case.recover import recover
from deadstick.case.report import MOST_ROWS, Sources, file_table, render
from deadstick.case.result import DiskPart, DumpPart, FilePart, Result, Seconds, Status, VolumePart
from deadstick.case.store import JournalRow
from deadstick.files.records import FileState
from deadstick.flash.dump import Dump
from deadstick.rebuild.rebuild import rebuild
from deadstick.recipe import toml

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
HOSTILE = "<script>alert('x')</script>\"&\u202e.txt"


class Page(HTMLParser):
    """What a reader meets: tags, words, and addresses that would be fetched."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [str(value) for name, value in attrs if name in {"href", "src", "data", "action"}]
        if tag not in {"meta", "br", "col"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert (tag, len(attrs)) == ("rect", 3), "only SVG knows tags that close themselves"
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def result(status: Status = Status.PARTIAL, files: int = 3, hostile: str = "plain.txt") -> Result:
    states = (FileState.EXACT, FileState.DOUBTFUL, FileState.DAMAGED)
    parts = [
        FilePart(path=f"{n:06d} {hostile}", bytes=10, sha256="ab" * 32, state=states[n % 3], reason=hostile)
        for n in range(files)
    ]
    return Result(
        program_version="9.9",
        status=status,
        reason="1 of 3 files are exact",
        started=NOW,
        finished=NOW,
        dumps=[DumpPart(path=hostile, bytes=123456, sha256="cd" * 32, sha256_after="cd" * 32)],
        hints={},
        recipe=toml.to_dict(workshop.RECIPE),
        evidence=evidence_parts(workshop.FINDINGS),
        disk=DiskPart(
            path="disk.img", bytes=2048, sha256="ef" * 32, sectors=4, sectors_exact=1, sectors_doubtful=1,
            sectors_lost=1, sectors_unwritten=1,
        ),
        volumes=[VolumePart(index=1, kind="FAT16", label=hostile, first_sector=0, sectors=4, evidence=[hostile])],
        files=parts,
        deleted=parts[:1],
        problems=[hostile],
        seconds=Seconds(total=1.0),
        peak_memory_bytes=1 << 30,
    )  # fmt: skip


CHIP = ChipFigures(
    pages=32, pages_per_block=16, pages_per_cell=16, cells=["c1", "lost"], histogram=[5, 3, 0, 1],
    counts=[("pages", 32)], aside=[HOSTILE],
)  # fmt: skip


def whole(found: Result) -> str:
    journal = [JournalRow("2026-03-01T12:00:00.000+00:00", 1, "run started", HOSTILE)]
    return render(Sources(found, journal, CHIP, [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]))


@pytest.mark.parametrize("status", list(Status))
def test_every_end_has_a_well_formed_page_of_its_own(status: Status) -> None:
    page = Page(whole(result(status)))
    assert page.open == []
    assert page.tags.count("h1") == 1
    assert page.tags.count("table") == page.tags.count("caption")
    assert "1 of 3 files are exact" in page.text


def test_nothing_is_fetched_and_nothing_runs() -> None:
    text = whole(result())
    page = Page(text)
    assert page.addresses == []
    assert not {"script", "link", "img", "iframe", "object", "form"} & set(page.tags)
    assert "url(" not in text
    assert "@import" not in text
    assert "default-src 'none'" in text


def test_hostile_names_stay_words() -> None:
    text = whole(result(hostile=HOSTILE))
    page = Page(text)
    assert "script" not in page.tags
    assert "<script" not in text
    assert page.text.count("alert('x')") > 5


def test_the_fields_that_a_laboratory_report_needs_are_there() -> None:
    # Minimum fields of a laboratory's report: Forensic Magazine, 2013, after the practice of ISO/IEC 17025.
    text = Page(whole(result())).text
    for words in (
        "Laboratory, address", "Client, case number", "Received (date, manner, condition)", "Examiner", "signature",
        "Deviations from the method", "The results relate only to the items examined", "Items returned",
        "deadstick 9.9", "cd" * 32, "Report made",
    ):  # fmt: skip
        assert words in text


def test_evidence_shows_answer_figure_chance_and_rivals() -> None:
    text = Page(whole(result())).text
    for words in ("40 of 40 codewords decode", "1 in 10^52", "4224 bytes", "comb of 20 teeth"):
        assert words in text


def test_a_hundred_thousand_files_stay_a_page_one_can_open() -> None:
    text = whole(result(files=100_000))
    assert len(text) < 1_000_000
    assert "100,000" in text
    assert "files.csv has them all" in text


def test_what_needs_eyes_comes_first() -> None:
    table = file_table(result(files=3 * MOST_ROWS).files)
    assert len(table.rows) == MOST_ROWS
    assert {row.state for row in table.rows} == {FileState.DAMAGED}
    assert [(count.state, count.files) for count in table.counts] == [
        ("exact", MOST_ROWS), ("doubtful", MOST_ROWS), ("damaged", MOST_ROWS),
    ]  # fmt: skip


def test_the_report_of_a_run_names_what_was_found(tmp_path: Path) -> None:
    workshop.make_dump(tmp_path / "chip.bin", spoiled_pages=3)
    found = recover([tmp_path / "chip.bin"], tmp_path / "case", engines=workshop.know_it_all())
    page = Page((tmp_path / "case" / "report.html").read_text("utf-8"))
    damaged = [file for file in found.files if file.state is FileState.DAMAGED]
    assert all(file.path in page.text and file.sha256[:16] in page.text for file in damaged)
    assert found.dumps[0].sha256 in page.text
    assert page.tags.count("svg") >= 3


# Pictures -----------------------------------------------------------------------------------------------


def test_the_map_shows_lost_erased_and_written_pages_where_they_are(tmp_path: Path) -> None:
    workshop.make_dump(tmp_path / "chip.bin", spoiled_pages=3)
    rebuilt = rebuild(Dump.open(tmp_path / "chip.bin"), workshop.RECIPE)
    table = rebuilt.page_table
    figures = chip_figures(table, rebuilt.block_table, 8)
    assert figures.pages_per_cell == 1
    assert [style == "erased" for style in figures.cells] == (table.errors[:, 0] == -2).tolist()
    assert [style == "lost" for style in figures.cells] == (table.lost_codewords > 0).tolist()
    assert sum(figures.histogram) == int((table.errors >= 0).sum())
    assert figures.histogram[1] == int((table.errors == 1).sum())
    assert set(figures.cells) <= set(meanings(8))
    assert dict(figures.counts)["codewords beyond correction"] == 12


def test_a_map_never_has_more_cells_than_a_page_bears() -> None:
    for pages, block in ((1, 64), (64 * 300, 64), (256 * 2048, 256), (256 * 5000, 256), (96 * 4097, 96)):
        each = pages_per_cell(pages, block)
        assert -(-pages // each) <= MOST_CELLS
        assert each % block == 0 or block % each == 0


def test_every_cell_of_a_picture_is_drawn_once() -> None:
    picture = chip_picture(CHIP, 8)
    assert picture is not None
    assert [(box.style, box.title) for box in picture.boxes] == [
        ("c1", "block 0: worst codeword up to 2 corrected bits of 8"),
        ("lost", "block 1: part of the disk, at least one codeword beyond correction"),
    ]


def test_rows_are_numbered_by_block_and_blocks_stand_apart() -> None:
    cells = ["c1"] * 32 + ["stale"] * 32 + ["stale"] * 32
    chip = CHIP.model_copy(update={"pages": 192, "pages_per_block": 64, "pages_per_cell": 2, "cells": cells})
    picture = chip_picture(chip, 8)
    assert picture is not None
    assert [label.text for label in picture.labels] == ["0", "2"]
    assert [box.title.split(":")[0] for box in picture.boxes] == [
        "pages 0 to 63",
        "pages 64 to 127",
        "pages 128 to 191",
    ]
    first, second, third = picture.boxes
    assert first.y == second.y < third.y
    assert first.x + first.width + 1 < second.x
    assert second.x + second.width <= picture.width
    assert first.x == third.x > 0


def test_what_is_unreadable_and_not_part_of_the_disk_is_told_apart(tmp_path: Path) -> None:
    workshop.make_dump(tmp_path / "chip.bin")
    chip = np.fromfile(tmp_path / "chip.bin", np.uint8).reshape(-1, workshop.RECIPE.pages_per_block, 2112)
    blank = int(np.flatnonzero((chip == 0xFF).all(axis=(1, 2)))[0])
    chip[blank] = np.random.default_rng(5).integers(0, 256, chip[blank].shape, dtype=np.uint8)
    chip.tofile(tmp_path / "chip.bin")
    rebuilt = rebuild(Dump.open(tmp_path / "chip.bin"), workshop.RECIPE)
    figures = chip_figures(rebuilt.page_table, rebuilt.block_table, 8)
    size = workshop.RECIPE.pages_per_block
    assert [style == "apart" for style in figures.cells] == [at // size == blank for at in range(figures.pages)]
    assert "lost" not in figures.cells
    assert any(line.startswith(f"physical block {blank}:") for line in figures.aside)


def test_the_weakest_sector_colours_its_cell() -> None:
    picture = disk_picture([[9, 1, 0, 0], [5, 0, 1, 0], [5, 0, 1, 1], [0, 7, 0, 0]])
    assert picture is not None
    assert [box.style for box in picture.boxes] == ["exact", "doubtful", "lost", "unwritten"]
    assert disk_picture([]) is None


def test_a_histogram_reaches_to_what_the_code_can_bear() -> None:
    picture = histogram_picture([100, 10, 0, 1], 24)
    assert picture is not None
    bars_drawn = [box for box in picture.boxes if box.style != "axis"]
    assert [box.title.split()[0] for box in bars_drawn] == ["0", "1", "3"]
    heights = [box.height for box in bars_drawn]
    assert heights[0] > heights[1] > heights[2] > 0
    assert picture.labels[-2].text == "24"
    assert histogram_picture([], 24) is None


def test_bars_follow_their_values() -> None:
    assert bars(np.linspace(0, 8, 9), 9, 8.0) == " ▁▂▃▄▅▆▇█"
    assert bars(np.full(1000, 8.0), 64, 8.0) == "█" * 64
