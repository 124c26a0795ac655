"""Hamming and Reed-Solomon codes against what drivers say of the hardware that computes them."""

import numpy as np
import pytest

from deadstick.codes.bits import bit_reverse
from deadstick.codes.hamming import HammingCode
from deadstick.codes.reed_solomon import ReedSolomonCode
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe


def test_an_erased_page_has_erased_parity() -> None:
    """Linux drivers/mtd/nand/ecc-sw-hamming.c stores the complement, with the two bits that are not used set."""
    for size in (256, 512):
        ones = np.full((1, size), 0xFF, np.uint8)
        assert Code.hamming(size).parity_mask(size).tolist() == [0xFF] * 3
        assert (Code.hamming(size).codec.encode(ones)[0] ^ 0xFF).tolist() == [0xFF] * 3


def test_one_bit_gives_its_address() -> None:
    """Linux drivers/mtd/nand/ecc-sw-hamming.c, ecc_sw_hamming_correct: `addressbits` takes bits 1, 3, 5 and 7.

    Byte 0xA6, bit 5: in each pair the odd bit of the difference is the address bit, the even one its complement.
    """
    message = np.zeros((1, 256), np.uint8)
    message[0, 0xA6] = 1 << 5
    low, high, column = HammingCode(256).encode(message)[0].tolist()

    def odd(byte: int) -> int:
        return sum((byte >> (2 * i + 1) & 1) << i for i in range(4))

    assert (odd(high) << 4) + odd(low) == 0xA6
    assert odd(column >> 2) == 5
    assert [(byte ^ byte >> 1) & 0x55 for byte in (low, high)] == [0x55, 0x55]
    assert (column ^ column >> 1) & 0x54 == 0x54


# Linux drivers/mtd/nand/raw/ingenic/jz4740_ecc.c, empty_block_ecc: what the hardware computes over 512 bytes of ones.
EMPTY_BLOCK_ECC = bytes([0xCD, 0x9D, 0x90, 0x58, 0xF4, 0x8B, 0xFF, 0xB7, 0x6F])
# That driver corrects symbols of 9 bits, the least significant one first, and up to four of them; nine bytes of parity.
# Polynomial, root and padding are ours, searched for among all: 72 bits agree, of 2^17 that were tried.
JZ4740 = ReedSolomonCode(9, 0x221, 4, 503, "gap")


def test_reed_solomon_parity_of_a_public_controller() -> None:
    ones = np.full((1, 512), 0xFF, np.uint8)
    assert bit_reverse(JZ4740.encode(ones))[0].tobytes() == EMPTY_BLOCK_ECC


@pytest.mark.parametrize("errors", [1, 4])
def test_symbols_lie_where_that_driver_corrects_them(errors: int) -> None:
    """jz_nand_correct_data: symbol number i is the nine bits from bit 9 i on, counted from the low end of byte 0."""
    layout = PageLayout(521, (Codeword((Span.of_bytes(Part.DATA, 0, 512),), (Span.of_bytes(Part.PARITY, 512, 9),)),))
    code = Code(9, 0x221, 4, 503, "lsb", family="reed_solomon", padding="gap")
    recipe = Recipe(32, layout, code)
    noise = np.random.default_rng(errors)
    data = noise.integers(0, 256, (1, 512), dtype=np.uint8)
    page = np.array([0])
    raw = recipe.encode(data, np.zeros((1, 0), np.uint8), page)
    for symbol in noise.choice(455, errors, replace=False):
        index, mask = int(symbol), 0x1FF
        offset = index & 7
        index += index >> 3
        both = int(raw[0, index]) | int(raw[0, index + 1]) << 8
        both ^= mask << offset
        raw[0, index], raw[0, index + 1] = both & 0xFF, both >> 8
    decoded = recipe.decode(raw, page)
    assert decoded.errors.tolist() == [[errors]]
    assert np.array_equal(decoded.data, data)
