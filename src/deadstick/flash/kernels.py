"""Numba kernels of the chip as read. Arrays in, arrays out; checks are the callers' duty."""

from numba import njit
from numpy import uint8, uint32
from numpy.typing import NDArray

WINDOW_BYTES = 32
"""Bytes over which clustered zero bits are looked for; a constant, so that the loop becomes vector code."""


@njit(cache=True, nogil=True)
def erased_pages(
    pages: NDArray[uint8],
    zero_bits: NDArray[uint8],
    page_limit: int,
    window_limit: int,
    erased: NDArray[uint8],
) -> None:
    """Mark the pages with few zero bits, in all and in every window of `WINDOW_BYTES`.

    Args:
        pages: `uint8[pages, page_bytes]`, rows contiguous.
        zero_bits: `uint8[256]`, the number of zero bits of each byte value.
        page_limit: Most zero bits of an erased page.
        window_limit: Most zero bits in one window of an erased page.
        erased: `uint8[pages]`, receives 1 for erased, 0 for programmed.
    """
    count, page_bytes = pages.shape
    whole = page_bytes - page_bytes % WINDOW_BYTES
    for page in range(count):
        total = 0
        fits = True
        start = 0
        while fits and start < page_bytes:
            inside = 0
            if start < whole:
                # Nearly every window of an erased page is all ones: one vector AND settles it.
                ones = uint8(255)
                for offset in range(WINDOW_BYTES):
                    ones &= pages[page, start + offset]
                if ones != 255:
                    for offset in range(WINDOW_BYTES):
                        inside += zero_bits[pages[page, start + offset]]
            else:
                for column in range(start, page_bytes):
                    inside += zero_bits[pages[page, column]]
            total += inside
            fits = inside <= window_limit and total <= page_limit
            start += WINDOW_BYTES
        erased[page] = 1 if fits else 0


@njit(cache=True, nogil=True)
def column_histogram(pages: NDArray[uint8], chosen: NDArray[uint8], counts: NDArray[uint32]) -> None:
    """Add each byte of the chosen pages to the histogram of its column.

    Args:
        pages: `uint8[pages, page_bytes]`.
        chosen: `uint8[pages]`, not 0 for the pages to count.
        counts: `uint32[page_bytes, 256]`, added to.
    """
    count, page_bytes = pages.shape
    for page in range(count):
        if chosen[page]:
            for column in range(page_bytes):
                counts[column, pages[page, column]] += uint32(1)
