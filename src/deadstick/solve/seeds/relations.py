"""Sums of bits that are mostly the same in some kind of data, and the words that have one in common.

A word is data under one keystream. Whatever that is, it cancels in the sum of two words under it. So if a relation
holds in both of them, it shows in their sum, in every place and without a seed; if it does not hold in one of them, it
shows in half of the places. A few pages of sound are found in this way among many of packed data, and their
equations are not drowned by what the others say at random.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly

LINKED = 6.0
"""Standard deviations of random signs by which two words must agree: among all pairs of `MOST_COMPARED` words one in
30,000 times two do so by accident (normal distribution)."""
MOST_COMPARED, MOST_GROUPS = 256, 3

Bytes = NDArray[np.uint8]
Signs = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Relation:
    """Bits of a byte whose sum is mostly the same in some kind of data.

    Attributes:
        bits: their places in the byte, the highest is 0.
        step: every byte, or every second one.
        first: the first such byte of a codeword.
    """

    bits: tuple[int, ...]
    step: int = 1
    first: int = 0

    def signs(self, words: Bytes) -> Signs:
        """`float32[words, places]`: 1 where the sum of `uint8[words, bytes]` is even, -1 where it is odd."""
        return 1 - 2 * self._odd(words).astype(np.float32)

    def sums(self, words: Bytes) -> NDArray[np.float64]:
        """`float64[places]`: words in which the sum of bits is even less those in which it is odd."""
        sums: NDArray[np.float64] = len(words) - 2.0 * self._odd(words).sum(axis=0)
        return sums

    def masks(self, basis: Bytes) -> NDArray[np.uint64]:
        """`uint64[places]`: the stages of the seed that each place adds up; `uint8[stages, bytes]`: what each adds."""
        stages = np.arange(len(basis), dtype=np.uint64)[:, None]
        masks: NDArray[np.uint64] = np.bitwise_or.reduce(self._odd(basis).astype(np.uint64) << stages, axis=0)
        return masks

    def _odd(self, words: Bytes) -> Bytes:
        some = words[:, self.first :: self.step]
        bits = np.unpackbits(some, axis=1).reshape(*some.shape, 8)
        odd: Bytes = np.bitwise_xor.reduce(bits[:, :, list(self.bits)], axis=2)
        return odd


RELATIONS = (
    Relation((0,)),  # text
    Relation((0, 1), 2, 1),  # samples of 16 bits, the low byte first
    Relation((0, 1), 2, 0),  # the high byte first
    Relation((0, 1)),  # samples of 8 bits with a sign
)


def alike(words: Bytes, relation: Relation) -> Iterator[Bytes]:
    """Groups of words in which a relation holds, or its opposite, as their sums tell; the largest first.

    Args:
        words: `uint8[words, bytes]`, different data under one keystream; only some are compared.
        relation: which.
    """
    words = words[evenly(len(words), MOST_COMPARED)]
    if not len(words):
        return
    signs = relation.signs(words)
    linked = signs @ signs.T > LINKED * np.sqrt(signs.shape[1])
    np.fill_diagonal(linked, val=False)
    for _ in range(MOST_GROUPS):
        first = int(linked.sum(axis=1).argmax())
        group = np.flatnonzero(linked[first])
        if not len(group):
            return
        group = np.append(group, first)
        yield words[group]
        linked[group] = False
        linked[:, group] = False


def unseen(masks: NDArray[np.uint64], patterns: Sequence[int]) -> tuple[int, ...]:
    """Bits of a seed that may be chosen, since seeds that differ by some patterns are one to all equations.

    Args:
        masks: `uint64[equations]`, the bits of the seed that are added up in each.
        patterns: seeds of patterns, with all their sums; see `pattern_rivals`.

    Returns:
        As many single bits as the patterns that no equation sees have independent ones.

    >>> unseen(np.array([0b0011, 0b1100], np.uint64), (0b0011, 0b1000, 0b1011))
    (2,)
    """
    rows: dict[int, int] = {}
    for pattern in patterns:
        if (np.bitwise_count(masks & np.uint64(pattern)) & 1).any():
            continue
        rest = pattern
        while rest.bit_length() in rows:
            rest ^= rows[rest.bit_length()]
        if rest:
            rows[rest.bit_length()] = rest
    return tuple(1 << length - 1 for length in rows)
