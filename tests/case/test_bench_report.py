"""The journal of the bench in a case folder, and in the report."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
import workshop

from deadstick.board.journal import NAME, Journal
from deadstick.board.observations import note_reading
from deadstick.board.readings import Kind, Reading
from deadstick.case.recover import recover
from deadstick.case.report import bench_of
from deadstick.errors import CaseError

HOSTILE = '<script>alert("b")</script>'
WHEN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def bench(folder: Path) -> Path:
    """A journal of three lines, one of them struck, as it lies in a case folder before the dump is there."""
    folder.mkdir()
    journal = Journal.open(folder / NAME)
    reading = Reading(Kind.FOUR_WIRE, ("C7.1", "C7.2"), 0.31, "ohm", 0.001, instrument=HOSTILE, time=WHEN)
    note_reading(journal, reading).add("looked at the plug", kind="remark", note=HOSTILE).strike(2, "wrong stick")
    (folder / "board.toml").write_text("")
    return folder


def recovered(tmp_path: Path, case: Path) -> str:
    workshop.make_dump(tmp_path / "chip.bin")
    recover([tmp_path / "chip.bin"], case, engines=workshop.know_it_all())
    return (case / "report.html").read_text("utf-8")


def test_readings_come_with_time_place_value_and_instrument(tmp_path: Path) -> None:
    case = bench(tmp_path / "case")
    report = recovered(tmp_path, case)
    section = report.split("<h2>At the bench</h2>")[1].split("<h2>")[0]
    cells = re.findall(r"<td[^>]*>(.*?)</td>", section)
    assert cells[1:5] == ["2026-05-04 09:30:00", "four-wire resistance", "C7.1, C7.2", "0.31 ohm"]
    assert "<s>looked at the plug</s> (struck)" in section
    assert Journal.open(case / NAME).last in section
    assert HOSTILE not in report
    assert "&lt;script&gt;" in section


def test_a_case_without_a_bench_has_no_such_section(tmp_path: Path) -> None:
    assert "At the bench" not in recovered(tmp_path, tmp_path / "case")


def test_a_journal_that_was_changed_is_told_and_not_shown(tmp_path: Path) -> None:
    case = bench(tmp_path / "case")
    path = case / NAME
    path.write_text(path.read_text().replace("0.31", "0.91"))
    report = recovered(tmp_path, case)
    assert "cannot be trusted" in report
    assert "0.91" not in report
    found = bench_of(case)
    assert found is not None
    assert "line 2 does not follow" in found.problem


def test_other_files_are_refused_as_before(tmp_path: Path) -> None:
    case = bench(tmp_path / "case")
    (case / "holiday.jpg").write_bytes(b"")
    with pytest.raises(CaseError, match="other files"):
        recovered(tmp_path, case)
