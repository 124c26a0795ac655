"""The judge of campaigns: what is equal in effect is right, and every wrong field is named."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import BlockMappedController, identity_dump
from deadstick.simulate.judge import Judgement, judge

KEYS = LfsrKeystreams(0x1002D, tuple(range(1, 9)))
PLAIN = Recipe(8, in_line(2 * 590, 2, 512, 4, 52), Code(13, 0x201B, 32, bit_order="lsb"))
# In line without a rest: two pages of one codeword are a page of two.
FULL = Recipe(8, in_line(2 * 568, 2, 512, 4, 52), Code(13, 0x201B, 32), Scrambler("after_ecc", "codeword", KEYS))
MAPPED = replace(PLAIN, translation=Translation("block", BitField(0, 2), BitField(2, 1)))


def content(size: int) -> NDArray[np.uint8]:
    return np.random.default_rng(3).integers(0, 256, size, dtype=np.uint8)


def verdict_on(folder: Path, true: Recipe, found: Recipe, *, rate: float = 1e-4) -> Judgement:
    block = true.pages_per_block * true.layout.data_bytes
    disk = content(10 * block)
    if true.translation.kind == "identity":
        dump = identity_dump(disk, true, 12, 1, rate=rate)
    else:
        controller = BlockMappedController(true, 16, 1)
        controller.write(np.roll(disk, 512))
        controller.write(disk)
        dump, _ = controller.chip(rate=rate)
    path = folder / "dump.bin"
    dump.tofile(path)
    return judge(Dump.open(path), true, found, disk)


@pytest.mark.parametrize("true", [PLAIN, FULL, MAPPED], ids=["plain", "full", "mapped"])
def test_the_same_recipe_is_right(tmp_path: Path, true: Recipe) -> None:
    result = verdict_on(tmp_path, true, true)
    assert (result.verdict, result.share, result.differences) == ("right", 1.0, ())
    assert result.sectors >= 160


def code_of(recipe: Recipe) -> Code:
    assert recipe.code is not None
    return recipe.code


def test_an_inverted_page_is_a_complemented_keystream(tmp_path: Path) -> None:
    scrambler = Scrambler("after_ecc", "column", replace(KEYS, complement=True))
    inverted = replace(FULL, code=replace(code_of(FULL), inverted=True), scrambler=replace(scrambler, keystreams=KEYS))
    assert verdict_on(tmp_path, inverted, replace(FULL, scrambler=scrambler)).verdict == "right"


def test_another_block_size_is_nothing_where_blocks_are_in_order(tmp_path: Path) -> None:
    assert verdict_on(tmp_path, PLAIN, replace(PLAIN, pages_per_block=16)).verdict == "right"


def test_a_page_may_be_cut_in_pieces(tmp_path: Path) -> None:
    """One codeword a page; keystreams go by the pair of pages, as no rule of one page alone could say."""
    unscrambled = replace(FULL, scrambler=None)
    half = Recipe(16, in_line(568, 1, 512, 4, 52), code_of(FULL))
    assert verdict_on(tmp_path, unscrambled, half).verdict == "right"
    assert verdict_on(tmp_path, half, unscrambled).verdict == "right"
    result = verdict_on(tmp_path, unscrambled, Recipe(16, in_line(570, 1, 512, 4, 52), code_of(FULL)))
    assert (result.verdict, result.differences) != ("right", ())
    assert result.differences[0].startswith("page")


def test_the_rest_of_a_page_at_the_end_of_a_dump_is_nobodys(tmp_path: Path) -> None:
    """The dump ends in the second half of a page of the newer copy of a block; the half before is whole."""
    full = replace(FULL, scrambler=None, translation=MAPPED.translation)
    half = Recipe(16, in_line(568, 1, 512, 4, 52), code_of(FULL), translation=MAPPED.translation)
    controller = BlockMappedController(full, 16, 1)
    disk = content(10 * full.pages_per_block * full.layout.data_bytes)
    controller.write(np.roll(disk, 512))
    controller.write(disk)
    whole, truth = controller.chip(rate=1e-4)
    newest = max(copy.physical for copy in truth.newest.values())
    end = (newest * full.pages_per_block + 5) * full.layout.page_bytes + 700
    path = tmp_path / "dump.bin"
    whole[:end].tofile(path)
    assert judge(Dump.open(path), full, half).verdict == "right"
    assert judge(Dump.open(path), half, full).verdict == "right"


def test_a_complement_is_wrong(tmp_path: Path) -> None:
    code = code_of(PLAIN)
    result = verdict_on(tmp_path, PLAIN, replace(PLAIN, code=replace(code, inverted=True, erased_is_codeword=True)))
    assert result.verdict == "wrong"
    assert result.wrong_exact > 100
    assert result.differences[0].startswith("keystream")


def test_an_unknown_keystream_is_incomplete(tmp_path: Path) -> None:
    before = Scrambler("before_ecc", "page", KEYS)
    unknown = replace(before, keystreams=replace(KEYS, seeds=(1, 2, 0, *range(4, 9))))
    result = verdict_on(tmp_path, replace(PLAIN, scrambler=before), replace(PLAIN, scrambler=unknown))
    assert result.verdict == "incomplete"
    assert result.wrong_exact == 0
    assert result.wrong_doubtful > 0
    assert result.differences == ("keystream: wrong or unknown under 10 of 80 written pages",)


@pytest.mark.parametrize(("seed", "verdict"), [(0, "incomplete"), (77, "wrong")])
def test_a_keystream_that_is_called_unknown_claims_nothing_of_an_old_copy(
    tmp_path: Path, seed: int, verdict: str
) -> None:
    """Each block has a keystream of its own; the one that differs lies under a block that is no part of the disk."""
    keys = LfsrKeystreams(KEYS.polynomial, tuple(range(1, 17)))
    scrambler = Scrambler("before_ecc", "page", keys, frozenset({Part.DATA}), 0, 1)
    true = replace(FULL, scrambler=scrambler, translation=MAPPED.translation)
    controller = BlockMappedController(true, 16, 1)
    disk = content(8 * true.pages_per_block * true.layout.data_bytes)
    controller.write(np.roll(disk, 512))
    controller.write(disk)
    whole, truth = controller.chip(rate=1e-4)
    old = next(
        block
        for block in range(16)
        if block not in {copy.physical for copy in truth.newest.values()}
        and (whole.reshape(16, -1)[block] != 0xFF).mean() > 0.5
    )
    whole.tofile(tmp_path / "dump.bin")
    seeds = tuple(seed if number == old else own for number, own in enumerate(keys.seeds))
    found = replace(true, scrambler=replace(scrambler, keystreams=replace(keys, seeds=seeds)))
    result = judge(Dump.open(tmp_path / "dump.bin"), true, found)
    assert (result.verdict, result.right) == (verdict, result.sectors)
    assert len(result.differences) == 1
    assert result.differences[0].startswith(f"keystream: wrong or unknown under {true.pages_per_block} of ")


def test_a_wrong_keystream_is_wrong(tmp_path: Path) -> None:
    before = Scrambler("before_ecc", "page", KEYS)
    wrong = replace(before, keystreams=replace(KEYS, seeds=(1, 2, 77, *range(4, 9))))
    result = verdict_on(tmp_path, replace(PLAIN, scrambler=before), replace(PLAIN, scrambler=wrong))
    assert (result.verdict, result.wrong_exact) == ("wrong", 20)


def test_no_mapping_where_there_is_one_is_wrong(tmp_path: Path) -> None:
    result = verdict_on(tmp_path, MAPPED, replace(MAPPED, translation=Translation()))
    assert result.verdict == "wrong"
    assert result.differences[-1].startswith("translation: identity")


def test_older_copies_for_newer_ones_are_wrong(tmp_path: Path) -> None:
    backwards = replace(MAPPED, translation=replace(MAPPED.translation, version=BitField(2, 1, mask=0)))
    result = verdict_on(tmp_path, MAPPED, backwards)
    assert result.verdict in {"wrong", "incomplete"}
    assert result.share < 1


def other_columns() -> PageLayout:
    return spare_groups(2 * 590, 2, 512, 4, 52)


def test_other_columns_are_named(tmp_path: Path) -> None:
    result = verdict_on(tmp_path, PLAIN, replace(PLAIN, layout=other_columns()))
    assert result.verdict == "incomplete"  # nothing decodes, so nothing is claimed
    assert any(line.startswith("data") for line in result.differences)


def test_another_code_is_named(tmp_path: Path) -> None:
    weaker = replace(code_of(PLAIN), primitive_polynomial=0x2053)
    result = verdict_on(tmp_path, PLAIN, replace(PLAIN, code=weaker))
    assert result.verdict != "right"
    assert any(line.startswith("code") for line in result.differences)


def test_a_truth_that_is_none_stops_the_campaign(tmp_path: Path) -> None:
    path = tmp_path / "dump.bin"
    disk = content(40 * PLAIN.layout.data_bytes)
    identity_dump(disk, PLAIN, 6, 1).tofile(path)
    with pytest.raises(ValueError, match="not what the host wrote"):
        judge(Dump.open(path), PLAIN, PLAIN, disk ^ np.uint8(1))


def test_a_bad_block_of_zeros_has_no_keystream_to_compare(tmp_path: Path) -> None:
    """It alone lies under the twelfth keystream, which nothing can tell."""
    seeds = tuple(range(1, 13))
    scrambler = replace(FULL.scrambler or Scrambler("after_ecc", "codeword", KEYS), page_step=0, block_step=1)
    true = replace(FULL, scrambler=replace(scrambler, keystreams=replace(KEYS, seeds=seeds)))
    found = replace(FULL, scrambler=replace(scrambler, keystreams=replace(KEYS, seeds=(*seeds[:11], 0))))
    block = true.pages_per_block * true.layout.data_bytes
    dump = identity_dump(content(11 * block), true, 12, 1, rate=1e-4)
    path = tmp_path / "dump.bin"
    dump.reshape(12, -1)[11] = 0
    dump.tofile(path)
    assert judge(Dump.open(path), true, found).verdict == "right"
    others = replace(FULL, scrambler=replace(scrambler, keystreams=replace(KEYS, seeds=(*seeds[:10], 0, 12))))
    assert judge(Dump.open(path), true, others).verdict == "incomplete"
