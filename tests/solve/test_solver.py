"""The whole search: dumps of drawn controllers, the real sample, and dumps that cannot be solved."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deadstick.errors import HintError
from deadstick.flash.dump import Dump
from deadstick.recipe.code import BitOrder, Code
from deadstick.recipe.layout import Part, in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.draw import DrawnCase, Ranges, draw_case
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import newest_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.hints.hints import Hints
from deadstick.solve.solver import solve

DATA = Path(__file__).parents[1] / "data"


def equal_sectors(case: DrawnCase, recipe: Recipe) -> float:
    """Share of the disk's sectors that a recipe brings back, by the solver's own reading of the blocks."""
    size = recipe.layout.page_bytes
    pages = case.dump[: len(case.dump) // size * size].reshape(-1, size)
    count = len(pages) // recipe.pages_per_block
    physical = newest_blocks(block_metadata(pages, recipe), recipe.translation, count)
    truth = case.history.disk
    disk = np.frombuffer(TrialDisk(pages, recipe, physical).read(0, len(truth)), np.uint8)
    return float((disk.reshape(-1, 512) == truth.reshape(-1, 512)).all(axis=1).sum() / (len(truth) // 512))


# Seeds whose draws differ in shape, place of the scrambler and translation; the long campaign draws any.
@pytest.mark.parametrize("seed", [2, 6, 13, 15, 18])
def test_a_drawn_controller_is_worked_out(seed: int) -> None:
    case = draw_case(seed, Ranges(disk_bytes=4 << 20, t=(12, 72), kernel_polynomials=True, raw_bit_error_rate=5e-5))
    found = solve(case.dump)
    assert found.outcome == "solved", found.reason
    assert found.recipe is not None
    assert found.recipe.code is not None
    assert case.recipe.code is not None
    assert found.recipe.code.bch == case.recipe.code.bch
    assert equal_sectors(case, found.recipe) > 0.99


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(100, 160))
def test_any_drawn_controller_is_worked_out(seed: int) -> None:
    case = draw_case(seed)
    found = solve(case.dump)
    assert found.outcome == "solved", found.reason
    assert found.recipe is not None
    assert equal_sectors(case, found.recipe) > 0.9


def test_the_sample_dump_is_worked_out_as_its_maker_made_it() -> None:
    truth = json.loads((DATA / "soc-nand.truth.json").read_text())
    found = solve(Dump.open(DATA / "soc-nand.bin"))
    recipe = found.recipe
    assert recipe is not None
    assert recipe.code == Code(
        truth["code"]["m"],
        int(truth["code"]["primitive_polynomial"], 16),
        truth["code"]["t"],
        bit_order="lsb",
    )
    assert recipe.layout.page_bytes == truth["page_data_bytes"] + truth["page_spare_bytes"]
    assert recipe.pages_per_block == truth["pages_per_block"]
    # The truth says: 4 x 1024 data bytes, then 4 x (4 metadata + 70 parity) bytes, then unused spare.
    for number, codeword in enumerate(recipe.layout.codewords):
        rows = [(span.part, span.start // 8, span.bits // 8) for span in codeword.spans]
        group = 4096 + 74 * number
        assert rows == [(Part.DATA, 1024 * number, 1024), (Part.METADATA, group, 4), (Part.PARITY, group + 4, 70)]
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, LfsrKeystreams)
    # "additive, after the ECC; a 15-bit LFSR ... restarts at every codeword and runs over data, metadata and parity"
    assert (scrambler.place, scrambler.restart, scrambler.covers) == ("after_ecc", "codeword", frozenset(Part))
    assert scrambler.keystreams.polynomial == 0x8003
    # First bytes of the keystreams of pages 0 and 1, from the driver's table of seeds (Linux sunxi_nand.c).
    heads = [stream[:16].tobytes().hex() for stream in scrambler.keystreams.table(16)[:2]]
    assert heads == ["cf7ed4205f58383a92932dadddbd99b1", "380e92846da36db9edb2cdb595b72f36"]
    assert recipe.translation.kind == truth["translation"]


def test_noise_is_unreadable_and_says_so_quickly() -> None:
    noise = np.random.default_rng(1).integers(0, 256, 4 << 20, np.uint8)
    found = solve(noise)
    assert (found.outcome, found.recipe) == ("unreadable", None)
    assert "chi-square" in found.findings[0].figure


def test_an_erased_chip_is_unreadable() -> None:
    assert solve(np.full(1 << 20, 0xFF, np.uint8)).outcome == "unreadable"


def test_text_is_no_dump() -> None:
    text = np.frombuffer(b"a log of the lamp room, line by line\n" * 30_000, np.uint8)
    assert solve(text).outcome == "unsolved"


def test_a_tiny_input_is_no_error() -> None:
    assert solve(np.arange(200, dtype=np.uint8)).recipe is None


def test_ciphertext_under_a_code_is_called_encrypted() -> None:
    recipe = Recipe(64, in_line(2048 + 128, 2, 1024, 8, 42), Code(14, 0x402B, 24))
    disk = np.random.default_rng(3).integers(0, 256, 4 << 20, np.uint8)
    found = solve(identity_dump(disk, recipe, 34, 1, rate=5e-5))
    assert found.outcome == "encrypted"
    assert found.findings[-1].question == "encryption"
    assert found.recipe is None


class TestHints:
    """A hint narrows the search, and must fit the data."""

    case = draw_case(2, Ranges(disk_bytes=4 << 20, t=(24, 40), kernel_polynomials=True))

    def test_right_hints_are_taken(self) -> None:
        layout = self.case.recipe.layout
        hints = Hints(layout.data_bytes, layout.page_bytes - layout.data_bytes, self.case.recipe.pages_per_block)
        found = solve(self.case.dump, hints)
        assert found.recipe is not None
        assert found.recipe.pages_per_block == self.case.recipe.pages_per_block

    def test_a_wrong_page_size_is_refused_with_figures(self) -> None:
        with pytest.raises(HintError, match="standard deviations"):
            solve(self.case.dump, Hints(page_bytes=512))

    def test_a_wrong_block_size_is_refused_with_figures(self) -> None:
        with pytest.raises(HintError, match="metadata byte changes"):
            solve(self.case.dump, Hints(pages_per_block=self.case.recipe.pages_per_block + 8))

    def test_a_recipe_is_proven_not_trusted(self) -> None:
        right = solve(self.case.dump, Hints(recipe=self.case.recipe))
        assert right.outcome == "solved"
        assert self.case.recipe.code is not None
        wrong = replace(self.case.recipe, code=replace(self.case.recipe.code, bit_order=_other(self.case.recipe.code)))
        with pytest.raises(HintError, match="0 of"):
            solve(self.case.dump, Hints(recipe=wrong))


def _other(code: Code) -> BitOrder:
    return "lsb" if code.bit_order == "msb" else "msb"
