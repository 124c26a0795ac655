"""Pages in which nothing is written, however many bits have flipped: their parity tells.

Where a controller wrote anything, about half of the parity bits of its codeword are ones. An erased page reads as ones
from end to end, parity included, but for bits that have flipped since. That matters where the erased page is a
codeword itself (an inverted page, or masked parity): the code would repair it and call it sound data.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.gather import gather
from deadstick.recipe.layout import PageLayout

MOST_FLIPPED = 0.15
"""Share of flipped bits that is borne."""
FEWEST_PARITY_BITS = 48
"""Of a codeword, for its parity to tell: so many random bits are as one-sided with a chance of about 1e-7."""
MOST_ONES = 8
"""Bits of a page that may read as ones, for it to read as zeros where the parity is too short to tell."""
_LOOK_BYTES = 64


def blank_pages(raw: NDArray[np.uint8], layout: PageLayout, reads_as: Literal[0, 1]) -> NDArray[np.bool_]:
    """Which pages read as ones, or as zeros, in the parity of every codeword and in their first bytes.

    Args:
        raw: `uint8[pages, page_bytes]`, as read.
        layout: where the parity lies; where it is too short to tell, no page is blank, save pages of zeros throughout.
        reads_as: 1 for erased pages, 0 for pages of zeros.

    Returns:
        `bool[pages]`.
    """
    blank = np.zeros(len(raw), np.bool_)
    if any(codeword.parity_bits < FEWEST_PARITY_BITS for codeword in layout.codewords):
        if reads_as == 0 and all(codeword.parity_bits for codeword in layout.codewords):
            # Data of zeros with a parity of zeros is what many codes would make of it; the whole page must read so.
            blank |= _flipped(raw, 0) <= MOST_ONES
        return blank
    head = raw[:, :_LOOK_BYTES]
    rows = np.flatnonzero(_flipped(head, reads_as) <= 8 * head.shape[1] * MOST_FLIPPED)
    for codeword in layout.codewords:
        if not len(rows):
            break
        bits = codeword.parity_bits
        parity = np.empty((len(rows), -(-bits // 8)), np.uint8)
        gather(raw[rows], codeword.parity, parity)
        # `gather` pads with zeros, which are no flipped ones.
        padding = 8 * parity.shape[1] - bits if reads_as else 0
        rows = rows[_flipped(parity, reads_as) - padding <= bits * MOST_FLIPPED]
    blank[rows] = True
    return blank


def _flipped(values: NDArray[np.uint8], reads_as: int) -> NDArray[np.int64]:
    """`int64[rows]`: bits that are not `reads_as`."""
    ones: NDArray[np.int64] = np.bitwise_count(values).sum(axis=1, dtype=np.int64)
    return 8 * values.shape[1] - ones if reads_as else ones
