"""The codewords of a page, one after the other, where a strong code bears words that are some bytes off."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, in_line
from deadstick.recipe.recipe import Recipe
from deadstick.solve.page.code import FoundCode
from deadstick.solve.page.page import complete_page

T, PARITY = 40, 70
CODE = Code(14, 0x4443, T)


def layout(pad: int, metadata: int, page: int = 4096 + 432) -> PageLayout:
    """Four codewords in line with unused bytes behind each, metadata in the first one alone."""
    words, column = [], 0
    for number in range(4):
        message = [Span.of_bytes(Part.DATA, column, 1024)]
        column += 1024
        if number == 0:
            message.append(Span.of_bytes(Part.METADATA, column, metadata))
            column += metadata
        words.append(Codeword(tuple(message), (Span.of_bytes(Part.PARITY, column, PARITY),)))
        column += PARITY + pad
    return PageLayout(page, tuple(words))


@pytest.mark.parametrize("are_differences", [False, True])
@pytest.mark.parametrize(("pad", "metadata"), [(0, 8), (3, 10), (4, 8)])
def test_unused_bytes_are_told_from_metadata(pad: int, metadata: int, are_differences: bool) -> None:
    rng = np.random.default_rng(pad)
    true = layout(pad, metadata)
    data = rng.integers(0, 256, (80, 4096), np.uint8)
    rows = Recipe(1, true, CODE).encode(data, rng.integers(0, 256, (80, metadata), np.uint8), np.arange(80))
    rows ^= np.packbits(rng.random((80, 8 * rows.shape[1])) < 5e-4, axis=1)
    if are_differences:
        rows = rows[1:] ^ rows[:-1]
    first = true.codewords[0]
    found = FoundCode(CODE.bch, 40, 40, first.spans, 8 * metadata, 5.0, 100)
    built = complete_page(rows, found, true.page_bytes)
    assert built is not None
    assert [codeword.spans for codeword in built.codewords] == [codeword.spans for codeword in true.codewords]


@pytest.mark.parametrize("bad", [0x00, None])
def test_unused_bytes_of_bad_blocks_are_no_metadata(bad: int | None) -> None:
    """One page in ten lies in a bad block, which reads as zeros, words of any code, or as noise."""
    rng = np.random.default_rng(6)
    true = layout(3, 8)
    data = rng.integers(0, 256, (80, 4096), np.uint8)
    rows = Recipe(1, true, CODE).encode(data, rng.integers(0, 256, (80, 8), np.uint8), np.arange(80))
    rows[::10] = rng.integers(0, 256, rows[::10].shape, np.uint8) if bad is None else bad
    found = FoundCode(CODE.bch, 40, 40, true.codewords[0].spans, 64, 5.0, 100)
    built = complete_page(rows, found, true.page_bytes)
    assert built == true


@pytest.mark.parametrize("out_of_step", [0, 1])
def test_half_of_the_rows_out_of_step_do_not_hide_the_other_codewords(out_of_step: int) -> None:
    """Under half of a page every second row begins in its middle, and a few rows at even distances are all alike."""
    rng = np.random.default_rng(9)
    true = layout(0, 8)
    data = rng.integers(0, 256, (240, 4096), np.uint8)
    rows = Recipe(1, true, CODE).encode(data, rng.integers(0, 256, (240, 8), np.uint8), np.arange(240))
    rows[out_of_step::2] = np.roll(rows[out_of_step::2], 26, axis=1)
    # Content in odd rows of one codeword and even rows of another: each picks rows of its own.
    rows[1::4, 2200:2800] = 0
    first = true.codewords[0]
    found = FoundCode(CODE.bch, 40, 40, first.spans, 64, 5.0, 100)
    built = complete_page(rows, found, true.page_bytes)
    assert built is not None
    assert [codeword.spans for codeword in built.codewords] == [codeword.spans for codeword in true.codewords]


@pytest.mark.parametrize(("metadata", "number", "marker"), [(7, 3, True), (6, 1, False)])
def test_a_bit_error_does_not_move_a_codeword_off_its_place(metadata: int, number: int, marker: bool) -> None:
    """Words with a byte of zeros at their beginning and behind their end are words of a cyclic code a byte later, too.

    A marker's column costs the codeword that it lies in some strength at either place, and places at even columns are
    likely ones; errors in the first byte cost a word some at the right place alone.
    """
    rng = np.random.default_rng(5)
    code = Code(13, 0x201B, 19)
    true = in_line(2304, 4, 512, metadata, 31)
    data = rng.integers(0, 256, (80, 2048), np.uint8)
    data[:, ::512] = 0
    rows = Recipe(1, true, code).encode(data, np.zeros((80, 4 * metadata), np.uint8), np.arange(80))
    size = 512 + metadata + 31
    rows[:, 4 * size :] = 0
    rows[::8, number * size] ^= 1
    if marker:
        rows[:, 2048] = 0xFF
    first = true.codewords[0]
    found = FoundCode(code.bch, 40, 40, first.spans, 8 * metadata, 0.0, 100)
    built = complete_page(rows, found, true.page_bytes)
    assert built is not None
    assert [codeword.spans for codeword in built.codewords] == [codeword.spans for codeword in true.codewords]


def test_a_marker_a_few_bytes_before_the_end_of_a_codeword_is_no_part_of_it() -> None:
    """A strong code corrects what lies a byte off its place, and the page looks complete."""
    code = Code(14, 0x4443, 42)
    size, mark = 512 + code.parity_bytes, 4096
    words = []
    for number in range(8):
        data, parity = number * size + (number > 6), number * size + 512 + (number > 6)
        spans = [Span.of_bytes(Part.PARITY, parity, code.parity_bytes)]
        if number == 6:
            spans = [Span.of_bytes(Part.PARITY, parity, mark - parity)]
            spans.append(Span.of_bytes(Part.PARITY, mark + 1, code.parity_bytes - mark + parity))
        words.append(Codeword((Span.of_bytes(Part.DATA, data, 512),), tuple(spans)))
    true = PageLayout(8 * size + 9, tuple(words))
    rng = np.random.default_rng(7)
    rows = Recipe(1, true, code).encode(
        rng.integers(0, 256, (80, 4096), np.uint8), np.empty((80, 0), np.uint8), np.arange(80)
    )
    found = FoundCode(code.bch, 40, 40, true.codewords[0].spans, 0, 0.0, 100)
    built = complete_page(rows, found, true.page_bytes)
    assert built is not None
    assert [codeword.spans for codeword in built.codewords] == [codeword.spans for codeword in true.codewords]
