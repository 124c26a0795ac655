"""States of a shift register: run back to the start of a stream, where the state is the seed, or complemented.

Two places under one keystream show different states of the register; run back to where the stream starts they are one.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.register.register import Register
from deadstick.solve.register.register_kernels import rewind


def one_of_two(seeds: NDArray[np.uint64], register: Register) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """`uint64[n]` seeds less whether the constant data were zeros or ones, and `bool[n]`: which were complemented.

    Where the register gives the complements of its outputs as well, ones instead of zeros under one keystream look like
    another seed.
    """
    flipped = ((seeds & np.uint64(1)) != 0) & register.has_complements
    return np.where(flipped, complemented(seeds, register), seeds), flipped


def complemented(seeds: NDArray[np.uint64], register: Register) -> NDArray[np.uint64]:
    """`uint64[n]` -> `uint64[n]`: the seeds of the complements, for a register that has them."""
    return seeds ^ np.uint64((1 << register.width) - 1)


def rewound(states: NDArray[np.uint64], bytes_back: NDArray[np.int64], register: Register) -> NDArray[np.uint64]:
    """States of a register so many bytes earlier; `uint64[n]` and `int64[n]` -> `uint64[n]`."""
    seeds = states.copy()
    powers = np.empty((20, register.width), np.uint64)
    # Typed, since a register of 64 stages may have a tap that an `int64` cannot hold.
    low = np.uint64(register.polynomial ^ 1 << register.width)
    rewind(seeds, bytes_back, low, register.width, powers)
    return seeds
