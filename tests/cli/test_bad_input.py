import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from programs import deadstick, driver, make_dump, refused, sha256, start, tree


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_dump(tmp_path_factory.mktemp("chip") / "chip.bin")


@pytest.mark.parametrize("command", ["recover", "solve", "inspect"])
def test_a_missing_dump(command: str, tmp_path: Path) -> None:
    case: list[str | Path] = ["--case", tmp_path / "case"] if command == "recover" else []
    refused(deadstick(command, tmp_path / "gone.bin", *case), "gone.bin", "no such file")
    assert not (tmp_path / "case").exists()


def test_an_empty_dump(tmp_path: Path) -> None:
    (tmp_path / "empty.bin").touch()
    refused(deadstick("recover", tmp_path / "empty.bin", "--case", tmp_path / "case"), "empty.bin", "empty")
    assert not (tmp_path / "case").exists()


def test_a_folder_instead_of_a_dump(tmp_path: Path) -> None:
    (tmp_path / "chips").mkdir()
    refused(deadstick("recover", tmp_path / "chips", "--case", tmp_path / "case"), "chips", "directory")
    assert not (tmp_path / "case").exists()


def test_a_device_instead_of_a_dump(tmp_path: Path) -> None:
    refused(deadstick("recover", "/dev/zero", "--case", tmp_path / "case"), "/dev/zero", "regular file")


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that everybody may enter, which those of pytest are not."""
    with tempfile.TemporaryDirectory(prefix="deadstick-test-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def test_a_dump_that_may_not_be_read(open_place: Path) -> None:
    dump = open_place / "secret.bin"
    dump.write_bytes(bytes(4096))
    dump.chmod(0)
    refused(as_nobody("recover", dump, "--case", open_place / "case"), "secret.bin", "permission")
    assert not (open_place / "case").exists()


def test_a_case_folder_that_may_not_be_written(open_place: Path) -> None:
    dump = open_place / "chip.bin"
    dump.write_bytes(bytes(4096))
    (open_place / "locked").mkdir()
    (open_place / "locked").chmod(0o555)
    refused(as_nobody("recover", dump, "--case", open_place / "locked" / "case"), "locked", "Permission denied")
    assert list((open_place / "locked").iterdir()) == []


def as_nobody(*given: str | Path) -> subprocess.CompletedProcess[str]:
    """The program as a user who owns nothing, where we are root, who may do everything."""
    if os.geteuid() != 0:
        return deadstick(*given)
    code = "import mmap, os, sys; from deadstick.cli.main import run; from deadstick.cli import commands\n"
    code += "os.setgroups([]); os.setgid(65534); os.setuid(65534); run(sys.argv[1:])"
    return start([sys.executable, "-c", code, *map(str, given)])


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["recover"], ["DUMP"]),
        (["recover", "chip.bin"], ["--case"]),
        (["frobnicate"], ["frobnicate"]),
        (["recover", "chip.bin", "--case", "x", "--page-bytes", "many"], ["page-bytes"]),
        (["recover", "chip.bin", "--case", "x", "--page-bytes", "-3"], ["page-bytes"]),
        (["recover", "chip.bin", "--case", "x", "--colour"], ["--colour"]),
    ],
)
def test_wrong_use(given: list[str], words: list[str], tmp_path: Path) -> None:
    refused(deadstick(*given, cwd=tmp_path), *words)
    assert list(tmp_path.iterdir()) == []


def test_one_dump_given_as_two_chips_is_refused_plainly(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"a")
    done = deadstick("recover", tmp_path / "a.bin", tmp_path / "a.bin", "--case", tmp_path / "case")
    refused(done, "given as another chip", "commas")


@pytest.mark.parametrize(("text", "word"), [("layout = [", "TOML"), ("colour = 3\n", "recipe"), ("\x00\xff", "TOML")])
def test_a_recipe_file_that_is_none(text: str, word: str, tmp_path: Path) -> None:
    (tmp_path / "chip.bin").write_bytes(bytes(4096))
    (tmp_path / "r.toml").write_text(text, "latin-1")
    done = deadstick("recover", tmp_path / "chip.bin", "--case", tmp_path / "case", "--recipe", tmp_path / "r.toml")
    refused(done, "r.toml", word)
    assert not (tmp_path / "case").exists()


def test_save_writes_over_nothing(tmp_path: Path) -> None:
    (tmp_path / "chip.bin").write_bytes(bytes(4096))
    (tmp_path / "mine.toml").write_text("mine")
    refused(deadstick("solve", tmp_path / "chip.bin", "--save", tmp_path / "mine.toml"), "mine.toml", "already")
    assert (tmp_path / "mine.toml").read_text() == "mine"


def test_a_folder_of_somebody_else(chip: Path, tmp_path: Path) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "report.html").write_text("a report of mine")
    before = tree(tmp_path)
    refused(driver("plain", "recover", chip, "--case", tmp_path / "case"), "case", "other files")
    assert tree(tmp_path) == before


def test_a_file_in_place_of_the_case_folder(chip: Path, tmp_path: Path) -> None:
    (tmp_path / "case").write_text("mine")
    refused(driver("plain", "recover", chip, "--case", tmp_path / "case"), "case", "file")
    assert (tmp_path / "case").read_text() == "mine"


def test_a_case_of_another_dump(chip: Path, tmp_path: Path) -> None:
    assert driver("plain", "recover", chip, "--case", tmp_path / "case").returncode == 0
    other = make_dump(tmp_path / "other.bin", seed=2)
    before = tree(tmp_path)
    refused(driver("plain", "recover", other, "--case", tmp_path / "case"), "case", "another dump", "other.bin")
    assert tree(tmp_path) == before


def test_a_cut_last_page_is_left_out_and_the_rest_recovered(chip: Path, tmp_path: Path) -> None:
    dump = tmp_path / "cut.bin"
    dump.write_bytes(chip.read_bytes() + bytes(1000))
    before = sha256(dump)
    done = driver("plain", "recover", dump, "--case", tmp_path / "case")
    assert done.returncode == 0, done.stderr
    assert sha256(dump) == before


# A full disk ------------------------------------------------------------------------------------------


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "tiny"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", place], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("may not mount a file system")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_full_disk_is_one_line_and_the_run_goes_on_later(chip: Path, tiny_disk: Path) -> None:
    before = sha256(chip)
    refused(driver("plain", "recover", chip, "--case", tiny_disk / "case"), str(tiny_disk), "disk is full")
    assert not (tiny_disk / "case" / "result.json").exists()
    assert sha256(chip) == before
    subprocess.run(["mount", "-o", "remount,size=16m", tiny_disk], check=True)
    done = driver("plain", "recover", chip, "--case", tiny_disk / "case")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("limit", [60_000, 500_000])
def test_a_file_that_may_not_grow_is_one_line(limit: int, chip: Path, tmp_path: Path) -> None:
    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    case = tmp_path / "case"
    done = driver("plain", "recover", chip, "--case", case, preexec_fn=small_files)
    refused(done, str(case))
    assert not (case / "result.json").exists()
    assert driver("plain", "recover", chip, "--case", case).returncode == 0


# What the whole program, with its own solver, makes of things that are no dump ---------------------------


NO_DUMPS = {
    "text": b"".join(b"%d bottles of flux on the wall\n" % number for number in range(9000)),
    "random": np.random.default_rng(3).bytes(1 << 20),
    "one byte": b"x",
    "zeros": bytes(1 << 19),
    "ones": b"\xff" * (1 << 19),
}


@pytest.mark.parametrize("content", NO_DUMPS.values(), ids=list(NO_DUMPS))
def test_what_is_no_dump_ends_unsolved_and_writes_no_file(content: bytes, tmp_path: Path) -> None:
    pytest.importorskip("deadstick.solve.solver")
    dump = tmp_path / "thing.bin"
    dump.write_bytes(content)
    before = sha256(dump)
    done = deadstick("recover", dump, "--case", tmp_path / "case", timeout=300)
    assert done.returncode in {2, 4}, done.stderr
    assert "Traceback" not in done.stderr
    assert "fault in this program" not in done.stderr
    assert not (tmp_path / "case" / "files").exists()
    assert sha256(dump) == before


def test_the_exit_status_of_a_chip_without_a_recipe(chip: Path, tmp_path: Path) -> None:
    done = driver("encrypted", "recover", chip, "--case", tmp_path / "case")
    assert (done.returncode, done.stderr) == (4, "")
    assert done.stdout.startswith("encrypted: ")


def test_a_fault_of_ours_is_told_apart_from_bad_input(chip: Path, tmp_path: Path) -> None:
    done = driver("rebuild=fall", "recover", chip, "--case", tmp_path / "case")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "a fault in this program" in done.stderr
    assert "IndexError: page 17" in done.stderr
    assert "driver.py" in done.stderr
