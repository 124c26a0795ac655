"""Several reads of one chip, rebuilt: what neither a read nor the vote can give, and nothing wrong called exact."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from chip_kit import CODE, RECIPE, Chip, block_bytes
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.flash.examine import examine
from deadstick.flash.reads import Chip as Reads
from deadstick.flash.reads import VotedDump
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_table import PageTable
from deadstick.rebuild.patch import NO_PATCH, Patch
from deadstick.rebuild.rebuild import Rebuilt, rebuild
from deadstick.recipe.code import LOST, Code
from deadstick.recipe.layout import in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.nand import add_bit_errors

Bytes = NDArray[np.uint8]


def chip(recipe: Recipe = RECIPE, blocks: int = 40) -> Chip:
    made = Chip(recipe, blocks + 2)
    for number in range(blocks):
        made.write(number, number, 1, made.content(number))
    return made


def read_several(made: Chip, folder: Path, reads: int, rate: float) -> VotedDump:
    dumps = []
    for number in range(reads):
        raw = made.raw.reshape(-1).copy()
        add_bit_errors(raw, rate, 100 + number)
        (folder / f"{number}.bin").write_bytes(raw.tobytes())
        dumps.append(Dump.open(folder / f"{number}.bin"))
    together = Reads(dumps)
    plan = examine(together).plan
    together.write_vote(plan, folder / "voted.bin")
    return VotedDump.of(folder / "voted.bin", together, plan)


def exact_and_wrong(rebuilt: Rebuilt, made: Chip, blocks: int) -> tuple[float, int]:
    """Share of EXACT sectors, and how many of those are not what was written."""
    if rebuilt.disk.size < blocks * made.recipe.layout.data_bytes * made.recipe.pages_per_block:
        # So much is lost that not even the blocks' numbers are known.
        assert not (rebuilt.disk.states(0, rebuilt.disk.size // 512) == SectorState.EXACT).any()
        return 0.0, 0
    data = np.stack([block_bytes(rebuilt.disk, number) for number in range(blocks)]).reshape(-1, 512)
    true = np.stack([made.content(number) for number in range(blocks)]).reshape(-1, 512)
    exact = rebuilt.disk.states(0, len(true)) == SectorState.EXACT
    return float(exact.mean()), int((exact & (data != true).any(axis=1)).sum())


LAYOUTS = {
    "spare groups, scrambled after": RECIPE,
    "in line, lsb, inverted": replace(
        RECIPE, layout=in_line(1058, 2, 512, 4, 13), code=replace(CODE, bit_order="lsb", inverted=True)
    ),
    "masked parity": replace(RECIPE, code=replace(CODE, erased_is_codeword=True)),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_two_reads_that_are_lost_alone_come_out_together(name: str, tmp_path: Path) -> None:
    made = chip(LAYOUTS[name])
    dump = read_several(made, tmp_path, 2, 0.003)
    alone = rebuild(dump.chip.reads[0], LAYOUTS[name])
    together = rebuild(dump, LAYOUTS[name])
    assert exact_and_wrong(alone, made, 40)[0] < 0.3
    share, wrong = exact_and_wrong(together, made, 40)
    assert share > 0.8
    assert wrong == 0
    assert len(together.page_table.patch) > 20
    assert (together.page_table.errors > CODE.t).any()


def test_noise_that_all_reads_share_stays_lost(tmp_path: Path) -> None:
    """As a bad block shows it: hardly a bit is unsure, and changing those makes no codeword."""
    made = chip(blocks=4)
    made.ruin(1)
    table = rebuild(read_several(made, tmp_path, 3, 1e-4), RECIPE).page_table
    assert (table.errors[4:8] == LOST).all()
    assert (table.errors[:4] >= 0).all()
    assert len(table.patch) == 0


def test_a_weak_code_is_not_believed(tmp_path: Path) -> None:
    """t = 2: a trial finds a codeword, but there are too many about for it to be proof."""
    weak = replace(RECIPE, layout=spare_groups(1024 + 2 * 8, 2, 512, 4, 4), code=Code(13, 0x201B, 2))
    made = chip(weak)
    dump = read_several(made, tmp_path, 2, 0.0009)
    table = rebuild(dump, weak).page_table
    tried = np.isin(np.arange(len(table)), table.patch.rows)
    assert tried.any()
    found = (table.errors > 2) & tried[:, None]
    assert found.any()
    assert (table.states[found] == SectorState.DOUBTFUL).all()


def test_the_patch_survives_the_page_table_and_is_used_again(tmp_path: Path) -> None:
    made = chip()
    dump = read_several(made, tmp_path, 2, 0.003)
    first = rebuild(dump, RECIPE)
    first.page_table.save(tmp_path / "pages.parquet")
    saved = PageTable.load(tmp_path / "pages.parquet")
    for name in ("rows", "starts", "bits"):
        assert (getattr(saved.patch, name) == getattr(first.page_table.patch, name)).all()
    stages = []
    again = rebuild(dump, RECIPE, page_table=saved, progress=lambda stage, _done, _total: stages.append(stage))
    assert stages == []
    assert again.disk.read(0, again.disk.size) == first.disk.read(0, first.disk.size)


def test_a_table_without_a_patch_loads_without_one(tmp_path: Path) -> None:
    table = chip(blocks=4).table()
    table.save(tmp_path / "pages.parquet")
    assert len(PageTable.load(tmp_path / "pages.parquet").patch) == 0


@given(seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=40)
def test_a_patch_changes_the_bits_it_names_and_no_others(seed: int) -> None:
    rng = np.random.default_rng(seed)
    masks = (rng.integers(0, 256, (2, 20, 6)) * (rng.random((2, 20, 6)) < 0.1)).astype(np.uint8)
    # Two codewords of one page change different bits.
    masks[1] &= ~masks[0]
    patch = Patch.of([np.arange(20), np.arange(20)], list(masks))
    rows = rng.integers(0, 25, 12)
    raw = rng.integers(0, 256, (12, 6), dtype=np.uint8)
    whole = np.vstack([masks[0] | masks[1], np.zeros((5, 6), np.uint8)])
    assert (patch.changed(raw, rows) == raw ^ whole[rows]).all()
    assert patch.rows.tolist() == np.flatnonzero(whole.any(axis=1)).tolist()
    assert NO_PATCH.changed(raw, rows) is raw


@pytest.mark.campaign
@pytest.mark.parametrize("reads", [2, 3, 4, 6])
def test_campaign_nothing_wrong_is_exact(reads: int, tmp_path: Path) -> None:
    for rate in (0.002, 0.004, 0.01, 0.02, 0.03):
        for t, parity in ((4, 7), (8, 13), (16, 26)):
            recipe = replace(
                RECIPE, layout=spare_groups(1024 + 2 * (4 + parity), 2, 512, 4, parity), code=Code(13, 0x201B, t)
            )
            made = chip(recipe, 60)
            folder = tmp_path / f"{rate}-{t}"
            folder.mkdir()
            _, wrong = exact_and_wrong(rebuild(read_several(made, folder, reads, rate), recipe), made, 60)
            assert wrong == 0
