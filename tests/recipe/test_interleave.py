"""How pages of chips and planes follow one another, against a reading of the rule page by page."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.errors import RecipeError
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import NO_INTERLEAVE, By, Interleave, Numbers
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe

RECIPE = Recipe(4, in_line(120, 2, 40, 3, 10), Code(10, 0x409, 8, bit_order="lsb"))


@st.composite
def interleaves(draw: st.DrawFn) -> Interleave:
    lanes, chips, planes = draw(st.integers(1, 3)), draw(st.integers(1, 3)), draw(st.integers(1, 4))
    dumps = draw(st.permutations(range(lanes * chips)))
    groups = tuple(tuple(dumps[lanes * chip : lanes * (chip + 1)]) for chip in range(chips))
    order = draw(st.permutations([(chip, plane) for chip in range(chips) for plane in range(planes)]))
    by: By = draw(st.sampled_from(["page", "block"]))
    numbers: Numbers = draw(st.sampled_from(["own", "common"]))
    return Interleave(groups, planes, tuple(order), by, numbers, draw(st.booleans()))


@settings(deadline=None, max_examples=60)
@given(interleaves(), st.integers(1, 5), st.integers(1, 6))
def test_every_logical_page_has_one_place(interleave: Interleave, size: int, groups: int) -> None:
    blocks = interleave.ways * groups
    pages = interleave.pages_of_blocks(blocks, size)
    assert sorted(pages.reshape(-1).tolist()) == list(range(blocks * size))
    for block in range(blocks):
        assert np.array_equal(np.arange(blocks * size)[interleave.logical_pages(block, size)], pages[block])
        for page in range(size):
            assert interleave.place(int(pages[block, page]), size) == (block, page)


@settings(deadline=None, max_examples=60)
@given(interleaves(), st.integers(1, 5))
def test_without_a_mapping_every_block_has_a_place_of_its_own(interleave: Interleave, each: int) -> None:
    count = each * interleave.planes
    chip, block = np.divmod(np.arange(count * len(interleave.chips)), count)
    logical = interleave.unmapped(chip, block)
    assert sorted(logical.tolist()) == list(range(len(chip)))


def test_two_planes_by_page_as_written_out_by_hand() -> None:
    """Blocks 0 and 1 form the first group, blocks 2 and 3 the second; pages alternate."""
    planes = Interleave(planes=2, order=((0, 0), (0, 1)))
    logical = planes.unmapped(np.zeros(4, np.int64), np.arange(4))
    assert planes.pages_of_blocks(4, 3)[logical].tolist() == [[0, 2, 4], [1, 3, 5], [6, 8, 10], [7, 9, 11]]


def test_two_chips_block_by_block_as_written_out_by_hand() -> None:
    """The second dump comes first."""
    chips = Interleave(((0,), (1,)), 1, ((1, 0), (0, 0)), "block")
    logical = chips.unmapped(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]))
    assert logical.tolist() == [1, 3, 0, 2]
    assert chips.numbered(np.array([7]), chips.slots(np.array([0]), np.array([3]))).tolist() == [15]


def test_chips_one_after_another() -> None:
    """The second chip begins where the first ends, whatever their sizes."""
    chips = Interleave.one_after_another(2)
    assert chips.unmapped(np.array([0, 0, 0, 1]), np.array([0, 1, 2, 0])).tolist() == [0, 1, 2, 3]
    turned = replace(chips, order=((1, 0), (0, 0)))
    assert turned.unmapped(np.array([0, 0, 0, 1]), np.array([0, 1, 2, 0])).tolist() == [1, 2, 3, 0]


@settings(deadline=None, max_examples=40)
@given(interleaves())
def test_a_saved_interleave_is_the_same(tmp_path_factory: pytest.TempPathFactory, interleave: Interleave) -> None:
    path = tmp_path_factory.mktemp("recipe") / "recipe.toml"
    recipe = replace(RECIPE, interleave=interleave)
    toml.save(recipe, path)
    assert toml.load(path) == recipe
    assert toml.interleave_from_dict(toml.to_dict(recipe).get("interleave", {})) == interleave


def test_a_file_of_the_first_schema_is_read(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    toml.save(RECIPE, path)
    text = path.read_text(encoding="utf-8")
    assert "schema_version = 2" in text
    assert "interleave]" not in text
    path.write_text(text.replace("schema_version = 2", "schema_version = 1"), encoding="utf-8")
    assert toml.load(path) == RECIPE
    assert toml.load(path).interleave == NO_INTERLEAVE


@pytest.mark.parametrize(
    ("values", "hint"),
    [
        ({"chips": ((0,), (2,)), "order": ((0, 0), (1, 0))}, "dumps"),
        ({"chips": ((0,), (0,)), "order": ((0, 0), (1, 0))}, "dumps"),
        ({"chips": ()}, "dumps"),
        ({"chips": ((0, 1), (2,)), "order": ((0, 0), (1, 0))}, "same number"),
        ({"planes": 2}, "units"),
        ({"order": ((1, 0),)}, "units"),
        ({"planes": 0, "order": ()}, "planes"),
    ],
)
def test_an_impossible_interleave_is_refused(values: dict[str, Any], hint: str) -> None:
    with pytest.raises(RecipeError, match=hint):
        Interleave(**values)
    with pytest.raises(RecipeError, match=hint):
        toml.interleave_from_dict(values)


@pytest.mark.parametrize(
    ("interleave", "line"),
    [
        (NO_INTERLEAVE, "none"),
        (Interleave(((1, 0),)), "dumps 1 and 0 byte by byte"),
        (Interleave.of_chips(2), "chips 0, 1, page by page"),
        (Interleave(planes=2, order=((0, 1), (0, 0)), by="block"), "planes 1, 0, block by block"),
        (Interleave(((1, 0),), sure=False), "dumps 1 and 0 byte by byte; not proven"),
        (Interleave.one_after_another(2), "chips 0, 1 one after the other"),
        (Interleave.of_chips(2, 2), "units 0.0, 1.0, 0.1, 1.1 (chip.plane), page by page"),
    ],
)
def test_it_says_what_it_does(interleave: Interleave, line: str) -> None:
    assert interleave.describe() == line
