"""Which pages were never programmed: they read 0xFF but for a few flipped bits.

The idea is that of Linux `nand_check_erased_ecc_chunk` (drivers/mtd/nand/raw/nand_base.c): count zero bits and
compare with what the code could have corrected. Two limits are kept here. The whole page may hold
`max_zero_bits_per_1000` of its bits; and no window of 32 bytes may hold more than chance would put there at
that rate, because flipped bits lie scattered while the parity of a single short codeword lies together.
"""

from math import floor, sqrt

import numpy as np
from numpy.typing import NDArray

from deadstick.flash import kernels

DEFAULT_MAX_ZERO_BITS_PER_1000 = 4.0
"""About what 40 correctable bits in 1 KiB and its parity mean, a strong BCH code of MLC chips."""

_ZERO_BITS: NDArray[np.uint8] = (8 - np.bitwise_count(np.arange(256, dtype=np.uint8))).astype(np.uint8)


def erased_pages(
    pages: NDArray[np.uint8], max_zero_bits_per_1000: float = DEFAULT_MAX_ZERO_BITS_PER_1000
) -> NDArray[np.bool_]:
    """Tell erased pages from programmed ones.

    Args:
        pages: `uint8[pages, page_bytes]`.
        max_zero_bits_per_1000: Most zero bits in a thousand for a page to count as erased, 0 to 500.

    Returns:
        `bool[pages]`, true for erased.

    Raises:
        TypeError: `pages` is not `uint8`.
        ValueError: `pages` has not two axes, or the rate is outside 0 to 500.

    >>> pages = np.full((3, 64), 0xFF, np.uint8)
    >>> pages[1, 10] = 0xFB                 # one flipped bit
    >>> pages[2, 10:20] = 0x5A              # programmed
    >>> erased_pages(pages).tolist()
    [True, True, False]
    """
    if pages.dtype != np.uint8:
        raise TypeError(f"Pages must be uint8, not {pages.dtype}.")
    if pages.ndim != 2:
        raise ValueError(f"Pages must have the axes [pages, page_bytes], not {pages.ndim} axes.")
    page_limit, window_limit = limits(pages.shape[1], max_zero_bits_per_1000)
    erased = np.zeros(pages.shape[0], dtype=np.uint8)
    kernels.erased_pages(pages, _ZERO_BITS, page_limit, window_limit, erased)
    return erased.view(np.bool_)


def limits(page_bytes: int, max_zero_bits_per_1000: float) -> tuple[int, int]:
    """Most zero bits of an erased page, and in one window of it.

    The window's limit is its mean, plus eight standard deviations of a Poisson count, plus four: at the
    highest rate allowed, less than one window in 10^9 exceeds it by chance.

    Args:
        page_bytes: Bytes of one page.
        max_zero_bits_per_1000: As for `erased_pages`.

    Raises:
        ValueError: The rate is outside 0 to 500.

    >>> limits(4320, 4.0)
    (138, 13)
    """
    if not 0 <= max_zero_bits_per_1000 <= 500:
        raise ValueError(f"Zero bits per 1000 must lie between 0 and 500, not {max_zero_bits_per_1000}.")
    rate = max_zero_bits_per_1000 / 1000
    # A short page must bear one flipped bit, unless none is allowed at all.
    page_limit = max(floor(8 * page_bytes * rate), 1 if rate else 0)
    return page_limit, most_by_chance(8 * kernels.WINDOW_BYTES, rate) if rate else 0


def most_by_chance(bits: int, rate: float = DEFAULT_MAX_ZERO_BITS_PER_1000 / 1000) -> int:
    """Zero bits that so many bits of an erased page may have.

    Args:
        bits: how many.
        rate: share of zero bits in the mean.

    >>> most_by_chance(256), most_by_chance(16)
    (13, 6)
    """
    mean = bits * rate
    return floor(mean + 8 * sqrt(mean) + 4)
