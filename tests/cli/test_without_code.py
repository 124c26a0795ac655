"""Data that are readable although no code protects them, on the command line."""

import json
from pathlib import Path

import pytest
from programs import deadstick

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.history import scenario_history

PAGE, SPARE = 2048, 64


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stick without a code, recovered with the word that it has none."""
    folder = tmp_path_factory.mktemp("plain")
    words = (Codeword((Span.of_bytes(Part.DATA, 0, PAGE),), ()),)
    loose = (Span.of_bytes(Part.METADATA, PAGE, 4),)
    recipe = Recipe(64, PageLayout(PAGE + SPARE, words, loose), None)
    disk = scenario_history(8, 4 << 20, fill=0.6).disk
    identity_dump(disk, recipe, 36, 8, metadata_fill=0x5A).tofile(folder / "chip.bin")
    arguments = ("--case", folder / "case", "--code", "none", "--library", folder / "library")
    done = deadstick("recover", folder / "chip.bin", *arguments)
    assert done.returncode == 3, done.stderr
    return folder


def test_the_reason_says_that_no_code_was_found(case: Path) -> None:
    result = json.loads((case / "case" / "result.json").read_text("utf-8"))
    assert result["status"] == "partial"
    assert "no code was found" in result["reason"]
    assert any(part["question"] == "code" and part["answer"] == "none found" for part in result["evidence"])


def test_files_are_there_and_none_is_called_exact(case: Path) -> None:
    result = json.loads((case / "case" / "result.json").read_text("utf-8"))
    assert len(result["files"]) > 10
    assert {part["state"] for part in result["files"]} <= {"doubtful", "damaged"}
    truth = {item.path: item.data for item in scenario_history(8, 4 << 20, fill=0.6).live}
    for part in result["files"]:
        assert (case / "case" / "files" / part["path"]).read_bytes() == truth[part["path"]]


def test_a_recipe_that_nothing_can_prove_does_not_enter_the_library(case: Path) -> None:
    assert not list((case / "library").glob("*.toml"))
