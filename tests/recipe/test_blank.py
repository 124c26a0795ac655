"""Blank pages under many flipped bits, and why they must be told: some of them are codewords."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.flash.erased import erased_pages
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.pages import decode_dump
from deadstick.recipe.blank import blank_pages
from deadstick.recipe.code import ERASED, BitOrder, Code
from deadstick.recipe.layout import bit_packed, in_line, spare_groups
from deadstick.recipe.recipe import Recipe

CODE = Code(13, 0x201B, 16)
PLAIN = Recipe(8, spare_groups(4 * (512 + 4 + 26), 4, 512, 4, 26), CODE)
PACKED = Recipe(8, bit_packed(2200, 10, 4, 512, 13 * 13), Code(13, 0x201B, 13))


def worn(pages: int, page_bytes: int, value: int, rate: float) -> np.ndarray:
    noise = np.random.default_rng(3)
    flips = np.packbits(noise.random((pages, 8 * page_bytes)) < rate, axis=1)
    return flips ^ np.uint8(value)


@pytest.mark.parametrize("recipe", [PLAIN, PACKED])
@pytest.mark.parametrize("rate", [0.0, 0.003, 0.02, 0.08])
def test_worn_blank_pages_are_blank(recipe: Recipe, rate: float) -> None:
    layout = recipe.layout
    assert blank_pages(worn(20, layout.page_bytes, 0xFF, rate), layout, 1).all()
    assert blank_pages(worn(20, layout.page_bytes, 0x00, rate), layout, 0).all()
    assert not blank_pages(worn(20, layout.page_bytes, 0x00, rate), layout, 1).any()


@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_a_page_with_one_written_codeword_is_not_blank(masked: bool, fill: int) -> None:
    """Seven eighths of this page look blank, its parity where it is masked included."""
    recipe = replace(PLAIN, code=replace(CODE, erased_is_codeword=masked))
    data = np.full((4, 2048), fill, np.uint8)
    data[:, 2047] ^= 0x10
    metadata = np.full((4, 16), fill, np.uint8)
    raw = recipe.encode(data, metadata, np.arange(4), filler=fill)
    assert not blank_pages(raw, recipe.layout, 1).any()
    assert not blank_pages(raw, recipe.layout, 0).any()
    assert np.array_equal(recipe.decode(raw, np.arange(4)).data, data)


@pytest.mark.parametrize("code", [replace(CODE, inverted=True), replace(CODE, erased_is_codeword=True)])
def test_a_worn_erased_page_is_no_data_where_it_is_a_codeword(code: Code) -> None:
    """The code would correct ten flipped bits and hand out a page of ones as if somebody had written it."""
    recipe = replace(PLAIN, code=code)
    raw = np.full((1, recipe.layout.page_bytes), 0xFF, np.uint8)
    for codeword in range(4):
        raw[0, 512 * codeword : 512 * codeword + 50 : 5] ^= 1  # clustered, as chance would not have it
    decoded = recipe.decode(raw, np.zeros(1, np.int64))
    assert decoded.erased.all()
    assert (decoded.errors == ERASED).all()


def test_too_little_parity_tells_nothing() -> None:
    layout = in_line(1040, 2, 512, 4, 4)
    assert not blank_pages(np.full((2, 1040), 0xFF, np.uint8), layout, 1).any()


WEAK = Recipe(8, in_line(1040, 2, 512, 4, 4), Code(13, 0x201B, 2, erased_is_codeword=True))


def nearly_empty(recipe: Recipe, pages: int) -> np.ndarray:
    """`uint8[pages, page_bytes]`: written pages whose data are ones but for two bits."""
    data = np.full((pages, recipe.layout.data_bytes), 0xFF, np.uint8)
    data[:, 100] = 0xEE
    metadata = np.full((pages, recipe.layout.metadata_bytes), 0xFF, np.uint8)
    return recipe.encode(data, metadata, np.arange(pages))


def test_a_nearly_empty_page_that_passes_for_erased_is_read_where_its_code_agrees() -> None:
    raw = nearly_empty(WEAK, 4)
    assert erased_pages(raw).all()
    decoded = WEAK.decode(raw, np.arange(4))
    assert not decoded.erased.any()
    assert (decoded.errors == 0).all()
    assert (decoded.data[:, 100] == 0xEE).all()


def test_a_nearly_empty_page_with_a_bit_error_is_not_read_but_nothing_is_claimed_either() -> None:
    raw = nearly_empty(WEAK, 4)
    raw[:, 300] ^= 1
    assert WEAK.decode(raw, np.arange(4)).erased.all()
    states = decode_dump(raw, WEAK).states
    assert (states == SectorState.UNWRITTEN).all()


@pytest.mark.parametrize("bit_order", ["msb", "lsb"])
def test_flipped_bits_of_metadata_that_no_code_covers_make_no_erased_page_data(bit_order: BitOrder) -> None:
    code = Code(13, 0x201B, 2, bit_order=bit_order, erased_is_codeword=True)
    recipe = Recipe(8, spare_groups(1044, 2, 512, 5, 4, covered=False), code)
    raw = np.full((2, 1044), 0xFF, np.uint8)
    raw[0, 1025] = 0xBF
    assert recipe.decode(raw, np.arange(2)).erased.all()
    # A number of a block has more zeros than flipped bits make.
    raw[1, 1024:1029] = [0x00, 0x12, 0x34, 0xFF, 0xFF]
    decoded = recipe.decode(raw, np.arange(2))
    assert decoded.erased.tolist() == [True, False]
    assert bytes(decoded.metadata[1, :3]) == bytes([0x00, 0x12, 0x34])


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("masked", [False, True])
@pytest.mark.parametrize("t", [1, 2, 3, 8])
def test_flipped_bits_never_make_an_erased_page_data(t: int, *, masked: bool, inverted: bool) -> None:
    code = Code(13, 0x201B, t, inverted=inverted, erased_is_codeword=masked)
    recipe = Recipe(8, in_line(1100, 2, 512, 4, code.parity_bytes), code)
    raw = worn(200, 1100, 0xFF, 0.001)
    assert recipe.decode(raw, np.arange(200)).erased.all()
