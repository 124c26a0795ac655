import errno
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from deadstick.case.atomic import explained, publish, write_atomic
from deadstick.case.outcome import disk_part, evidence_parts, judge
from deadstick.case.result import EXIT_STATUS, EvidencePart, FilePart, Status, VolumePart
from deadstick.errors import CaseError, InputError
from deadstick.files.records import FileState
from deadstick.progress import silent
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.solve.common.evidence import Finding

VOLUME = VolumePart(index=1, kind="FAT16", label="", first_sector=0, sectors=100)


def file(state: FileState) -> FilePart:
    return FilePart(path="a", bytes=1, sha256="", state=state, reason="")


@pytest.mark.parametrize(
    ("states", "problems", "status", "words"),
    [
        ("ee", [], Status.RECOVERED, "2 of 2 files are exact"),
        ("e", [], Status.RECOVERED, "1 of 1 file is exact"),
        ("", [], Status.RECOVERED, "holds no files"),
        ("ee", ["deleted directory 'x': its cluster was used again"], Status.RECOVERED, "2 of 2 files are exact"),
        ("ed", [], Status.PARTIAL, "1 of 2 files are exact, 1 doubtful"),
        ("ex", [], Status.PARTIAL, "1 of 2 files are exact, 1 damaged"),
        ("dx", [], Status.PARTIAL, "0 of 2 files are exact, 1 doubtful, 1 damaged"),
        ("ee", ["directory 'y': its chain breaks off"], Status.PARTIAL, "files may be missing: directory 'y'"),
        ("", ["directory '/': 4 of its sectors are lost"], Status.PARTIAL, "files may be missing"),
    ],
)
def test_recovered_is_said_of_nothing_less(states: str, problems: list[str], status: Status, words: str) -> None:
    meant = {"e": FileState.EXACT, "d": FileState.DOUBTFUL, "x": FileState.DAMAGED}
    found, reason = judge([VOLUME], [file(meant[letter]) for letter in states], problems)
    assert found is status
    assert words in reason


def test_without_a_volume_nothing_is_recovered() -> None:
    assert judge([], [], [])[0] is Status.PARTIAL


def test_every_status_has_its_exit_status() -> None:
    assert {status: EXIT_STATUS[status] for status in Status} == {
        "recovered": 0, "partial": 3, "unsolved": 4, "encrypted": 4, "unreadable": 4,
    }  # fmt: skip


class Sectors:
    """A disk that knows its states alone."""

    def __init__(self, states: NDArray[np.uint8]) -> None:
        self._states = states
        self.size = 512 * len(states)

    def read(self, offset: int, length: int) -> bytes:
        return bytes(max(0, min(length, self.size - offset)))

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        return self._states[first_sector : first_sector + count]


@settings(deadline=None, max_examples=30)
@given(arrays(np.uint8, st.integers(1, 5000), elements=st.integers(0, 3)))
def test_sector_counts_equal_a_plain_count(states: NDArray[np.uint8]) -> None:
    part, cells = disk_part(Sectors(states), "disk.img", "", silent)
    plain = [int((states == state).sum()) for state in SectorState]
    found = [part.sectors_exact, part.sectors_unwritten, part.sectors_doubtful, part.sectors_lost]
    assert found == plain
    assert [sum(cell[state] for cell in cells) for state in SectorState] == plain
    sizes = {sum(cell) for cell in cells}
    assert max(sizes) - min(sizes) <= 1


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_atomic(tmp_path / "a", b"old")

    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_atomic(tmp_path / "a", b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a", b"old")]


def test_a_folder_takes_the_place_of_its_older_self(tmp_path: Path) -> None:
    for name in ("made", "place"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    publish(tmp_path / "made", tmp_path / "place")
    assert [str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")] == ["place", "place/made"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_full_disk_is_said_plainly(code: int) -> None:
    with pytest.raises(CaseError, match="job: the disk is full"), explained(Path("job")):
        raise OSError(code, "whatever the system says")


def test_our_own_errors_pass_as_they_are() -> None:
    with pytest.raises(InputError, match="as it is"), explained(Path("job")):
        raise InputError("as it is")


def test_other_errors_name_their_file() -> None:
    with pytest.raises(CaseError, match=r"^/x/y: Input/output error$"), explained(Path("job")):
        raise OSError(errno.EIO, "Input/output error", "/x/y")


def test_a_finding_without_a_chance_is_told_as_such() -> None:
    part = evidence_parts([Finding("block size", "64 pages", "nothing tells", None)])[0]
    assert (part.chance, part.log10_chance) == ("not stated", None)
    assert EvidencePart.model_validate_json(part.model_dump_json()) == part
