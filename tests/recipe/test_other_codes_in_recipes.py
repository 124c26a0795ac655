"""Recipes with codes that are not binary BCH codes: round trips, files, and what is refused."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.errors import RecipeError
from deadstick.recipe import toml
from deadstick.recipe.code import LOST, Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.draw_other import draw_other_code, draw_other_layout


def drawn(seed: int) -> Recipe:
    rng = np.random.default_rng(seed)
    message = int(rng.choice([128, 256, 512, 1024]))
    data = max(message, int(rng.choice([512, 2048])))
    code = draw_other_code(rng, message)
    return Recipe(32, draw_other_layout(rng, code, data, message, int(rng.integers(0, 5))), code)


@given(st.integers(0, 2**31))
@settings(deadline=None, max_examples=40)
def test_pages_go_through_and_back_with_errors(seed: int) -> None:
    recipe, noise = drawn(seed), np.random.default_rng(seed)
    layout, code = recipe.layout, recipe.code
    assert code is not None
    data = noise.integers(0, 256, (4, layout.data_bytes), dtype=np.uint8)
    metadata = noise.integers(0, 256, (4, layout.metadata_bytes), dtype=np.uint8)
    numbers = np.arange(4)
    raw = recipe.encode(data, metadata, numbers)
    for number, word in enumerate(layout.codewords):
        bit = word.message[0].start + int(noise.integers(0, word.message[0].bits))
        raw[1:, bit // 8] ^= 128 >> bit % 8
        if number == 0:  # far apart, so another symbol in any case
            other = (
                word.message[0].start + (bit - word.message[0].start + word.message[0].bits // 2) % word.message[0].bits
            )
            raw[2, other // 8] ^= 128 >> other % 8
    decoded = recipe.decode(raw, numbers)
    assert decoded.errors[:2].tolist() == [[0] * len(layout.codewords), [1] * len(layout.codewords)]
    assert decoded.errors[2, 0] == (LOST if code.family == "hamming" else 2)
    fine = (decoded.errors >= 0).all(axis=1)
    assert np.array_equal(decoded.data[fine], data[fine])
    assert np.array_equal(decoded.metadata[fine], metadata[fine])


@given(st.integers(0, 2**31))
@settings(deadline=None, max_examples=25)
def test_files_hold_them(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    recipe = drawn(seed)
    path = tmp_path_factory.mktemp("recipes") / "recipe.toml"
    toml.save(recipe, path)
    assert toml.load(path) == recipe
    assert toml.from_dict(toml.to_dict(recipe)) == recipe


def test_files_of_old_name_no_family() -> None:
    recipe = Recipe(64, in_line(1100, 2, 512, 4, 13), Code(13, 0x201B, 8))
    values = toml.to_dict(recipe)
    assert values["code"].pop("family") == "bch"
    assert "padding" not in values["code"]
    assert toml.from_dict(values) == recipe


def test_an_erased_page_is_a_codeword_where_the_code_says_so() -> None:
    for code, message, parity in [
        (Code.hamming(512), 512, 3),
        (Code(9, 0x221, 4, 1, "lsb", False, True, "reed_solomon"), 512, 9),
    ]:
        recipe = Recipe(32, spare_groups(2112, 4, message, 0, parity), code)
        ones = np.full((1, 2112), 0xFF, np.uint8)
        assert np.array_equal(recipe.encode(ones[:, :2048], ones[:, :0], np.array([0])), ones)


def test_the_order_of_parity_bytes_is_the_layouts() -> None:
    """`sm_order` of Linux drivers/mtd/nand/ecc-sw-hamming.c: bytes 0 and 1 change places."""
    data = Span.of_bytes(Part.DATA, 0, 256)
    plain = PageLayout(264, (Codeword((data,), (Span.of_bytes(Part.PARITY, 256, 3),)),))
    order = tuple(Span.of_bytes(Part.PARITY, column, 1) for column in (257, 256, 258))
    swapped = PageLayout(264, (Codeword((data,), order),))
    content = np.random.default_rng(1).integers(0, 256, (1, 256), dtype=np.uint8)
    pages = [
        Recipe(32, layout, Code.hamming(256)).encode(content, content[:, :0], np.array([0]))[0, 256:259].tolist()
        for layout in (plain, swapped)
    ]
    assert pages[1] == [pages[0][1], pages[0][0], pages[0][2]]


@pytest.mark.parametrize(
    ("code", "message", "parity", "complaint"),
    [
        (Code.hamming(256), 512, 3, "512 message bytes; the code takes 256"),
        (Code(13, 0, 1, family="hamming"), 1024, 4, "m = 11 or 12"),
        (Code(8, 0x11D, 4, family="reed_solomon"), 512, 8, "520 of 255 symbols"),
        (Code(8, 0x11B, 4, family="reed_solomon"), 128, 8, "no primitive polynomial"),
        (Code(8, 0x11D, 4, family="reed_solomon"), 128, 9, "72 parity bits; the code needs 64"),
    ],
)
def test_what_cannot_be_is_refused(code: Code, message: int, parity: int, complaint: str) -> None:
    with pytest.raises(RecipeError, match=complaint):
        Recipe(32, in_line(message + 16, 1, message, 0, parity), code)


def test_other_codes_have_no_bch_code() -> None:
    with pytest.raises(RecipeError, match="no binary BCH code: Reed-Solomon over GF"):
        _ = Code(8, 0x11D, 4, family="reed_solomon").bch
