"""Bit-packed pages: the geometry that U-Boot drivers/mtd/nand/raw/mxs_nand.c computes for the GPMI controller.

Its rules: t = round_down((spare - 10) * 8 / (m * codewords), 2), limited by the chip; the page is 10 metadata bytes,
then data and m * t parity bits of each codeword; the bad-block marker, the first spare byte, falls inside the data at
bit `page * 8 - (m * t * (codewords - 1) + 80)`, and changes places with the first metadata byte.
"""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, bit_packed, marker_in_data
from deadstick.recipe.recipe import Recipe

METADATA = 10
# page, spare, m, codewords, t, byte of the data under the marker (worked out from the rules above).
GEOMETRIES = [
    (2048, 64, 13, 4, 8, 1999),
    (4096, 128, 13, 8, 8, 3995),
    (4096, 218, 13, 8, 16, 3904),
    (4096, 224, 13, 8, 16, 3904),
    (8192, 448, 13, 16, 16, 7792),
    (8192, 640, 14, 8, 40, 7692),
]


@pytest.mark.parametrize(("page", "spare", "m", "codewords", "t", "byte"), GEOMETRIES)
def test_the_marker_lies_where_the_driver_says(
    page: int, spare: int, m: int, codewords: int, t: int, byte: int
) -> None:
    assert (spare - METADATA) * 8 // (m * codewords) // 2 * 2 >= t
    layout = bit_packed(page + spare, METADATA, codewords, page // codewords, m * t)
    bit = page * 8 - (m * t * (codewords - 1) + 8 * METADATA)
    assert marker_in_data(layout, page) == divmod(bit, 8)
    assert bit // 8 == byte
    assert layout.data_bytes == page


def test_used_bits() -> None:
    """16880 of 16896 bits for 2048 + 64; an exact fit for 4096 + 218."""
    assert bit_packed(2112, METADATA, 4, 512, 13 * 8).spans[-1].end == 16880
    assert bit_packed(4314, METADATA, 8, 512, 13 * 16).spans[-1].end == 34512 == 8 * 4314


@pytest.mark.parametrize(("page", "spare", "m", "codewords", "t", "byte"), GEOMETRIES[:3])
def test_the_marker_changes_places_with_the_first_metadata_byte(
    page: int, spare: int, m: int, codewords: int, t: int, byte: int
) -> None:
    layout = bit_packed(page + spare, METADATA, codewords, page // codewords, m * t, marker=page)
    recipe = Recipe(64, layout, Code(m, 0x201B, t, bit_order="lsb"))
    noise = np.random.default_rng(5)
    data = noise.integers(0, 256, (2, page), dtype=np.uint8)
    metadata = noise.integers(0, 256, (2, METADATA), dtype=np.uint8)
    metadata[:, 0] = [0xFF, 0x00]
    pages = np.arange(2, dtype=np.int64)
    raw = recipe.encode(data, metadata, pages)
    assert raw[:, page].tolist() == [0xFF, 0x00]
    # The bits under the marker, counted from the low end of each byte as in the driver.
    offset = marker_in_data(bit_packed(page + spare, METADATA, codewords, page // codewords, m * t), page)[1]
    words = data[:, byte].astype(int) | data[:, byte + 1].astype(int) << 8
    assert raw[:, 0].tolist() == (words >> offset & 0xFF).tolist()
    decoded = recipe.decode(raw, pages)
    assert np.array_equal(decoded.data, data)
    assert np.array_equal(decoded.metadata, metadata)


def test_a_moved_byte_is_data_of_the_first_codeword() -> None:
    layout = bit_packed(2112, METADATA, 4, 512, 13 * 8, marker=2048)
    first = layout.codewords[0].message[0]
    assert (first.part, first.start, first.bits, first.target) == (Part.DATA, 0, 8, 8 * 1999)
    assert [codeword.message_bits // 8 for codeword in layout.codewords] == [522, 512, 512, 512]
