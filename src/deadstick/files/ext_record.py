"""How long a file record (inode) of an ext volume says that its file is, without opening it.

The library follows all blocks of a record that it opens, up to that length. Offsets: U-Boot include/ext_common.h
`struct ext2_sblock`, `struct ext2_block_group`, `struct ext2_inode`.
"""

import struct
from collections.abc import Callable

_META_BG, _64BIT = 0x10, 0x80


def recorded_size(read: Callable[[int, int], bytes], start: int, number: int) -> int | None:
    """The length that a record names, None where the record cannot be found this way.

    Args:
        read: `read(offset, length)` of the disk.
        start: byte at which the volume starts.
        number: of the record, from 1.
    """
    block = read(start + 1024, 1024)
    first_block, shift, per_group = *struct.unpack_from("<II", block, 20), struct.unpack_from("<I", block, 40)[0]
    record_bytes, incompat = struct.unpack_from("<H", block, 88)[0] or 128, struct.unpack_from("<I", block, 96)[0]
    descriptor_bytes = struct.unpack_from("<H", block, 254)[0] if incompat & _64BIT else 32
    if incompat & _META_BG or not per_group or descriptor_bytes < 32:
        return None
    block_bytes = 1024 << shift
    group, index = divmod(number - 1, per_group)
    descriptor = read(start + (first_block + 1) * block_bytes + group * descriptor_bytes, descriptor_bytes)
    if len(descriptor) < descriptor_bytes:
        return None
    table = struct.unpack_from("<I", descriptor, 8)[0]
    if descriptor_bytes >= 64:
        table |= struct.unpack_from("<I", descriptor, 40)[0] << 32
    record = read(start + table * block_bytes + index * record_bytes, 128)
    if len(record) < 128:
        return None
    return int(struct.unpack_from("<I", record, 4)[0] | struct.unpack_from("<I", record, 108)[0] << 32)
