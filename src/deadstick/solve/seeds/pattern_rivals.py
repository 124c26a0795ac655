"""Is it the output of a register, or that with a pattern added that data may have themselves?

A register whose polynomial has a factor of x^n + 1 for a small n may add ones throughout, or a pattern of a few
bytes. What explains the columns of some words with one seed then explains them with another one, too, for data that
are changed in the same way: many bytes 00h look like many bytes FFh. The packed sectors tell which of both it is.
Under the right seed they are of the kinds that are known (`kinds_of_data`), and with a pattern added they are of
none. Each sector counts for itself, and those that do not pass for random do not count: a page of ones would outvote
everything.

Where something else has told the seed but for a pattern, one of a few seeds is the right one, and the pages under it
decide. How often a page speaks for the wrong one, the pages under all known keystreams tell: a file lies under one
keystream as well as under another, so what is odd about the data under a missing one is to be seen under those, too.
"""

from dataclasses import dataclass
from functools import reduce
from itertools import compress
from operator import xor

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.noise import MOST_EQUAL_PAIRS, equal_pairs
from deadstick.solve.common.spread import evenly
from deadstick.solve.seeds.byte_values import sectors_like_noise, sectors_of
from deadstick.solve.seeds.every_seed import SURE
from deadstick.solve.seeds.kinds_of_data import Rates, evidence, kinds_of_data

PERIOD, PATTERN_BYTES, MOST_FACTORS = 6, 32, 6
"""Bytes after which a pattern of one, two or three bytes repeats, those that must repeat, and factors of patterns that
a polynomial may have."""
LOG10_CHANCE = -6.0
"""Logarithm of the chance that a wrong seed is taken; a page by which it would be less likely speaks clearly."""
RANDOM = 0.5
"""How often a page speaks for the wrong seed if kinds tell nothing."""
MOST_BYTES = 4 << 20
"""Of known data that show how often a page speaks for the wrong seed."""

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


@dataclass(frozen=True, slots=True)
class PatternTest:
    """Which of a few seeds, that differ by patterns, pages were written under.

    Attributes:
        basis: `uint8[stages, data_bytes]`, what each bit of a seed adds to a page.
        rivals: seeds of the patterns, with all their sums.
        kinds: of packed data.
        wrong: for each pattern, how often a page that speaks clearly speaks for its being added.
    """

    basis: Bytes
    rivals: tuple[int, ...]
    kinds: tuple[Rates, ...]
    wrong: tuple[float, ...]

    @classmethod
    def of(cls, plain: Bytes, basis: Bytes, rivals: tuple[int, ...]) -> "PatternTest":
        """From known data, `uint8[pages, data_bytes]`: half of them show the kinds, the others how far these tell."""
        kinds = kinds_of_data(sectors_like_noise(plain[::2]))
        known = np.unique(plain[1::2], axis=0)
        known = known[evenly(len(known), MOST_BYTES // basis.shape[1])]
        clear = [_clear_pages(known, known ^ _keystream(basis, rival), kinds) for rival in rivals]
        # As often as seen, and each once more (Laplace's rule of succession).
        return cls(basis, rivals, kinds, tuple((against + 1) / (right + against + 2) for right, against in clear))

    def told(self, pages: Bytes, seed: int) -> int | None:
        """The seed itself, or with a pattern added; None where that is not clear.

        Args:
            pages: `uint8[pages, data_bytes]`, different data under one keystream.
            seed: of it, but for a pattern.
        """
        seeds = (seed, *(seed ^ rival for rival in self.rivals))
        return next((one for one in seeds if one and self._is_told(pages ^ _keystream(self.basis, one))), None)

    def _is_told(self, pages: Bytes) -> bool:
        """Whether more pages speak against each pattern than hardly ever do if it is there, and few enough for it."""
        enough = LOG10_CHANCE - np.log10(len(self.rivals))
        for rival, wrong in zip(self.rivals, self.wrong, strict=True):
            right, against = _clear_pages(pages, pages ^ _keystream(self.basis, rival), self.kinds)
            clear = right + against
            # Each page that says the opposite takes one away.
            if wrong >= RANDOM or log10_tail(clear, max(0, right - against), wrong) > enough:
                return False
            if log10_tail(clear, against, wrong) <= enough:
                return False
        return True


def _clear_pages(here: Bytes, there: Bytes, kinds: tuple[Rates, ...]) -> tuple[int, int]:
    """Pages that are clearly likelier here than there, and the other way round; those with a copied sector left out."""
    if not len(here) or not kinds:
        return 0, 0
    more = _more_likely(here, there, kinds)
    copied = more != 0
    copied[np.unique(sectors_of(here), axis=0, return_index=True)[1]] = False
    said = more.reshape(len(here), -1).sum(axis=1)[~copied.reshape(len(here), -1).any(axis=1)]
    clear = -LOG10_CHANCE * np.log(10)
    return int((said > clear).sum()), int((said < -clear).sum())


def _deviation(words: Bytes, basis: Bytes, seed: int, other: int, kinds: tuple[Rates, ...]) -> float:
    """Standard deviations by which sectors are likelier under a seed than under another one."""
    more = _more_likely(words ^ _keystream(basis, seed), words ^ _keystream(basis, other), kinds)
    # If nothing speaks for either, each sector is as likely to say the one as the other.
    spread = float(np.sqrt((more**2).sum()))
    return float(more.sum()) / spread if spread else 0.0


def _more_likely(here: Bytes, there: Bytes, kinds: tuple[Rates, ...]) -> NDArray[np.float64]:
    """`float64[sectors]`: the logarithm of how much likelier each is here than there; 0 if it is not packed."""
    here, there = sectors_of(here), sectors_of(there)
    passes = (equal_pairs(here) <= MOST_EQUAL_PAIRS) & (equal_pairs(there) <= MOST_EQUAL_PAIRS)
    more = np.zeros(len(here))
    more[passes] = evidence(here[passes], kinds) - evidence(there[passes], kinds)
    return more


def _keystream(basis: Bytes, seed: int) -> Bytes:
    stages = [stage for stage in range(len(basis)) if seed >> stage & 1]
    stream: Bytes = np.bitwise_xor.reduce(basis[stages], axis=0)
    return stream
