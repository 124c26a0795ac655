"""Is it the output of a register, or that with a pattern added that data may have themselves?

A register whose polynomial has a factor of x^n + 1 for a small n may add ones throughout, or a pattern of a few
bytes. What explains the columns of some words with one seed then explains them with another one, too, for data that
are changed in the same way: many bytes 00h look like many bytes FFh. The packed sectors tell which of both it is.
Under the right seed they are of the kinds that are known (`kinds_of_data`), and with a pattern added they are of
none. Each sector counts for itself, and those that do not pass for random do not count: a page of ones would outvote
everything.
"""

from functools import reduce
from itertools import compress
from operator import xor

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.noise import MOST_EQUAL_PAIRS, equal_pairs
from deadstick.solve.seeds.byte_values import sectors_of
from deadstick.solve.seeds.every_seed import SURE
from deadstick.solve.seeds.kinds_of_data import Rates, evidence

PERIOD, PATTERN_BYTES, MOST_FACTORS = 6, 32, 6
"""Bytes after which a pattern of one, two or three bytes repeats, those that must repeat, and factors of patterns that
a polynomial may have."""

Bytes = NDArray[np.uint8]


def patterns(basis: Bytes) -> tuple[int, ...] | None:
    """Seeds whose keystream repeats after a few bytes; None where there are too many.

    They are the solutions of linear equations, and a register has only as many as its polynomial has factors for.

    Args:
        basis: `uint8[stages, bytes]`, what each bit of a seed adds.
    """
    start = basis[:, :PATTERN_BYTES]
    repeats = start[:, PERIOD:] ^ start[:, :-PERIOD]
    kernel = LinearSystem([int.from_bytes(row.tobytes(), "big") for row in repeats]).kernel
    if len(kernel) > MOST_FACTORS:
        return None
    sums = (compress(kernel, map(int, f"{number:0{len(kernel)}b}")) for number in range(1, 1 << len(kernel)))
    return tuple(reduce(xor, some) for some in sums)


def is_ahead(seed: int, rivals: tuple[int, ...], words: Bytes, basis: Bytes, kinds: tuple[Rates, ...]) -> bool:
    """Whether packed sectors are clearly likelier under a seed than with any of some patterns added to it.

    Args:
        seed: of a keystream.
        rivals: seeds of the patterns.
        words: `uint8[words, bytes]`, different data under it.
        basis: `uint8[stages, bytes]`, what each bit of a seed adds.
        kinds: of packed data.
    """
    return all(_deviation(words, basis, seed, seed ^ rival, kinds) >= SURE for rival in rivals)


def _deviation(words: Bytes, basis: Bytes, seed: int, other: int, kinds: tuple[Rates, ...]) -> float:
    """Standard deviations by which sectors are likelier under a seed than under another one."""
    here, there = (sectors_of(words ^ _keystream(basis, one)) for one in (seed, other))
    passes = (equal_pairs(here) <= MOST_EQUAL_PAIRS) & (equal_pairs(there) <= MOST_EQUAL_PAIRS)
    more = evidence(here[passes], kinds) - evidence(there[passes], kinds)
    # If nothing speaks for either, each sector is as likely to say the one as the other.
    spread = float(np.sqrt((more**2).sum()))
    return float(more.sum()) / spread if spread else 0.0


def _keystream(basis: Bytes, seed: int) -> Bytes:
    stages = [stage for stage in range(len(basis)) if seed >> stage & 1]
    stream: Bytes = np.bitwise_xor.reduce(basis[stages], axis=0)
    return stream
