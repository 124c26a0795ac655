"""Bytes of the data that the decoder corrects again and again: what lies there is not what the code saw.

A strong code bears a byte that is stored elsewhere, such as the one in the column of the bad-block marker, and the
words decode. But then that byte of the data is the code's and not the host's, or the page is not built as it looks.
Worn cells and bad bit lines make errors in single bits of many bytes, never in half of the bits of one.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Codeword, Part
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.spread import evenly
from deadstick.solve.scrambler.coded_pages import known_pages

PAGES, FEWEST = 96, 16
OFTEN = 0.3
"""Share of the bits of a byte that are corrected; half of them, where it is another byte in every page."""
ERASED = 0.95
LOOKED_AT = 512


def foreign_byte(pages: NDArray[np.uint8], recipe: Recipe) -> str | None:
    """The first byte of the data that is corrected in most pages, in words; None where there is none.

    Metadata are not asked: a marker may well be written over them and left to the code.

    Args:
        pages: `uint8[pages, page_bytes]`, of one chip from its page 0 on.
        recipe: decodes them.
    """
    if recipe.code is None:
        return None
    some = evenly(len(pages), LOOKED_AT)
    written = some[(pages[some] == 0xFF).mean(axis=1) < ERASED]
    numbers = known_pages(recipe, written)
    numbers = numbers[evenly(len(numbers), PAGES)]
    for slot, codeword in enumerate(recipe.layout.codewords):
        words = recipe.words(pages[numbers], numbers, slot)
        size = codeword.message_bits // 8
        decoded = recipe.code.codec.decode(words.copy(), size)
        good = decoded.errors >= 0
        if good.sum() < FEWEST:
            continue
        wrong = np.unpackbits((decoded.words ^ words)[good, :size], axis=1).reshape(-1, size, 8).mean(axis=(0, 2))
        wrong *= _is_data(codeword)[:size]
        if wrong.max(initial=0.0) >= OFTEN:
            place = f"byte {int(wrong.argmax())} of codeword {slot}"
            return f"{place} is corrected in most pages, so the page is not built as it looks"
    return None


def _is_data(codeword: Codeword) -> NDArray[np.bool_]:
    """`bool[bytes]`: bytes of the message that hold data, if only a bit."""
    bits = np.concatenate([np.full(span.bits, span.part is Part.DATA) for span in codeword.message])
    some: NDArray[np.bool_] = np.packbits(bits) != 0
    return some
