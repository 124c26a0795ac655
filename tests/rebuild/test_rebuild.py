"""The whole step on a page format and a dump that this project did not make (tests/data/README.md)."""

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from deadstick.errors import RecipeError
from deadstick.flash.dump import Dump
from deadstick.rebuild.image import write_image
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.rebuild import dump_identity, rebuild
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler

DATA = Path(__file__).parent.parent / "data"
TRUTH = json.loads((DATA / "soc-nand.truth.json").read_text(encoding="utf-8"))
USED = 4096 + 4 * 74
"""The unused columns behind hold 0xFF under a keystream that starts anew there: they show the register's state."""


def soc_recipe(dump: Dump) -> Recipe:
    """The recipe as an engineer would write it down who knows the controller but not its seeds."""
    pages = dump.pages(4544)
    bits = np.unpackbits(~pages[:, USED : USED + 2], axis=1, bitorder="little")[:, :15].reshape(-1, 128, 15)
    programmed = (pages != 0xFF).mean(axis=1).reshape(-1, 128, 1) > 0.5
    majority = 2 * (bits * programmed).sum(axis=0) > programmed.sum(axis=0)
    seeds = tuple(int(row @ (1 << np.arange(15))) for row in majority)
    scrambler = Scrambler("after_ecc", "codeword", LfsrKeystreams(0x8003, seeds))
    return Recipe(128, spare_groups(4544, 4, 1024, 4, 70), Code(14, 0x5803, 40, bit_order="lsb"), scrambler)


@pytest.fixture(scope="module")
def dump() -> Dump:
    return Dump.open(DATA / "soc-nand.bin")


def test_the_volume_of_a_foreign_dump_is_whole(dump: Dump, tmp_path: Path) -> None:
    rebuilt = rebuild(dump, soc_recipe(dump))
    figures = rebuilt.statistics
    assert (figures.sectors, figures.exact, figures.doubtful, figures.lost) == (8192, 6144, 0, 0)
    assert figures.unwritten == 2 * 128 * 8  # two erased blocks
    assert (figures.codewords, figures.lost_codewords) == (3072, 0)
    # The mean over the blocks is 1.0e-4, the spread log-normal.
    assert 3e-5 < figures.raw_bit_error_rate < 1e-3
    written = write_image(rebuilt.disk, tmp_path / "disk.img")
    volume = (tmp_path / "disk.img").read_bytes()[: TRUTH["image_bytes"]]
    assert hashlib.sha256(volume).hexdigest() == TRUTH["image_sha256"]
    assert written.size == rebuilt.disk.size


def test_a_finished_decode_pass_is_not_repeated(dump: Dump, tmp_path: Path) -> None:
    recipe = soc_recipe(dump)
    first = rebuild(dump, recipe)
    first.page_table.save(tmp_path / "pages.parquet")
    stages: list[str] = []
    table = PageTable.load(tmp_path / "pages.parquet")
    again = rebuild(dump, recipe, page_table=table, progress=lambda *step: stages.append(step[0]))
    assert stages == []
    assert again.disk.identity == first.disk.identity
    assert again.disk.read(0, 9000) == first.disk.read(0, 9000)
    assert table.identity == dump_identity(dump, recipe)


def test_a_table_of_another_recipe_is_not_used(dump: Dump) -> None:
    recipe = soc_recipe(dump)
    table = rebuild(dump, recipe).page_table
    wrong = Recipe(128, recipe.layout, recipe.code, None)
    stages: list[str] = []
    rebuilt = rebuild(dump, wrong, page_table=table, progress=lambda *step: stages.append(step[0]))
    assert set(stages) == {"decode"}
    assert rebuilt.statistics.exact == 0
    assert rebuilt.statistics.lost == 6144
    assert (rebuilt.page_table.kind == PageKind.LOST).sum() == 768


def test_a_dump_shorter_than_a_page_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "short.bin"
    path.write_bytes(bytes(100))
    with pytest.raises(RecipeError, match=r"short\.bin: 100 bytes"):
        rebuild(Dump.open(path), Recipe(4, in_line(600, 1, 512, 4, 13), Code(13, 0x201B, 8)))
