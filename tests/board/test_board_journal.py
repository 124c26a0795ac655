import hashlib
import json
import math
from datetime import UTC, datetime
from pathlib import Path

import pytest

from deadstick.board.journal import FIRST, Journal, table
from deadstick.board.observations import (
    FITTED,
    LIFTED,
    note_evidence,
    note_reading,
    note_step,
    observations,
    removed,
)
from deadstick.board.readings import Evidence, Kind, Reading, Supply
from deadstick.errors import InputError

WHEN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
SHORTED = Reading(Kind.FOUR_WIRE, ("C7.1", "C7.2"), 0.31, "ohm", 0.001, instrument="bench meter", time=WHEN)
OPEN = Reading(
    Kind.DIODE, ("J1.4", "J1.1"), math.inf, "V", 0.002, Supply("J1.1", "J1.4", 5.0, 0.1), frozenset({"C7"}), time=WHEN
)
WARM = Evidence("U1 is 6 K warmer than the board", {"U1 short": 0.0, "C7 short": -3.2}, -1.5, "thermal picture", WHEN)


def begun(folder: Path) -> Journal:
    journal = note_reading(Journal.open(folder / "j.jsonl"), SHORTED, by="A. Tern")
    journal = note_evidence(journal, WARM)
    journal = note_step(journal, LIFTED, ["C7"])
    return note_reading(journal, OPEN)


def test_every_line_comes_back_as_it_was_noted(tmp_path: Path) -> None:
    begun(tmp_path)
    first, warm, second = observations(Journal.open(tmp_path / "j.jsonl"))
    assert isinstance(first, Reading)
    assert isinstance(second, Reading)
    assert (first.kind, first.place, first.value, first.sigma, first.time) == (
        Kind.FOUR_WIRE, ("C7.1", "C7.2"), 0.31, 0.001, WHEN,
    )  # fmt: skip
    assert second.value == math.inf
    assert second.supply == OPEN.supply
    assert second.removed == {"C7"}
    assert warm == WARM


def test_the_chain_is_the_hash_of_the_line_before(tmp_path: Path) -> None:
    begun(tmp_path)
    lines = (tmp_path / "j.jsonl").read_bytes().splitlines()
    before = [FIRST] + [hashlib.sha256(line).hexdigest() for line in lines]
    assert [json.loads(line)["previous"] for line in lines] == before[:-1]


@pytest.mark.parametrize("how", ["changed", "removed", "put in", "swapped"])
def test_an_edited_journal_is_refused(tmp_path: Path, how: str) -> None:
    path = begun(tmp_path).path
    lines = path.read_text().splitlines(keepends=True)
    edited = {
        "changed": [lines[0].replace("0.31", "31.0"), *lines[1:]],
        "removed": [lines[0], *lines[2:]],
        "put in": [lines[0], lines[0], *lines[1:]],
        "swapped": [lines[1], lines[0], *lines[2:]],
    }[how]
    path.write_text("".join(edited))
    with pytest.raises(InputError, match=r"j\.jsonl: line \d does not follow"):
        Journal.open(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfe\n", "line 1"),
        (b'{"number": 1}\n', "line 1: utc"),
        (b'{"number": 1, "utc"', "cut off"),
    ],
)
def test_a_file_that_is_no_journal_is_refused(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "j.jsonl").write_bytes(content)
    with pytest.raises(InputError, match=words):
        Journal.open(tmp_path / "j.jsonl")


def test_a_struck_line_stays_and_counts_no_more(tmp_path: Path) -> None:
    journal = begun(tmp_path).strike(1, "leads were crossed")
    assert [row.struck for row in table(journal.entries, journal.struck)] == [True, False, False, False, False]
    assert len(observations(Journal.open(journal.path))) == 2
    for wrong in (1, 5, 6, 0):
        with pytest.raises(InputError, match="line"):
            journal.strike(wrong, "again")


def test_a_struck_lifting_puts_the_part_back(tmp_path: Path) -> None:
    journal = begun(tmp_path)
    assert removed(journal) == {"C7"}
    assert removed(journal.strike(3, "it was C8")) == frozenset()


def test_steps_must_make_sense(tmp_path: Path) -> None:
    journal = note_step(Journal.open(tmp_path / "j.jsonl"), LIFTED, ["C1", "C2"])
    with pytest.raises(InputError, match="C1 is off the board already"):
        note_step(journal, LIFTED, ["C1"])
    with pytest.raises(InputError, match="C9 is on the board"):
        note_step(journal, FITTED, ["C9"])
    assert removed(note_step(journal, FITTED, ["C1"])) == {"C2"}


def test_two_writers_do_not_mix(tmp_path: Path) -> None:
    mine, theirs = Journal.open(tmp_path / "j.jsonl"), Journal.open(tmp_path / "j.jsonl")
    mine.add("looked at the connector", kind="remark")
    with pytest.raises(InputError, match="somebody else"):
        theirs.add("looked at the crystal", kind="remark")
    assert len(Journal.open(tmp_path / "j.jsonl").entries) == 1


def test_no_number_that_json_does_not_know(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    journal = Journal.open(path)
    with pytest.raises(InputError, match="finite"):
        journal.add("resistance", value=math.nan)
    assert not path.exists()


def test_rows_of_the_table(tmp_path: Path) -> None:
    first = table(begun(tmp_path).entries)[0]
    assert (first.time, first.place, first.value, first.instrument) == (
        "2026-05-04 09:30:00", "C7.1, C7.2", "0.31 ohm", "bench meter",
    )  # fmt: skip
    assert first.note == "by A. Tern"
