import sqlite3
from pathlib import Path

import pytest

from deadstick.case.result import FilePart
from deadstick.case.store import APPLICATION_ID, CaseStore, InputRow, StageRow
from deadstick.errors import CaseError
from deadstick.files.records import FileState

INPUT = InputRow(0, 0, "/dumps/chip.bin", 4096, "ab" * 32)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with CaseStore.create(tmp_path / "case", [INPUT]) as store:
        store.begin_run("1.0", {"page_bytes": 4096})
        store.note("lamp on", "in the lab")
    return tmp_path / "case"


def test_inputs_and_journal_are_read_back(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        assert store.inputs() == (INPUT,)
        assert [(row.run, row.event, row.detail) for row in store.journal()] == [
            (1, "run started", "deadstick 1.0"),
            (1, "lamp on", "in the lab"),
        ]
        assert all(row.utc.endswith("+00:00") for row in store.journal())


@pytest.mark.parametrize("statement", ["DELETE FROM journal", "UPDATE journal SET event = 'nothing'"])
def test_nobody_changes_the_journal(statement: str, folder: Path) -> None:
    connection = sqlite3.connect(folder / "case.db")
    try:
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            connection.execute(statement)
    finally:
        connection.close()


def test_the_file_says_whose_it_is(folder: Path) -> None:
    # SQLite file format, section 1.3: the application id stands at offset 68, the user version at 60.
    head = (folder / "case.db").read_bytes()[:100]
    assert int.from_bytes(head[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(head[60:64], "big") == 1


def test_a_stage_counts_while_its_outputs_are_whole(folder: Path) -> None:
    (folder / "disk.img").write_bytes(bytes(512))
    (folder / "files").mkdir()
    stage = StageRow("image", 1.5, {"disk.img": 512, "files": -1}, {"cells": [[1, 0, 0, 0]]})
    with CaseStore.open(folder) as store:
        store.begin_run("1.0", {})
        store.finish(stage)
        assert store.stage("image") == stage
        (folder / "disk.img").write_bytes(bytes(511))
        assert store.stage("image") is None
        (folder / "disk.img").write_bytes(bytes(512))
        (folder / "files").rmdir()
        assert store.stage("image") is None
        assert store.stage("never") is None


def test_forgotten_stages_are_gone(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        store.begin_run("1.0", {})
        store.finish(StageRow("solve", 1.0, {}, {}))
        store.forget(["solve"])
        assert store.stage("solve") is None


def test_files_keep_order_and_every_field(folder: Path) -> None:
    files = [
        FilePart(
            path=f"{name}.txt", bytes=3, sha256="cd" * 32, state=FileState.DAMAGED, reason="r", lost_ranges=[(0, 2)]
        )
        for name in "zab"
    ]
    with CaseStore.open(folder) as store:
        store.begin_run("1.0", {})
        store.finish(StageRow("files", 1.0, {}, {}), [(False, files[0]), (True, files[1]), (False, files[2])])
        assert store.files(deleted=False) == [files[0], files[2]]
        assert store.files(deleted=True) == [files[1]]


def test_a_failed_transaction_leaves_nothing_behind(folder: Path) -> None:
    bad = FilePart(path="\udce9", bytes=0, sha256="", state=FileState.EXACT, reason="")
    with CaseStore.open(folder) as store:
        store.begin_run("1.0", {})
        with pytest.raises((UnicodeEncodeError, ValueError)):
            store.finish(StageRow("files", 1.0, {}, {}), [(False, bad)])
        assert store.stage("files") is None
        store.note("still usable")


def test_one_run_at_a_time(folder: Path) -> None:
    with CaseStore.open(folder), pytest.raises(CaseError, match="another run is working on this case"):
        CaseStore.open(folder)


def test_a_case_is_not_begun_twice(folder: Path) -> None:
    with pytest.raises(CaseError, match="already"):
        CaseStore.create(folder, [INPUT])


def test_a_newer_version_is_refused(folder: Path) -> None:
    connection = sqlite3.connect(folder / "case.db")
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(CaseError, match="version 99"):
        CaseStore.open(folder)


def test_another_database_is_refused(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "case.db")
    connection.execute("CREATE TABLE birds (name TEXT)")
    connection.close()
    before = (tmp_path / "case.db").read_bytes()
    with pytest.raises(CaseError, match="not a case of this program"):
        CaseStore.open(tmp_path)
    assert (tmp_path / "case.db").read_bytes() == before
