"""Several chips and planes through the command as a user gives it: from dumps alone to files, byte for byte."""

import hashlib
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from programs import deadstick, sha256
from spread_kit import RECIPE

from deadstick.case.result import Result, Status
from deadstick.files.records import FileState
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.layout import spare_groups
from deadstick.simulate.history import History, scenario_history
from deadstick.simulate.interleaved import InterleavedController

SPREADS = {
    "two chips by page, swapped": Interleave(((0,), (1,)), 1, ((1, 0), (0, 0))),
    "two chips by byte, swapped": Interleave(((1, 0),)),
    "two planes in pairs": Interleave(planes=2, order=((0, 0), (0, 1))),
}


@cache
def stick() -> History:
    return scenario_history(7, 4 << 20, fill=0.5)


def dumps_of(interleave: Interleave, folder: Path, seed: int = 3) -> list[Path]:
    """Play a stick with such a controller, and read its chips."""
    planes, chips = interleave.planes, len(interleave.chips)
    blocks = 48 // chips // planes * planes
    controller = InterleavedController(replace(RECIPE, interleave=interleave), blocks, seed, bad=1)
    for state in stick().states:
        controller.write(state)
        controller.level_wear(4)
    read, _ = controller.chips(rate=5e-5)
    paths = [folder / f"chip{number}.bin" for number in range(len(read))]
    for path, dump in zip(paths, read, strict=True):
        path.write_bytes(dump.tobytes())
    return paths


@pytest.mark.parametrize("name", SPREADS)
def test_files_come_back_byte_for_byte(name: str, tmp_path: Path) -> None:
    interleave = SPREADS[name]
    paths = dumps_of(interleave, tmp_path)
    before = [sha256(path) for path in paths]
    done = deadstick("recover", *paths, "--case", tmp_path / "case", "--no-library", timeout=280)
    assert done.returncode == 0, done.stdout + done.stderr
    assert [sha256(path) for path in paths] == before
    result = Result.load(tmp_path / "case")
    assert result.status is Status.RECOVERED
    assert [(dump.chip, dump.sha256) for dump in result.dumps] == list(enumerate(before))
    assert toml.load(tmp_path / "case" / "recipe.toml").interleave == interleave
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in stick().live}
    assert {file.path: file.sha256 for file in result.files} == truth
    assert {file.state for file in result.files} == {FileState.EXACT}
    for path, digest in truth.items():
        assert sha256(tmp_path / "case" / "files" / path) == digest
    answers = {part.question: part.answer for part in result.evidence}
    assert answers["interleave"].startswith(interleave.describe())
    if len(paths) > 1:
        assert "bus" in answers


def test_dumps_of_different_sticks_are_not_taken_together(tmp_path: Path) -> None:
    (first, _), other = dumps_of(SPREADS["two chips by page, swapped"], tmp_path), tmp_path / "other.bin"
    foreign = replace(RECIPE, layout=spare_groups(2048 + 112, 4, 512, 4, 18), code=Code(13, 0x201B, 11))
    controller = InterleavedController(foreign, 48, 4)
    controller.write(stick().disk)
    other.write_bytes(controller.chips()[0][0].tobytes())
    done = deadstick("solve", first, other, "--explain", "--no-library", timeout=280)
    assert done.returncode == 4, done.stdout + done.stderr
    assert "dump 1 does not decode under the recipe of the first chip" in " ".join(done.stdout.split())


def test_the_next_stick_of_the_same_make_is_found_in_the_library(tmp_path: Path) -> None:
    interleave, shelf = SPREADS["two chips by page, swapped"], tmp_path / "shelf"
    (tmp_path / "other").mkdir()
    first, second = dumps_of(interleave, tmp_path), dumps_of(interleave, tmp_path / "other", seed=5)[::-1]
    done = deadstick("recover", *first, "--case", tmp_path / "case", "--library", shelf, timeout=280)
    assert done.returncode == 0, done.stdout + done.stderr
    (kept,) = shelf.iterdir()
    assert toml.load(kept).interleave == Interleave.of_chips(2)
    done = deadstick("solve", *second, "--library", shelf, "--save", tmp_path / "recipe.toml", timeout=280)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"the recipe {kept.name} of the library decodes the dumps" in " ".join(done.stdout.split())
    assert toml.load(tmp_path / "recipe.toml").interleave == Interleave.of_chips(2)
    assert list(shelf.iterdir()) == [kept]


def test_a_part_of_a_recipe_that_has_the_order_wrong_is_refused(tmp_path: Path) -> None:
    paths, part = dumps_of(SPREADS["two chips by page, swapped"], tmp_path), tmp_path / "part.toml"
    toml.save(replace(RECIPE, interleave=Interleave.of_chips(2)), part)
    part.write_text("partial = true\n" + part.read_text())
    done = deadstick("solve", *paths, "--recipe", part, "--no-library", timeout=280)
    assert done.returncode == 2, done.stdout + done.stderr
    line = done.stderr.splitlines()[-1]
    assert line.startswith("deadstick: the interleave of the recipe file (chips [[0], [1]], planes 1")
    assert line.endswith("bits under chips 1, 0, page by page")
