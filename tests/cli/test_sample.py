"""The sample that this project did not make (see tests/data/README.md), through the command as a user gives it."""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from programs import deadstick, sha256

from deadstick.case.result import Result, Status
from deadstick.files.records import FileState
from deadstick.recipe import toml
from deadstick.recipe.layout import Part

DATA = Path(__file__).parent.parent / "data"
SAMPLE = DATA / "soc-nand.bin"


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample") / "case"
    before = (sha256(SAMPLE), SAMPLE.stat().st_mtime_ns)
    done = deadstick("recover", SAMPLE, "--case", folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "recovered: 64 of 64 files are exact" in done.stdout
    assert (sha256(SAMPLE), SAMPLE.stat().st_mtime_ns) == before
    return folder


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((DATA / "soc-nand.truth.json").read_bytes())
    return found


def test_every_file_is_there_byte_for_byte(case: Path, truth: dict[str, Any]) -> None:
    result = Result.load(case)
    assert result.status is Status.RECOVERED
    assert {file.path: file.sha256 for file in result.files} == truth["files"]
    assert {file.state for file in result.files} == {FileState.EXACT}
    written = {
        path.relative_to(case / "files").as_posix(): sha256(path)
        for path in (case / "files").rglob("*")
        if path.is_file()
    }
    assert written == truth["files"]
    assert len(written) == 64


def test_the_disk_begins_with_the_volume(case: Path, truth: dict[str, Any]) -> None:
    image = (case / "disk.img").read_bytes()[: truth["image_bytes"]]
    assert hashlib.sha256(image).hexdigest() == truth["image_sha256"]


def test_the_recipe_is_what_the_image_builder_did(case: Path, truth: dict[str, Any]) -> None:
    recipe = toml.load(case / "recipe.toml")
    assert recipe.code is not None
    assert recipe.code.m == truth["code"]["m"]
    assert recipe.code.t == truth["code"]["t"]
    assert recipe.code.primitive_polynomial == int(truth["code"]["primitive_polynomial"], 16)
    assert recipe.code.bit_order == "lsb"
    assert recipe.pages_per_block == truth["pages_per_block"]
    assert recipe.layout.page_bytes == truth["page_data_bytes"] + truth["page_spare_bytes"]
    spans = [[(span.part, span.start // 8, span.bits // 8) for span in word.spans] for word in recipe.layout.codewords]
    assert spans == [
        [(Part.DATA, 1024 * n, 1024), (Part.METADATA, 4096 + 74 * n, 4), (Part.PARITY, 4100 + 74 * n, 70)]
        for n in range(4)
    ]
    assert recipe.translation.kind == truth["translation"]


def test_the_scrambler_is_what_the_image_builder_did(case: Path) -> None:
    scrambler = toml.load(case / "recipe.toml").scrambler
    assert scrambler is not None
    assert (scrambler.place, scrambler.restart) == ("after_ecc", "codeword")
    assert set(scrambler.covers) == set(Part)
    assert "15-bit" in scrambler.describe()
    assert scrambler.keystreams.count == 128


def test_it_is_solved_in_time(case: Path) -> None:
    assert Result.load(case).seconds.solve < 20
