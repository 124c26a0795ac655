"""Is there anything but noise? Byte values over all, and sector by sector.

The chi-square test of Pearson over all bytes tells noise from data, but a volume that is full of packed files passes
for noise: a handful of structured sectors (tables, directories, the slack behind files) drowns in gigabytes. So each
sector is asked alone. Among 512 uniform bytes there are 511 pairs of equal ones on average, with a standard deviation
of 22.6; the number is close to Poisson's law, by which more than `MOST_EQUAL_PAIRS` have a chance of 10^-21. Text,
tables, zeros and headers have thousands. A cipher that covers the disk leaves no such sector, and no two stretches that
are equal unless whole sectors are copies; a scrambler's keystream comes again wherever the same constant lies under it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from deadstick.solve.common import noise_kernels
from deadstick.solve.common.spread import evenly

SAMPLE_BYTES, SAMPLE_STRETCH = 8 << 20, 32 << 10
"""How much of a long array is looked at, and in stretches of what length: single bytes at even distances would touch
every page of the memory, and so read the whole file."""
OTHER_SHARE = 0.01
"""Share of bytes in a stretch that bit errors alone do not make: 1e-3 a bit is 0.8 % of the bytes."""
UNIFORM_P = 1e-4
FEWEST_BYTES = 4096
FEWEST_FOR_VALUES, FEWEST_VALUES = 1 << 16, 160
"""In so many bytes of a dump are at least 1,000 of parity (a 64th of a page, common practice, no source), and at least
so many of the 256 values occur among 1,000 random bytes: 251 on average, with a standard deviation below 3."""
SECTOR_BYTES = 512
MOST_EQUAL_PAIRS = 750
LOG10_FALSE_SECTOR = -21.0
"""Logarithm of the chance that a uniform sector has more equal pairs."""
STRETCH_BYTES = 32
FEWEST_SECTORS = 512
CONSTANT_PAIRS = 0.8
"""Share of equal pairs in a constant row; it holds up to one wrong byte in ten."""
STRUCTURED_SHARE = 2e-4
"""Share of sectors of a volume in use that are structured at the least: two allocation tables of four bytes for
each cluster of 32 KiB come to 2.4e-4; every directory and all slack of files come on top."""


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How well the bytes fit a uniform distribution.

    Attributes:
        chi_square: Pearson's statistic with 255 degrees of freedom.
        p_value: chance that uniform bytes deviate as much or more.
        entropy: bits per byte of the observed distribution.
        sampled: bytes looked at.
    """

    chi_square: float
    p_value: float
    entropy: float
    sampled: int


def uniformity(data: NDArray[np.uint8]) -> Uniformity:
    """Test bytes against the uniform distribution.

    Args:
        data: `uint8[bytes]`; a long array is sampled at even distances.

    Returns:
        The figures of the test; nothing is uniform that has too few bytes to tell.
    """
    sample = _sample(data)
    counts = np.bincount(sample, minlength=256)
    total = max(1, len(sample))
    expected = total / 256
    chi_square = float(((counts - expected) ** 2 / expected).sum())
    shares = counts[counts > 0] / total
    entropy = float(-(shares * np.log2(shares)).sum())
    p_value = float(stats.chi2.sf(chi_square, 255)) if len(sample) >= FEWEST_BYTES else 0.0
    return Uniformity(chi_square, p_value, entropy, len(sample))


def _sample(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """`uint8[bytes]`: the whole array, or stretches of it at even distances."""
    if len(data) <= SAMPLE_BYTES:
        return data
    stretches = data[: len(data) // SAMPLE_STRETCH * SAMPLE_STRETCH].reshape(-1, SAMPLE_STRETCH)
    chosen: NDArray[np.uint8] = stretches[evenly(len(stretches), SAMPLE_BYTES // SAMPLE_STRETCH)].reshape(-1)
    return chosen


def is_uniform(figure: Uniformity) -> bool:
    """Whether the test gives no reason to see more than noise."""
    return figure.p_value > UNIFORM_P


def may_hold_parity(data: NDArray[np.uint8]) -> bool:
    """Whether enough byte values occur for parity or scrambled data to be among them, which take any value.

    >>> may_hold_parity(np.frombuffer(b"bottles of flux on the wall " * 9000, np.uint8))
    False
    """
    return len(data) < FEWEST_FOR_VALUES or int((np.bincount(data, minlength=256) > 0).sum()) >= FEWEST_VALUES


def commonest_byte(data: NDArray[np.uint8]) -> tuple[int, float]:
    """The commonest byte value and its share, in an even sample; (0xFF, 1.0) for no data."""
    if not len(data):
        return 0xFF, 1.0
    sample = _sample(data)
    counts = np.bincount(sample, minlength=256)
    return int(counts.argmax()), float(counts.max() / len(sample))


def other_bytes(data: NDArray[np.uint8], usual: int) -> int:
    """Bytes in stretches of `SAMPLE_STRETCH` that do not read `usual` nearly throughout; all of the data are read."""
    total = 0
    for first in range(0, len(data), SAMPLE_BYTES):
        part = data[first : first + SAMPLE_BYTES] != usual
        whole = part[: len(part) // SAMPLE_STRETCH * SAMPLE_STRETCH].reshape(-1, SAMPLE_STRETCH)
        total += int((whole.mean(axis=1) > OTHER_SHARE).sum()) * SAMPLE_STRETCH
    return total


@dataclass(frozen=True, slots=True)
class SectorTest:
    """Sectors asked one by one.

    Attributes:
        sectors: looked at.
        structured: those that are not uniform.
        structured_rows: rows (pages) that have such a sector.
        rows: looked at.
        repeats: stretches of 32 bytes that come again in sectors that otherwise differ.
        rest: the bytes of all other sectors together, each content once: copies of a sector are no witnesses of
            their own, and would pass for a deviation.
    """

    sectors: int
    structured: int
    structured_rows: int
    rows: int
    repeats: int
    rest: Uniformity

    @property
    def is_ciphertext(self) -> bool:
        """Whether nothing but uniform sectors was seen, and enough of them."""
        return not self.structured and self.is_uniform_but_for_structure

    @property
    def is_uniform_but_for_structure(self) -> bool:
        """Whether all that is not structured is uniform, and nothing comes again."""
        return not self.repeats and self.sectors - self.structured >= FEWEST_SECTORS and is_uniform(self.rest)

    def log10_chance(self, written: int) -> float:
        """Logarithm of the chance that a sample of so many sectors misses all structured ones of a volume.

        Args:
            written: sectors of the whole chip that hold something.

        Returns:
            By the hypergeometric law, for a volume of which only `STRUCTURED_SHARE` of the sectors (eight at the
            least: a boot sector, heads of two tables, a directory, their copies) are structured.
        """
        count = max(8, int(STRUCTURED_SHARE * written))
        missed = max(1.0, written - self.sectors) / max(1, written)
        return count * float(np.log10(missed))

    def describe(self) -> str:
        """The figures in a line."""
        return (
            f"{self.structured} of {self.sectors:,} sectors are not uniform (a uniform one passes for it with a chance "
            f"of 10^{LOG10_FALSE_SECTOR:.0f}), {self.repeats} stretches of {STRETCH_BYTES} bytes come again in sectors "
            f"that differ; all others together: chi-square {self.rest.chi_square:.0f} for 255 degrees of freedom "
            f"(p = {self.rest.p_value:.2g}), {self.rest.entropy:.4f} bits a byte"
        )


def sector_test(rows: NDArray[np.uint8]) -> SectorTest:
    """Ask every sector alone.

    Args:
        rows: `uint8[rows, row_bytes]`: data of pages, without metadata and parity. Bytes behind the last whole sector
            of a row are left out.
    """
    each = rows.shape[1] // SECTOR_BYTES
    sectors = np.ascontiguousarray(rows[:, : each * SECTOR_BYTES]).reshape(-1, SECTOR_BYTES)
    structured = equal_pairs(sectors) > MOST_EQUAL_PAIRS
    by_row = structured.reshape(len(rows), each).any(axis=1) if each else np.zeros(0, np.bool_)
    rest = sectors[~structured]
    _, first, counts = np.unique(_digests(rest), return_index=True, return_counts=True)
    stretches = _digests(rest[first[counts == 1]].reshape(-1, STRETCH_BYTES))
    repeats = len(stretches) - len(np.unique(stretches))
    return SectorTest(
        len(sectors), int(structured.sum()), int(by_row.sum()), len(rows), repeats, uniformity(rest[first].reshape(-1))
    )


def equal_pairs(sectors: NDArray[np.uint8]) -> NDArray[np.int64]:
    """`int64[sectors]`: pairs of equal bytes in each sector.

    Args:
        sectors: `uint8[sectors, bytes]`.

    >>> equal_pairs(np.array([[1, 2, 3, 4], [7, 7, 7, 7], [5, 6, 5, 6]], np.uint8))
    array([0, 6, 2])
    """
    pairs = np.empty(len(sectors), np.int64)
    noise_kernels.equal_pairs(sectors, pairs)
    return pairs


def constant_rows(rows: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """`bool[rows]`: rows that are of one byte value, but for a few bit errors.

    A page of zeros, as bad blocks have, is a codeword of every linear code and proves nothing.
    """
    bytes_a_row = rows.shape[1]
    constant: NDArray[np.bool_] = equal_pairs(rows) > CONSTANT_PAIRS * bytes_a_row * (bytes_a_row - 1) / 2
    return constant


def _digests(rows: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """`uint64[rows]`: different for different rows, save for a chance of about 2^-64 a pair; by random odd factors."""
    words = np.ascontiguousarray(rows).view(np.uint64)
    factors = np.random.default_rng(64).integers(0, 1 << 63, words.shape[1], dtype=np.uint64) * np.uint64(2)
    mixed = (words ^ (words >> np.uint64(29))) * (factors + np.uint64(1))
    digests: NDArray[np.uint64] = mixed.sum(axis=1, dtype=np.uint64)
    return digests
