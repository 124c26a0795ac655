"""Which block a volume begins in, as its boot sector says."""

import numpy as np
from numpy.typing import NDArray

SECTOR_BYTES, HIDDEN_SECTORS, JUMPS = 512, slice(28, 32), (0xEB, 0xE9)
"""Where a boot sector says how many sectors lie before it, and the instructions that it begins with."""


def told_block(page: NDArray[np.uint8], block_bytes: int) -> int | None:
    """The number of the block in which a volume begins, as its boot sector tells it.

    The field is `BPB_HiddSec` (Microsoft, FAT32 File System Specification 1.03; NTFS, from memory, has it in the same
    place).

    Args:
        page: `uint8[data_bytes]`, the first page of the block.
        block_bytes: of data.

    Returns:
        None where it is no boot sector, or one that begins inside a block.
    """
    before = SECTOR_BYTES * int.from_bytes(page[HIDDEN_SECTORS].tobytes(), "little")
    block, rest = divmod(before, block_bytes)
    return block if page[0] in JUMPS and not rest else None
