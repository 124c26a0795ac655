import csv
import email
import io
import json
import sqlite3
import wave
import zipfile
from collections.abc import Callable
from email import policy

import numpy as np
import pikepdf
import pytest
from PIL import Image

from deadstick.simulate import formats
from deadstick.simulate.contents import SimFile, scenario_files


def check_text(data: bytes) -> None:
    assert data.decode("utf-8")


def check_table(data: bytes) -> None:
    rows = list(csv.reader(io.StringIO(data.decode()), delimiter=";"))
    assert {len(row) for row in rows} == {6}
    assert rows[0][3] == "species"
    assert len(rows) > 1


def check_settings(data: bytes) -> None:
    assert json.loads(data)["stations"]


def check_recording(data: bytes) -> None:
    with wave.open(io.BytesIO(data)) as sound:
        assert len(sound.readframes(sound.getnframes())) == 2 * sound.getnframes() == len(data) - 44


def check_picture(data: bytes) -> None:
    with Image.open(io.BytesIO(data)) as picture:
        picture.load()
        assert min(picture.size) >= 48


def check_report(data: bytes) -> None:
    with pikepdf.open(io.BytesIO(data)) as document:
        assert document.check_pdf_syntax() == []
        for page in document.pages:
            picture = page.Resources.XObject.P
            assert isinstance(picture, pikepdf.Stream)
            check_picture(picture.read_raw_bytes())


def check_archive(data: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        assert len(archive.namelist()) == 4


def check_database(data: bytes) -> None:
    connection = sqlite3.connect(":memory:")
    connection.deserialize(data)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


def check_message(data: bytes) -> None:
    letter = email.message_from_bytes(data, policy=policy.default)
    assert not letter.defects
    assert letter["To"].addresses[0].username == "warden"


CHECKS: dict[str, Callable[[bytes], None]] = {
    "txt": check_text,
    "csv": check_table,
    "JSN": check_settings,
    "wav": check_recording,
    "JPG": check_picture,
    "png": check_picture,
    "pdf": check_report,
    "zip": check_archive,
    "sqlite": check_database,
    "eml": check_message,
}


@pytest.fixture(scope="module")
def files() -> list[SimFile]:
    return scenario_files(seed=11, total_bytes=2_500_000)


def test_every_file_is_valid_in_its_format(files: list[SimFile]) -> None:
    met = set()
    for file in files:
        kind = file.path.rpartition(".")[2]
        CHECKS[kind](file.data)
        met.add(kind)
    assert met == set(CHECKS)


def test_the_total_is_met_and_equal_seeds_give_equal_files(files: list[SimFile]) -> None:
    assert sum(len(file.data) for file in files) == 2_500_000
    assert scenario_files(seed=11, total_bytes=2_500_000) == files
    assert scenario_files(seed=12, total_bytes=2_500_000) != files


def test_paths_differ_and_some_are_long_and_accented(files: list[SimFile]) -> None:
    paths = {file.path.casefold() for file in files}
    assert len(paths) == len(files)
    assert any(len(path.rpartition("/")[2]) > 50 and not path.isascii() for path in paths)
    assert all("/" in path for path in paths)


def test_times_rise_and_fit_into_fat(files: list[SimFile]) -> None:
    times = [file.modified for file in files]
    assert times == sorted(times)
    assert all(time.second % 2 == 0 and 1980 < time.year < 2107 for time in times)


@pytest.mark.parametrize("total", [0, 1, 700, 90_000])
def test_small_totals_are_met_too(total: int) -> None:
    assert sum(len(file.data) for file in scenario_files(seed=1, total_bytes=total)) == total


def test_a_negative_total_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="-1 bytes"):
        scenario_files(seed=1, total_bytes=-1)


@pytest.mark.parametrize("size", [1, 100, 5001])
def test_diaries_have_any_size(size: int) -> None:
    diary = formats.prose(np.random.default_rng(size), size)
    assert len(diary) == size
    check_text(diary)
