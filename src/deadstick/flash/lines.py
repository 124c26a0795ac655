"""Which data line of a read holds which bit: swapped lines, told by another read or by text.

Two reads of one chip are compared line by line: line b of the one and line l of the other agree but for bit errors
where both hold the same bit of the chip, and in about half of the bits elsewhere. Which of the two is wired wrongly
that does not tell; a third read does. Text without a scrambler tells a little: in ASCII the top line, 7, is always 0,
so a read in whose text another line is always 0, and which is text once that line and line 7 change places, has these
two exchanged. Other exchanges turn letters into letters. Under a scrambler one read alone cannot tell at all, as bytes
are then equally frequent in every order.
"""

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.align import ALIKE, Bytes
from deadstick.flash.reads import IN_ORDER, order_table

_WINDOW = 64
_MOST_WINDOWS = 1 << 15
_FEWEST_TEXTS = 32
_PLAINLY = 4


def line_matches(one: Bytes, other: Bytes) -> NDArray[np.float64]:
    """`float64[8, 8]`: share of differing bits between line b of one read and line l of the other.

    Args:
        one: `uint8[bytes]`.
        other: `uint8[bytes]`, the same place of the chip.
    """
    first = np.unpackbits(one[:, None], axis=1, bitorder="little").astype(np.float32)
    second = np.unpackbits(other[:, None], axis=1, bitorder="little").astype(np.float32)
    both = first.T @ second
    shares: NDArray[np.float64] = (first.sum(axis=0)[:, None] + second.sum(axis=0)[None] - 2 * both) / max(1, len(one))
    return shares.astype(np.float64)


def line_order(leader: Bytes, read: Bytes) -> tuple[int, ...]:
    """`order[b]`: the line of the read that holds what the leader has on line b; the natural one in case of doubt.

    Args:
        leader: `uint8[bytes]`, written parts of the chip.
        read: `uint8[bytes]`, the same parts.
    """
    shares = line_matches(leader, read)
    order = list(IN_ORDER)
    for bit in range(8):
        best = int(shares[bit].argmin())
        if shares[bit, bit] > ALIKE and shares[bit, best] < ALIKE:
            order[bit] = best
    return tuple(order) if sorted(order) == list(IN_ORDER) else IN_ORDER


def settle_orders(orders: Sequence[tuple[int, ...] | None]) -> tuple[tuple[tuple[int, ...] | None, ...], bool]:
    """Decide by majority which reads are wired rightly.

    Args:
        orders: from `line_order`, relative to the leader, whose own is the natural one; None for a read left out.

    Returns:
        The orders relative to the majority, and whether there is one; without one the leader is taken as right.
    """
    counts = Counter(order for order in orders if order is not None).most_common()
    if len(counts) > 1 and counts[0][1] == counts[1][1]:
        return tuple(orders), False
    right = counts[0][0]
    place = [right.index(bit) for bit in range(8)]
    return tuple(None if order is None else tuple(order[place[bit]] for bit in range(8)) for order in orders), True


def swapped(order: Sequence[int]) -> list[int]:
    """The lines that are not where they should be."""
    return [bit for bit, line in enumerate(order) if bit != line]


def text_order(read: Bytes) -> tuple[tuple[int, ...], int, int] | None:
    """Ask the text in a read where its top line is, if it holds any text.

    Args:
        read: `uint8[bytes]`.

    Returns:
        The order, the windows of 64 bytes that read as text under it, and those under the next best order. None where
        too few do, or two orders are nearly as good.
    """
    windows = read[: len(read) // _WINDOW * _WINDOW].reshape(-1, _WINDOW)
    windows = windows[:: max(1, len(windows) // _MOST_WINDOWS)]
    # Text leaves the top line at 0, and its other lines change.
    windows = windows[np.bitwise_count(np.bitwise_or.reduce(windows, axis=1)) == 7]
    if len(windows) < _FEWEST_TEXTS:
        return None
    orders = [_exchanged(line, 7) for line in range(8)]
    counts = sorted(((int(_is_text(order_table(order)[windows]).sum()), order) for order in orders), reverse=True)
    (best, order), (next_best, _) = counts[:2]
    return (order, best, next_best) if best >= _FEWEST_TEXTS and best >= _PLAINLY * next_best else None


def _exchanged(one: int, other: int) -> tuple[int, ...]:
    order = list(IN_ORDER)
    order[one], order[other] = other, one
    return tuple(order)


def _is_text(windows: Bytes) -> NDArray[np.bool_]:
    """`bool[windows]`: nearly all letters, digits, blanks and signs of writing."""
    printable = np.zeros(256, np.bool_)
    printable[[9, 10, 13, *range(32, 127)]] = True
    fits: NDArray[np.bool_] = printable[windows].mean(axis=1) > 0.97
    return fits
