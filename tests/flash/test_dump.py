import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from deadstick.errors import InputError
from deadstick.flash.dump import Dump

CONTENT = bytes(range(256)) * 5 + b"tail"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "chip 0.bin"
    path.write_bytes(CONTENT)
    return path


def test_the_bytes_are_those_of_the_file(file: Path) -> None:
    dump = Dump.open(file)
    assert dump.array.tobytes() == CONTENT
    assert (dump.size, dump.name, dump.path) == (len(CONTENT), "chip 0.bin", file)
    assert dump.sha256 == hashlib.sha256(CONTENT).hexdigest()


def test_nothing_can_be_written_through_it(file: Path) -> None:
    dump = Dump.open(str(file))
    for view in (dump.array, dump.pages(256)):
        assert type(view) is np.ndarray
        with pytest.raises(ValueError, match="read-only"):
            view[0] = 1
        with pytest.raises(ValueError, match="WRITEABLE"):
            view.flags.writeable = True
    assert file.read_bytes() == CONTENT


def test_pages_are_a_view_without_the_truncated_last_one(file: Path) -> None:
    dump = Dump.open(file)
    pages = dump.pages(256)
    assert pages.shape == (5, 256)
    assert np.shares_memory(pages, dump.array)
    assert (pages == np.arange(256)).all()
    assert dump.leftover(256) == 4
    assert dump.pages(4096).shape == (0, 4096)
    assert dump.leftover(4096) == len(CONTENT)


def test_the_digest_is_taken_once(file: Path) -> None:
    dump = Dump.open(file)
    first = dump.sha256
    file.unlink()
    assert dump.sha256 == first


def test_a_file_that_vanished_before_the_digest_is_named(file: Path) -> None:
    dump = Dump.open(file)
    file.unlink()
    with pytest.raises(InputError, match=r"chip 0\.bin: there is no such file"):
        _ = dump.sha256


@pytest.mark.parametrize("page_bytes", [0, -2112])
def test_a_page_of_no_bytes_is_a_wrong_call(file: Path, page_bytes: int) -> None:
    dump = Dump.open(file)
    with pytest.raises(ValueError, match="at least 1 byte"):
        dump.pages(page_bytes)
    with pytest.raises(ValueError, match="at least 1 byte"):
        dump.leftover(page_bytes)


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        Dump.open(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    return message


def test_unfit_inputs_are_refused_in_one_line_that_names_them(tmp_path: Path, file: Path) -> None:
    assert "no such file" in refusal(tmp_path / "missing.bin")
    assert "directory" in refusal(tmp_path)
    (tmp_path / "empty.bin").touch()
    assert "empty" in refusal(tmp_path / "empty.bin")
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in refusal(tmp_path / "pipe")
    assert "cannot be read" in refusal(file / "below-a-file")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read" in refusal(tmp_path / "loop")


@pytest.fixture
def ordinary_user() -> Iterator[None]:
    """Root may read everything, so the test gives root's rights up for a moment."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_without_permission_is_refused(file: Path, request: pytest.FixtureRequest) -> None:
    file.chmod(0)
    request.getfixturevalue("ordinary_user")
    assert "no permission" in refusal(file)
