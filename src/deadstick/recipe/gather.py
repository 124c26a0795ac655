"""Pages to codewords and back: the copying that a layout asks for, done in whole batches."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe import kernels
from deadstick.recipe.layout import Span

Bytes = NDArray[np.uint8]
Moves = NDArray[np.int64]
"""Span table of the kernels: first bit in the source row, length in bits, first bit in the target row."""


def gather(pages: Bytes, spans: Sequence[Span], out: Bytes) -> None:
    """Copy spans of every page one after the other.

    Args:
        pages: `uint8[pages, page_bytes]`, most significant bit first.
        spans: what to copy, in order.
        out: `uint8[pages, bytes]`, filled from its first bit; bits after the last span become 0.
    """
    rows = np.zeros(out.shape, np.uint8)
    kernels.move_bits(np.ascontiguousarray(pages), moves_in_turn(spans), rows)
    out[:] = rows


def moves_in_turn(spans: Iterable[Span], first: int = 0) -> Moves:
    """Moves that put spans of a page one after the other, from bit `first` of the target on."""
    rows = []
    for span in spans:
        rows.append((span.start, span.bits, first))
        first += span.bits
    return table(rows)


def table(rows: Iterable[tuple[int, int, int]]) -> Moves:
    """A span table of the kernels; it may have no rows."""
    return np.array(list(rows), np.int64).reshape(-1, 3)


def turned(moves: Moves) -> Moves:
    """The moves that undo `moves`."""
    return np.ascontiguousarray(moves[:, ::-1])
