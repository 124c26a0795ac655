"""Which data line of a read holds which bit: swapped lines, told by another read or by text.

Two reads of one chip are compared line by line: line b of the one and line l of the other agree but for bit errors
where both hold the same bit of the chip, and in about half of the bits elsewhere. Which of the two is wired wrongly
that does not tell; a third read does, or text: bytes of a text without a scrambler are letters and blanks under one
order of the lines and odd signs under every other. Under a scrambler one read alone cannot tell, as bytes are then
equally frequent in every order.
"""

from collections import Counter
from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.align import ALIKE, Bytes
from deadstick.flash.reads import IN_ORDER, order_table

_WINDOW = 64
_MOST_WINDOWS = 1 << 15
_FEWEST_TEXTS = 32
_PLAINLY = 4
_LETTERS = b" etaoinshrdlucm"
"""The most frequent bytes of English text, in this order; most languages in Latin letters share most of them."""


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
    """Ask the text in a read for the order of its lines, if it holds any.

    Args:
        read: `uint8[bytes]`.

    Returns:
        The order, the windows of 64 bytes that read as text under it, and those under the next best order. None where
        too few do.
    """
    windows = read[: len(read) // _WINDOW * _WINDOW].reshape(-1, _WINDOW)
    windows = windows[:: max(1, len(windows) // _MOST_WINDOWS)]
    # Under any order text keeps one line at 0 and never holds all ones or zeros.
    quiet = np.bitwise_or.reduce(windows, axis=1) != 0xFF
    lively = np.bitwise_count(np.bitwise_or.reduce(windows, axis=1)) == 7
    windows = windows[quiet & lively]
    if len(windows) < _FEWEST_TEXTS:
        return None
    orders = [IN_ORDER, *(_exchanged(one, other) for one, other in combinations(range(8), 2))]
    counts = sorted(((int(_is_text(order_table(order)[windows]).sum()), order) for order in orders), reverse=True)
    (best, order), (next_best, _) = counts[:2]
    return (order, best, next_best) if best >= _FEWEST_TEXTS and best >= _PLAINLY * next_best else None


def _exchanged(one: int, other: int) -> tuple[int, ...]:
    order = list(IN_ORDER)
    order[one], order[other] = other, one
    return tuple(order)


def _is_text(windows: Bytes) -> NDArray[np.bool_]:
    """`bool[windows]`: nearly all letters, blanks and signs of writing, and the frequent letters frequent."""
    printable, frequent = np.zeros(256, np.bool_), np.zeros(256, np.bool_)
    printable[[9, 10, 13, *range(32, 127)]] = True
    frequent[list(_LETTERS)] = True
    fits: NDArray[np.bool_] = (printable[windows].mean(axis=1) > 0.97) & (frequent[windows].mean(axis=1) > 0.6)
    return fits
