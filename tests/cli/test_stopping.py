import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import DRIVER, driver, environment, make_dump, sha256, tree


@pytest.fixture(autouse=True)
def hears_the_user() -> Iterator[None]:
    """A shell starts what it runs in the background with SIGINT ignored, and programs inherit that."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_dump(tmp_path_factory.mktemp("chip") / "chip.bin", spoiled_pages=2)


@pytest.fixture(scope="module")
def wanted(chip: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The customer's part of a case that ran through."""
    case = tmp_path_factory.mktemp("whole") / "case"
    assert driver("plain", "recover", chip, "--case", case).returncode == 3
    return outputs(case)


def outputs(case: Path) -> dict[str, str]:
    """What does not depend on the time of day."""
    own = ("case.db", "report.html", "result.json")
    return {name: value for name, value in tree(case).items() if name not in own}


def test_stopped_by_the_user_then_continued(chip: Path, wanted: dict[str, str], tmp_path: Path) -> None:
    case, before = tmp_path / "case", sha256(chip)
    done = driver("recover_files=stop", "recover", chip, "--case", case)
    assert done.returncode == 130
    assert done.stderr == "deadstick: stopped; run the same command again to go on\n"
    assert not (case / "result.json").exists()
    assert driver("plain", "recover", chip, "--case", case).returncode == 3
    assert outputs(case) == wanted
    assert sha256(chip) == before


@pytest.mark.parametrize("stage", ["write_image", "recover_files"])
def test_killed_then_continued(stage: str, chip: Path, wanted: dict[str, str], tmp_path: Path) -> None:
    case = tmp_path / "case"
    assert driver(f"{stage}=kill", "recover", chip, "--case", case).returncode == -signal.SIGKILL
    assert not (case / "result.json").exists()
    assert driver("plain", "recover", chip, "--case", case).returncode == 3
    assert outputs(case) == wanted


def test_a_signal_from_outside_ends_it_at_once(chip: Path, tmp_path: Path) -> None:
    command = [sys.executable, str(DRIVER), "rebuild=wait", "recover", str(chip), "--case", str(tmp_path / "case")]
    with subprocess.Popen(command, stdout=-1, stderr=-1, text=True, env=environment()) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "waiting\n"
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=20)
    assert process.returncode == 130
    assert errors == "deadstick: stopped; run the same command again to go on\n"


def test_a_second_run_on_the_same_case_is_refused_while_the_first_works(chip: Path, tmp_path: Path) -> None:
    case = tmp_path / "case"
    command = [sys.executable, str(DRIVER), "rebuild=wait", "recover", str(chip), "--case", str(case)]
    with subprocess.Popen(command, stdout=-1, stderr=-1, text=True, env=environment()) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "waiting\n"
        second = driver("plain", "recover", chip, "--case", case)
        first.kill()
    assert second.returncode == 2
    assert "another run is working on this case" in second.stderr
    assert driver("plain", "recover", chip, "--case", case).returncode == 3
