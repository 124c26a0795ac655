"""Pages to codewords and back: the copying that a layout asks for, done in whole batches."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Span

Bytes = NDArray[np.uint8]


def gather(pages: Bytes, spans: Sequence[Span], out: Bytes) -> None:
    """Copy spans of every page one after the other.

    Args:
        pages: `uint8[pages, page_bytes]`, most significant bit first.
        spans: what to copy, in order.
        out: `uint8[pages, bytes]`, filled from its first bit; bits after the last span become 0.
    """
    if all(span.is_byte_aligned for span in spans):
        cursor = 0
        for span in spans:
            length = span.bits // 8
            out[:, cursor : cursor + length] = pages[:, span.start // 8 : span.end // 8]
            cursor += length
        out[:, cursor:] = 0
        return
    bits = np.zeros((len(pages), 8 * out.shape[1]), np.uint8)
    cursor = 0
    for span in spans:
        bits[:, cursor : cursor + span.bits] = _bits(pages, span)
        cursor += span.bits
    out[:] = np.packbits(bits, axis=1)


def scatter(values: Bytes, spans: Sequence[Span], pages: Bytes) -> None:
    """The inverse of `gather`: write rows of bytes into the spans of pages, in place.

    Args:
        values: `uint8[pages, bytes]`.
        spans: where they go, in order.
        pages: `uint8[pages, page_bytes]`, changed.
    """
    cursor = 0
    if all(span.is_byte_aligned for span in spans):
        for span in spans:
            length = span.bits // 8
            pages[:, span.start // 8 : span.end // 8] = values[:, cursor : cursor + length]
            cursor += length
        return
    bits = np.unpackbits(values, axis=1)
    for span in spans:
        first, last = span.start // 8, -(-span.end // 8)
        window = np.unpackbits(pages[:, first:last], axis=1)
        begin = span.start - 8 * first
        window[:, begin : begin + span.bits] = bits[:, cursor : cursor + span.bits]
        pages[:, first:last] = np.packbits(window, axis=1)
        cursor += span.bits


def _bits(pages: Bytes, span: Span) -> Bytes:
    first, last = span.start // 8, -(-span.end // 8)
    begin = span.start - 8 * first
    return np.unpackbits(pages[:, first:last], axis=1)[:, begin : begin + span.bits]
