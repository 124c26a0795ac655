"""Seeds of short registers from how often data have each value of a byte.

Even packed data are not quite random. In the coded data of a picture a byte FFh would begin a marker, so 00h is put
behind it (ITU-T T.81, F.1.2.3) and is more frequent than others; other formats have rare and frequent values of their
own. A page shows nothing of that, but the pages under all known keystreams tell it, and those under one that is not
known are enough to bear a seed out. How well a seed agrees with them is a sum over the 255 sums of bits that a byte has
(the Walsh spectrum of the counts), so that all seeds are scored in one transform (`every_seed`).

Data of different kinds deviate in different ways, and text would drown the little that packed data say. So there are
two profiles: one of sectors that pass for random, and one of all data.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.codeword.word_fit import with_content
from deadstick.solve.common.noise import MOST_EQUAL_PAIRS, SECTOR_BYTES, equal_pairs
from deadstick.solve.seeds.every_seed import best_seed, walsh_matrix

FEWEST_WORDS, MOST_WORDS = 8, 4096
MOST_KNOWN = 2048
"""Pages that tell what data are like."""
CLEARLY = 4.0
"""Standard deviations by which a figure of a profile must differ from that of random data."""
MOST_BITS = 2
"""Bits that are added up in the profile of all data: sums of more say hardly anything of text or samples."""
COLUMNS = 256
"""Counted at a time."""

Bytes = NDArray[np.uint8]
Profile = NDArray[np.float32]
"""`float32[256]`: by how much the sum of the bits in each mask is more often even than odd, from -1 to 1."""


def profiles(plain: Bytes) -> tuple[Profile, ...]:
    """What data are like, those that pass for random and all of them.

    Args:
        plain: `uint8[pages, data_bytes]`, data without their keystreams.

    Returns:
        Those that differ from random data at all.
    """
    plain = plain[with_content(plain)]
    found = (_of_values(sectors_like_noise(plain)), _of_sums(plain))
    return tuple(profile for profile in found if profile.any())


def seed_by_values(rows: Bytes, basis: Bytes, usual: tuple[Profile, ...]) -> int | None:
    """The seed under which data have the usual values, by however little that tells.

    Args:
        rows: `uint8[pages, data_bytes]`, data under one keystream.
        basis: `uint8[stages, data_bytes]`, what each bit of the seed adds.
        usual: see `profiles`.

    Returns:
        None where none stands out.
    """
    words = np.unique(rows, axis=0)[:MOST_WORDS]
    if not usual or len(words) < FEWEST_WORDS:
        return None
    spectra, masks = _spectra(words), sums_of_bits(basis)
    for profile in usual:
        some = np.flatnonzero(profile)
        sums = (spectra[:, some] * profile[some]).astype(np.float64)
        seed = best_seed(masks[:, some].reshape(-1), sums.reshape(-1), len(basis))
        if seed is not None:
            return seed
    return None


def sectors_like_noise(plain: Bytes) -> Bytes:
    """`uint8[pages, data_bytes]` -> `uint8[sectors, SECTOR_BYTES]`: the sectors that pass for random."""
    sectors = sectors_of(plain)
    return sectors[equal_pairs(sectors) <= MOST_EQUAL_PAIRS]


def sectors_of(plain: Bytes) -> Bytes:
    """`uint8[pages, data_bytes]` -> `uint8[sectors, SECTOR_BYTES]`: those that are whole."""
    each = plain.shape[1] // SECTOR_BYTES
    return np.ascontiguousarray(plain[:, : each * SECTOR_BYTES]).reshape(-1, SECTOR_BYTES)


def _of_sums(plain: Bytes) -> Profile:
    """The profile of sums of a few bits; 0 where one is as good as random."""
    counts = np.bincount(plain.reshape(-1), minlength=256)
    means = counts @ walsh_matrix(8).astype(np.float64) / max(1, plain.size)
    few = np.bitwise_count(np.arange(256)) <= MOST_BITS
    return _without_mean(np.where(few & (np.abs(means) > CLEARLY / np.sqrt(max(1, plain.size))), means, 0.0))


def _of_values(plain: Bytes) -> Profile:
    """The profile of the values that are clearly rarer or more frequent than among random bytes."""
    expected = plain.size / 256
    excess = np.bincount(plain.reshape(-1), minlength=256) - expected
    excess[np.abs(excess) <= CLEARLY * np.sqrt(expected)] = 0
    return _without_mean(excess @ walsh_matrix(8).astype(np.float64) / max(1, plain.size))


def _without_mean(means: NDArray[np.float64]) -> Profile:
    """Without the empty sum, which says nothing."""
    means[0] = 0
    return means.astype(np.float32)


def _spectra(words: Bytes) -> NDArray[np.float32]:
    """`float32[columns, 256]`: for each byte and each mask, words whose sum of bits is even less the others."""
    columns = words.shape[1]
    spectra = np.empty((columns, 256), np.float32)
    to_sums = walsh_matrix(8)
    for first in range(0, columns, COLUMNS):
        part = words[:, first : first + COLUMNS]
        places = 256 * np.arange(part.shape[1]) + part
        counts = np.bincount(places.reshape(-1), minlength=256 * part.shape[1]).reshape(-1, 256)
        spectra[first : first + COLUMNS] = counts.astype(np.float32) @ to_sums
    return spectra


def sums_of_bits(basis: Bytes) -> NDArray[np.uint64]:
    """`uint64[columns, 256]`: the stages of the seed that each sum of bits adds up."""
    bits = np.unpackbits(basis, axis=1, bitorder="little").reshape(len(basis), -1, 8).astype(np.uint64)
    stages = np.arange(len(basis), dtype=np.uint64)[:, None, None]
    single: NDArray[np.uint64] = np.bitwise_or.reduce(bits << stages, axis=0)
    masks = np.zeros((len(single), 256), np.uint64)
    for bit in range(8):
        masks[:, 1 << bit : 2 << bit] = masks[:, : 1 << bit] ^ single[:, bit, None]
    return masks
