"""A controller that enciphers every sector under a key of its own, as self-encrypting sticks do.

What matters to a solver is what any good cipher does: the sectors look like noise, equal sectors at different places
look different, and nothing comes again. The cipher here is the four-round Feistel network of Luby and Rackoff ("How to
construct pseudorandom permutations from pseudorandom functions", SIAM J. Comput. 17, 1988) over the two halves of a
sector, with SHAKE256 (FIPS 202) as its round function and the number of the sector as tweak. It is a real cipher and
can be undone by whoever has the key.
"""

import hashlib
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

SECTOR_BYTES = 512
HALF = SECTOR_BYTES // 2
ROUNDS = 4


def enciphered(disk: NDArray[np.uint8], key: int) -> NDArray[np.uint8]:
    """A disk as a self-encrypting controller stores it.

    Args:
        disk: `uint8[bytes]`, whole sectors of 512 bytes.
        key: any number.

    Returns:
        `uint8[bytes]`.

    Raises:
        ValueError: the disk is no whole number of sectors.

    >>> disk = np.zeros(1024, np.uint8)
    >>> stored = enciphered(disk, key=5)
    >>> bool((stored[:512] == stored[512:]).all()), bool((deciphered(stored, 5) == disk).all())
    (False, True)
    """
    return _through(disk, key, range(ROUNDS))


def deciphered(stored: NDArray[np.uint8], key: int) -> NDArray[np.uint8]:
    """The inverse of `enciphered`."""
    return _through(stored, key, reversed(range(ROUNDS)))


def _through(disk: NDArray[np.uint8], key: int, rounds: Iterable[int]) -> NDArray[np.uint8]:
    if disk.size % SECTOR_BYTES:
        raise ValueError(f"A disk of {disk.size} bytes is no whole number of sectors of {SECTOR_BYTES} bytes.")
    sectors = disk.reshape(-1, SECTOR_BYTES).copy()
    for turn in rounds:
        # Even rounds change the left half by the right one, odd rounds the other way round.
        source, target = (slice(HALF, None), slice(0, HALF)) if turn % 2 == 0 else (slice(0, HALF), slice(HALF, None))
        for number, sector in enumerate(sectors):
            prefix = b"%d %d %d " % (key, turn, number)
            stream = hashlib.shake_256(prefix + sector[source].tobytes()).digest(HALF)
            sector[target] ^= np.frombuffer(stream, np.uint8)
    return sectors.reshape(-1)
