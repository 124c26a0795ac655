"""Numba kernels of the recipe: moving runs of bits between pages, codewords and data. Arrays alone, no checks.

Bits are counted from the most significant one of the first byte of a row. A span table is `int64[spans, 3]`: first
bit in the source row, length in bits, first bit in the target row.
"""

from numba import njit
from numpy import int64, uint8
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def _move(source: NDArray[uint8], start: int, bits: int, target: NDArray[uint8], place: int) -> None:
    """Copy one run of bits between two rows; the target's other bits stay.

    The middle of the run goes by whole bytes of the target; only its two ragged ends go bit by bit.
    """
    end = start + bits
    while start < end and (place % 8 != 0 or end - start < 8):
        bit = (source[start >> 3] >> (7 - (start & 7))) & 1
        mask = 128 >> (place & 7)
        target[place >> 3] = uint8((target[place >> 3] & (255 ^ mask)) | (mask * bit))
        start += 1
        place += 1
    count = (end - start) >> 3
    shift = start & 7
    # Slices, because an index that plainly counts from 0 lets the compiler make vector code.
    into = target[place >> 3 : (place >> 3) + count]
    high = source[start >> 3 : (start >> 3) + count]
    if shift == 0:
        for k in range(count):
            into[k] = high[k]
    else:
        low = source[(start >> 3) + 1 : (start >> 3) + 1 + count]
        for k in range(count):
            into[k] = uint8((high[k] << shift) | (low[k] >> (8 - shift)))
    start += 8 * count
    place += 8 * count
    while start < end:
        bit = (source[start >> 3] >> (7 - (start & 7))) & 1
        mask = 128 >> (place & 7)
        target[place >> 3] = uint8((target[place >> 3] & (255 ^ mask)) | (mask * bit))
        start += 1
        place += 1


@njit(cache=True, nogil=True)
def move_bits(source: NDArray[uint8], spans: NDArray[int64], target: NDArray[uint8]) -> None:
    """Copy spans from every row of `source` to the same row of `target`.

    Args:
        source: `uint8[rows, bytes]`.
        spans: span table.
        target: `uint8[rows, bytes]`; bits that no span names stay.
    """
    for row in range(source.shape[0]):
        for span in range(spans.shape[0]):
            _move(source[row], spans[span, 0], spans[span, 1], target[row], spans[span, 2])


@njit(cache=True, nogil=True)
def move_bits_of_view(
    pages: NDArray[uint8],
    masks: NDArray[uint8],
    index: NDArray[int64],
    flip: uint8,
    reverse: bool,
    spans: NDArray[int64],
    scratch: NDArray[uint8],
    target: NDArray[uint8],
) -> None:
    """`move_bits` from pages as the code sees them: keystream added, complemented, bits of each byte reversed.

    Args:
        pages: `uint8[pages, page_bytes]`, as read.
        masks: `uint8[keystreams, page_bytes]`, what is added; no rows for nothing.
        index: `int64[pages]`, the mask of each page; ignored without masks.
        flip: 255 to complement each byte, else 0.
        reverse: whether the bits of each byte are taken least significant first.
        spans: span table.
        scratch: `uint8[page_bytes]`.
        target: `uint8[pages, bytes]`; bits that no span names stay.
    """
    page_bytes = pages.shape[1]
    for row in range(pages.shape[0]):
        page = pages[row]
        if masks.shape[0]:
            mask = masks[index[row]]
            for column in range(page_bytes):
                scratch[column] = page[column] ^ mask[column] ^ flip
        else:
            for column in range(page_bytes):
                scratch[column] = page[column] ^ flip
        if reverse:
            # Swap halves, quarters, neighbours: arithmetic instead of a table becomes vector code.
            for column in range(page_bytes):
                x = scratch[column]
                x = uint8((x >> 4) | (x << 4))
                x = uint8(((x >> 2) & 0x33) | ((x & 0x33) << 2))
                scratch[column] = uint8(((x >> 1) & 0x55) | ((x & 0x55) << 1))
        for span in range(spans.shape[0]):
            _move(scratch, spans[span, 0], spans[span, 1], target[row], spans[span, 2])


@njit(cache=True, nogil=True)
def reverse_bits(rows: NDArray[uint8]) -> None:
    """Reverse the bits of every byte of `uint8[rows, bytes]`, in place."""
    for row in range(rows.shape[0]):
        line = rows[row]
        for column in range(rows.shape[1]):
            x = line[column]
            x = uint8((x >> 4) | (x << 4))
            x = uint8(((x >> 2) & 0x33) | ((x & 0x33) << 2))
            line[column] = uint8(((x >> 1) & 0x55) | ((x & 0x55) << 1))
