"""Several reads of one chip on the command line: what no read gives alone comes out of all of them together."""

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from programs import deadstick, refused, sha256

from deadstick.cli.demo import demo_recipe
from deadstick.recipe import toml
from deadstick.simulate import contacts
from deadstick.simulate.controller import BlockMappedController
from deadstick.simulate.history import History, scenario_history

RATE = 0.012
"""About 105 errors in a codeword that can bear 40."""
DISK_BYTES = 6 << 20


@pytest.fixture(scope="module")
def stick(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, History]:
    """Three reads of a dead stick, r1.bin to r3.bin; the third has a stuck data line."""
    folder = tmp_path_factory.mktemp("stick")
    recipe = demo_recipe(4)
    history = scenario_history(4, DISK_BYTES, steps=3)
    controller = BlockMappedController(recipe, 22, 4)
    for state in history.states:
        controller.write(state)
    for number in range(3):
        content, _ = controller.chip(rate=RATE, spread=0.1)
        if number == 2:
            contacts.stick_line(content, 6, 1, start=len(content) // 2)
        (folder / f"r{number + 1}.bin").write_bytes(content.tobytes())
    # The search for the recipe has tests of its own; here it is known, and proven on the vote.
    toml.save(recipe, folder / "recipe.toml")
    return folder, history


def joined(folder: Path) -> str:
    return ",".join(str(folder / f"r{number}.bin") for number in (1, 2, 3))


def result_of(case: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((case / "result.json").read_bytes())
    return found


def test_three_reads_beyond_the_code_give_the_files_together(stick: tuple[Path, History], tmp_path: Path) -> None:
    folder, history = stick
    before = {number: sha256(folder / f"r{number}.bin") for number in (1, 2, 3)}
    recipe = ("--recipe", folder / "recipe.toml", "--no-library")
    alone = deadstick("recover", folder / "r1.bin", "--case", tmp_path / "alone", *recipe)
    refused(alone, "the recipe does not fit")  # hardly a codeword decodes
    done = deadstick("recover", joined(folder), "--case", tmp_path / "case", *recipe, timeout=400)
    assert done.returncode in {0, 3}, done.stderr
    result = result_of(tmp_path / "case")
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in history.live}
    exact = [file for file in result["files"] if file["state"] == "exact"]
    assert len(exact) > 0.6 * len(truth)
    assert all(truth.get(file["path"]) == file["sha256"] for file in exact)
    answers = [part["answer"] for part in result["evidence"]]
    assert any("data line 6 of read 3 (r3.bin) is stuck at 1" in answer and "clean" in answer for answer in answers)
    assert any("3 of 3 reads vote on every bit" in answer for answer in answers)
    assert [(part["read"], part["sha256"]) for part in result["dumps"]] == [(n - 1, before[n]) for n in (1, 2, 3)]
    assert {number: sha256(folder / f"r{number}.bin") for number in (1, 2, 3)} == before
    report = (tmp_path / "case" / "report.html").read_text("utf-8")
    assert "data line 6 of read 3 (r3.bin)" in report


def test_inspect_says_what_is_wrong_with_which_read(stick: tuple[Path, History]) -> None:
    folder, _ = stick
    done = deadstick("inspect", joined(folder))
    assert done.returncode == 0, done.stderr
    assert "data line 6 of read 3 (r3.bin) is stuck at 1" in done.stdout
    assert all(sha256(folder / f"r{number}.bin") in done.stdout for number in (1, 2, 3))


@pytest.mark.parametrize("command", ["recover", "solve", "inspect"])
def test_a_read_that_is_missing_is_named(command: str, stick: tuple[Path, History], tmp_path: Path) -> None:
    folder, _ = stick
    case: list[str | Path] = ["--case", tmp_path / "case"] if command == "recover" else []
    refused(deadstick(command, f"{folder / 'r1.bin'},{folder / 'gone.bin'}", *case), "gone.bin", "no such file")
    assert not (tmp_path / "case").exists()


def noise(path: Path, seed: int) -> NDArray[np.uint8]:
    content = np.random.default_rng(seed).integers(0, 256, 1 << 19, dtype=np.uint8)
    path.write_bytes(content.tobytes())
    return content


@pytest.mark.parametrize("command", ["solve", "inspect"])
def test_reads_of_different_chips_are_refused(command: str, tmp_path: Path) -> None:
    noise(tmp_path / "a.bin", 1)
    noise(tmp_path / "b.bin", 2)
    refused(deadstick(command, f"{tmp_path / 'a.bin'},{tmp_path / 'b.bin'}"), "a.bin, b.bin", "not reads of one chip")


def test_nine_reads_are_too_many(tmp_path: Path) -> None:
    noise(tmp_path / "a.bin", 1)
    refused(deadstick("inspect", ",".join([str(tmp_path / "a.bin")] * 9)), "9 reads", "at most 8")
