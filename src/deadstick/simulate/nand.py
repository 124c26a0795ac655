"""What NAND does to the bytes: bit errors that differ from block to block, erased blocks, bad blocks.

Everything works in place on the bytes of a dump and is seeded. The cost of errors goes with their number, not with the
number of bits.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.geometry import Geometry


def add_bit_errors(
    array: NDArray[np.uint8],
    rate: float,
    seed: int,
    *,
    spread: float = 0.0,
    block_bytes: int | None = None,
    wear: int | None = None,
) -> NDArray[np.int64]:
    """Flip bits at random, in place.

    Every block has a rate of its own, log-normal about the mean `rate`; inside a block errors are independent, and no
    bit is flipped twice.

    Args:
        array: `uint8[bytes]`, contiguous, changed in place.
        rate: Mean raw bit error rate, errors per bit, 0 to 0.5.
        seed: Seed.
        spread: Standard deviation of the natural logarithm of a block's rate; 0 gives equal blocks.
        block_bytes: Bytes of one block, data and spare; the whole array if None.
        wear: Seed of the rates of the blocks, to have the same weak blocks in several reads; of `seed` if None.

    Returns:
        `int64[blocks]`, the flipped bits of each block.

    Raises:
        ValueError: The rate, the spread or the block size is impossible, or the array is not one contiguous axis.

    >>> page = np.zeros(10_000, np.uint8)
    >>> flips = add_bit_errors(page, 1e-3, seed=5)
    >>> int(flips.sum()) == int(np.bitwise_count(page).sum())
    True
    """
    block_bytes = max(1, array.size) if block_bytes is None else block_bytes
    if not 0 <= rate <= 0.5 or spread < 0 or block_bytes < 1:
        raise ValueError(f"Errors need a rate from 0 to 0.5, a spread >= 0 and blocks of bytes, not {rate}, {spread}.")
    if array.ndim != 1 or not array.flags.c_contiguous:
        raise ValueError("Give the bytes as one contiguous axis; errors are put in place.")
    rng = np.random.default_rng(seed)
    starts = np.arange(0, array.size, block_bytes)
    # exp(spread z - spread^2 / 2) has mean 1, so `rate` stays the mean over the chip.
    worn = rng if wear is None else np.random.default_rng(wear)
    factors = np.exp(spread * worn.standard_normal(starts.size) - spread**2 / 2)
    flips = np.zeros(starts.size, dtype=np.int64)
    for block, (start, factor) in enumerate(zip(starts, factors, strict=True)):
        piece = array[start : start + block_bytes]
        flips[block] = rng.binomial(8 * piece.size, min(0.5, rate * factor))
        places = _distinct(rng, 8 * piece.size, int(flips[block]))
        masks = np.left_shift(np.uint8(1), (places & 7).astype(np.uint8))
        np.bitwise_xor.at(piece, places >> 3, masks)
    return flips


def _distinct(rng: np.random.Generator, below: int, count: int) -> NDArray[np.int64]:
    """`int64[count]`, different numbers below `below`, in ascending order; made by drawing again what came twice."""
    if count * 4 > below:
        return np.sort(rng.permutation(below)[:count])
    places = np.unique(rng.integers(0, below, count))
    while places.size < count:
        places = np.union1d(places, rng.integers(0, below, count - places.size))
    return places


def as_blocks(array: NDArray[np.uint8], geometry: Geometry) -> NDArray[np.uint8]:
    """View a dump as `uint8[blocks, pages_per_block, page_bytes]`.

    Raises:
        ValueError: The dump has not the size that the geometry says.
    """
    if array.size != geometry.total_bytes:
        raise ValueError(f"The dump has {array.size} bytes, but {geometry} has {geometry.total_bytes}.")
    return array.reshape(-1, geometry.pages_per_block, geometry.page_bytes)


def erase_blocks(array: NDArray[np.uint8], geometry: Geometry, blocks: Sequence[int]) -> None:
    """Set whole blocks to FFh, in place.

    Raises:
        ValueError: The dump has not the size that the geometry says.
    """
    as_blocks(array, geometry)[list(blocks)] = 0xFF


def spoil_blocks(array: NDArray[np.uint8], geometry: Geometry, blocks: Sequence[int], seed: int) -> None:
    """Make blocks bad as they leave the factory, in place: 00h in the first spare byte of the first page.

    ONFI 2.0, section 3.2.2 puts the mark in the first page (or the last). The rest of a block is whatever the test
    of the maker left: noise, a checkerboard, or all zero.

    Args:
        array: `uint8[bytes]`, a whole dump.
        geometry: Its shape.
        blocks: Numbers of the blocks.
        seed: Seed of what is left in them.

    Raises:
        ValueError: The dump has not the size that the geometry says.
    """
    rng = np.random.default_rng(seed)
    view = as_blocks(array, geometry)
    for block in blocks:
        left = int(rng.integers(3))
        if left == 0:
            view[block] = rng.integers(0, 256, view[block].shape, dtype=np.uint8)
        else:
            view[block] = 0x55 if left == 1 else 0x00
        # A reader that left the spare area out sees no mark.
        view[block, 0, geometry.page_data : geometry.page_data + 1] = 0x00
