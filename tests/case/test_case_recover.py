import csv
import errno
import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
import workshop

from deadstick.case.recover import recover
from deadstick.case.result import Result, Status
from deadstick.case.store import CaseStore
from deadstick.errors import CaseError, InputError
from deadstick.files.records import FileState, Listing
from deadstick.solve.hints.hints import Hints


@pytest.fixture
def dump(tmp_path: Path) -> Path:
    path = tmp_path / "chip.bin"
    workshop.make_dump(path)
    return path


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def events(case: Path) -> list[str]:
    with CaseStore.open(case) as store:
        return [row.event for row in store.journal()]


def test_every_file_comes_out_byte_for_byte_and_is_called_exact(tmp_path: Path) -> None:
    files = workshop.make_dump(tmp_path / "chip.bin", seed=5)
    result = recover([tmp_path / "chip.bin"], tmp_path / "case", engines=workshop.know_it_all())
    assert (result.status, result.exit_status) == (Status.RECOVERED, 0)
    assert result.reason == f"{len(files)} of {len(files)} files are exact"
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in files}
    assert {file.path: file.sha256 for file in result.files} == truth
    written = {name: hashlib.sha256(data).hexdigest() for name, data in tree(tmp_path / "case" / "files").items()}
    assert sorted(written.values()) == sorted(truth.values())


def test_the_folder_holds_what_was_promised_and_nothing_else(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    names = {path.name for path in (tmp_path / "case").iterdir()}
    assert names == {
        "case.db", "recipe.toml", "pages.parquet", "disk.img", "files", "deleted", "files.csv", "report.html",
        "result.json",
    }  # fmt: skip


def test_result_json_has_every_agreed_field(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    found = json.loads((tmp_path / "case" / "result.json").read_bytes())
    assert {"status", "reason", "recipe", "evidence", "disk", "files", "seconds", "peak_memory_bytes"} <= set(found)
    assert {"question", "answer", "figure", "chance"} <= set(found["evidence"][0])
    disk = found["disk"]
    assert {"path", "bytes", "sectors", "sectors_exact", "sectors_doubtful", "sectors_lost"} <= set(disk)
    assert disk["sectors"] * 512 == disk["bytes"] == (tmp_path / "case" / disk["path"]).stat().st_size
    states = ("sectors_exact", "sectors_doubtful", "sectors_lost", "sectors_unwritten")
    assert sum(disk[name] for name in states) == disk["sectors"]
    assert disk["sha256"] == hashlib.sha256((tmp_path / "case" / "disk.img").read_bytes()).hexdigest()
    assert {"path", "bytes", "sha256", "state", "reason"} <= set(found["files"][0])
    assert {"solve", "rebuild", "files", "total"} <= set(found["seconds"])
    assert found["peak_memory_bytes"] > 1 << 20
    assert found["dumps"][0]["sha256"] == hashlib.sha256(dump.read_bytes()).hexdigest()


def test_a_lost_page_makes_it_partial_and_names_the_counts(tmp_path: Path) -> None:
    files = workshop.make_dump(tmp_path / "chip.bin", spoiled_pages=3)
    result = recover([tmp_path / "chip.bin"], tmp_path / "case", engines=workshop.know_it_all())
    assert (result.status, result.exit_status) == (Status.PARTIAL, 3)
    damaged = [file for file in result.files if file.state is FileState.DAMAGED]
    assert damaged
    assert f"{len(files) - len(damaged)} of {len(files)} files are exact, {len(damaged)} damaged" in result.reason
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in files}
    assert all(truth[file.path] == file.sha256 for file in result.files if file.state is FileState.EXACT)
    rows = list(csv.DictReader((tmp_path / "case" / "files.csv").read_text("utf-8").splitlines()))
    assert {row["path"] for row in rows if row["state"] == "damaged"} == {file.path for file in damaged}
    assert all(int(row["lost_bytes"]) > 0 for row in rows if row["state"] == "damaged")


@pytest.mark.parametrize("outcome", ["unsolved", "encrypted", "unreadable"])
def test_without_a_recipe_there_is_a_report_and_no_file(outcome: str, dump: Path, tmp_path: Path) -> None:
    result = recover([dump], tmp_path / "case", engines=workshop.know_it_all(outcome))
    assert (result.status, result.exit_status) == (outcome, 4)
    assert {path.name for path in (tmp_path / "case").iterdir()} == {"case.db", "report.html", "result.json"}
    assert result.disk is None
    assert result.recipe is None


def test_a_disk_without_a_volume_is_partial(dump: Path, tmp_path: Path) -> None:
    blind = replace(workshop.know_it_all(), recover_files=lambda *_: Listing())
    result = recover([dump], tmp_path / "case", engines=blind)
    assert result.status is Status.PARTIAL
    assert "no file system" in result.reason


def test_files_that_found_no_room_are_no_finding_about_the_chip(dump: Path, tmp_path: Path) -> None:
    full = Listing(problems=(f"'a.txt': could not be written: {os.strerror(errno.ENOSPC)}",))
    engines = replace(workshop.know_it_all(), recover_files=lambda *_: full)
    with pytest.raises(CaseError, match="disk is full"):
        recover([dump], tmp_path / "case", engines=engines)
    assert not (tmp_path / "case" / "result.json").exists()
    assert recover([dump], tmp_path / "case", engines=workshop.know_it_all()).status is Status.RECOVERED


def test_the_dump_stays_as_it_was(dump: Path, tmp_path: Path) -> None:
    before = (dump.read_bytes(), dump.stat().st_mtime_ns, dump.stat().st_mode)
    result = recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert (dump.read_bytes(), dump.stat().st_mtime_ns, dump.stat().st_mode) == before
    assert result.dumps[0].sha256 == result.dumps[0].sha256_after
    assert "dump verified" in events(tmp_path / "case")


def test_a_dump_that_changes_under_our_hands_voids_the_work(dump: Path, tmp_path: Path) -> None:
    def flip() -> None:
        with dump.open("r+b") as stream:
            stream.write(b"\0")

    engines = workshop.before(workshop.know_it_all(), "recover_files", flip)
    with pytest.raises(InputError, match="changed while we read it"):
        recover([dump], tmp_path / "case", engines=engines)
    assert not (tmp_path / "case" / "result.json").exists()


@pytest.mark.parametrize("stage", ["solve", "rebuild", "write_image", "recover_files"])
def test_a_stopped_run_goes_on_and_repeats_no_finished_stage(stage: str, dump: Path, tmp_path: Path) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    whole = recover([dump], tmp_path / "whole", engines=workshop.know_it_all())
    with pytest.raises(KeyboardInterrupt):
        recover([dump], tmp_path / "case", engines=workshop.before(workshop.know_it_all(), stage, stop))
    assert not (tmp_path / "case" / "result.json").exists()
    assert "run stopped" in events(tmp_path / "case")

    result = recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert [file.sha256 for file in result.files] == [file.sha256 for file in whole.files]
    assert (tmp_path / "case" / "disk.img").read_bytes() == (tmp_path / "whole" / "disk.img").read_bytes()
    finished = [event for event in events(tmp_path / "case") if event.endswith(" finished")]
    assert sorted(finished) == sorted(
        f"{name} finished" for name in ("reads", "solve", "rebuild", "image", "files", "report", "run")
    )


def test_a_finished_case_is_only_read(dump: Path, tmp_path: Path) -> None:
    first = recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    before = {name: data for name, data in tree(tmp_path / "case").items() if name != "case.db"}

    def never() -> None:
        raise AssertionError("a finished stage was done again")

    engines = workshop.know_it_all()
    for stage in ("solve", "rebuild", "write_image", "recover_files"):
        engines = workshop.before(engines, stage, never)
    assert recover([dump], tmp_path / "case", engines=engines) == first
    assert {name: data for name, data in tree(tmp_path / "case").items() if name != "case.db"} == before


def test_an_output_that_went_missing_is_made_again(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    image = (tmp_path / "case" / "disk.img").read_bytes()
    (tmp_path / "case" / "disk.img").unlink()
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert (tmp_path / "case" / "disk.img").read_bytes() == image


def test_an_unsolved_case_may_be_tried_with_a_hint(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all("unsolved"))
    hints = Hints(recipe=workshop.RECIPE)
    assert recover([dump], tmp_path / "case", hints, engines=workshop.know_it_all()).status is Status.RECOVERED


def test_a_solved_case_refuses_other_hints(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    with pytest.raises(CaseError, match="choose a new folder"):
        recover([dump], tmp_path / "case", Hints(page_bytes=4096), engines=workshop.know_it_all())


def test_a_case_of_another_dump_is_refused_untouched(dump: Path, tmp_path: Path) -> None:
    recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    other = tmp_path / "other.bin"
    workshop.make_dump(other, seed=2)
    before = tree(tmp_path / "case")
    with pytest.raises(CaseError, match="another dump"):
        recover([other], tmp_path / "case", engines=workshop.know_it_all())
    assert tree(tmp_path / "case") == before


def test_a_folder_with_other_files_is_refused_untouched(dump: Path, tmp_path: Path) -> None:
    (tmp_path / "case" / "files").mkdir(parents=True)
    (tmp_path / "case" / "files" / "mine.txt").write_text("mine")
    with pytest.raises(CaseError, match="other files"):
        recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert tree(tmp_path / "case") == {"files/mine.txt": b"mine"}


def test_a_database_of_somebody_else_is_refused_untouched(dump: Path, tmp_path: Path) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "case.db").write_bytes(b"notes about a case of wine\n" * 20)
    before = tree(tmp_path / "case")
    with pytest.raises(CaseError, match="not a case of this program"):
        recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert tree(tmp_path / "case") == before


def test_a_case_folder_that_holds_the_dump_is_refused(dump: Path) -> None:
    with pytest.raises(CaseError, match="apart from the dump"):
        recover([dump], dump.parent, engines=workshop.know_it_all())


def test_one_file_is_not_two_chips(dump: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"the same bytes as .* given as another chip"):
        recover([dump, dump], tmp_path / "case", engines=workshop.know_it_all())
    assert not (tmp_path / "case").exists()


def test_two_runs_cannot_work_on_one_case(dump: Path, tmp_path: Path) -> None:
    def second() -> None:
        with pytest.raises(CaseError, match="another run"):
            recover([dump], tmp_path / "case", engines=workshop.know_it_all())

    engines = workshop.before(workshop.know_it_all(), "rebuild", second)
    assert recover([dump], tmp_path / "case", engines=engines).status is Status.RECOVERED


def test_a_fault_of_ours_is_in_the_journal_with_its_place(dump: Path, tmp_path: Path) -> None:
    def fall() -> None:
        raise IndexError("page 17")

    with pytest.raises(IndexError):
        recover([dump], tmp_path / "case", engines=workshop.before(workshop.know_it_all(), "rebuild", fall))
    with CaseStore.open(tmp_path / "case") as store:
        last = store.journal()[-1]
    assert last.event == "run ended by a fault in the program"
    assert "IndexError: page 17" in last.detail
    assert "Traceback" in last.detail


def test_a_result_can_be_read_back(dump: Path, tmp_path: Path) -> None:
    result = recover([dump], tmp_path / "case", engines=workshop.know_it_all())
    assert Result.load(tmp_path / "case") == result


def test_a_damaged_result_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "result.json").write_text('{"status": "recovered"}')
    with pytest.raises(CaseError, match="not a result of this program"):
        Result.load(tmp_path)
