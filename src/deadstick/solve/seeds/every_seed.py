"""All seeds of a short register at once, where data say so little that no few equations can be trusted.

Each place says whether the sum of some stages of the seed is even or odd, and hardly more often rightly than wrongly.
How well a seed agrees with all places together is a sum over them with signs; for all seeds that is one transform
(Walsh and Hadamard), as in fast correlation attacks (W. Meier and O. Staffelbach, Journal of Cryptology 1, 1989).
"""

import numpy as np
from numpy.typing import NDArray

LONGEST = 26
"""Stages: 64 million seeds take 256 MiB and a few seconds."""
CHUNK = 7
SURE, APART = 14.0, 5.0
"""Standard deviations of random sums that the best seed must reach, and by which it must be ahead of the next: the best
of 2^26 reaches 5.5 by accident (normal distribution)."""


def best_seed(masks: NDArray[np.uint64], sums: NDArray[np.float64], width: int) -> int | None:
    """The seed that agrees with the most places.

    Args:
        masks: `uint64[places]`, the stages of the seed that are added up in each.
        sums: `float64[places]`, what the places say of it: positive for an even sum.
        width: stages.

    Returns:
        None where no seed stands out, or the register is too long to try all.

    >>> masks = np.random.default_rng(1).integers(1, 1 << 12, 4000, dtype=np.uint64)
    >>> signs = 1.0 - 2.0 * (np.bitwise_count(masks & np.uint64(0xABC)) & 1)
    >>> hex(best_seed(masks, signs + np.random.default_rng(2).normal(0, 3, 4000), 12))
    '0xabc'
    """
    total = float(np.sqrt((sums**2).sum()))
    if width > LONGEST or total == 0:
        return None
    table = np.zeros(1 << width, np.float32)
    np.add.at(table, masks.astype(np.int64), (sums / total).astype(np.float32))
    scores = hadamard(table, width)
    scores[0] = 0  # no register runs on zero
    best = int(scores.argmax())
    highest = float(scores[best])
    scores[best] = 0
    return best if highest >= SURE and highest >= float(scores.max()) + APART else None


def hadamard(table: NDArray[np.float32], bits: int) -> NDArray[np.float32]:
    """The Walsh-Hadamard transform of `float32[2^bits]`.

    >>> hadamard(np.array([0, 1, 0, 0], np.float32), 2).tolist()
    [1.0, -1.0, 1.0, -1.0]
    """
    # A few bits at a time are a product with a small matrix, which moves them from the front of the index to its end.
    left = bits
    while left:
        some = min(CHUNK, left)
        table = (table.reshape(1 << some, -1).T @ walsh_matrix(some)).reshape(-1)
        left -= some
    return table


def walsh_matrix(bits: int) -> NDArray[np.float32]:
    """`float32[2^bits, 2^bits]`, the matrix of that transform: 1 where the bits that row and column share are even.

    >>> walsh_matrix(1).tolist()
    [[1.0, 1.0], [1.0, -1.0]]
    """
    numbers = np.arange(1 << bits)
    odd = np.bitwise_count(numbers[:, None] & numbers) & 1
    return np.where(odd == 1, np.float32(-1), np.float32(1))
