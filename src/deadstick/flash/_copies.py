"""What ONFI and JEDEC parameter pages share: copies back to back, a CRC in the last two bytes, padded text."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.crc import ONFI_CRC16
from deadstick.errors import InputError

MAJORITY = -1
"""Stands for the number of the copy where the page is the bitwise majority of several."""


@dataclass(frozen=True, slots=True)
class ChosenPage:
    """A parameter page, and how far it can be trusted.

    Attributes:
        data: The bytes of one page.
        copy: Number of the copy from 0, or `MAJORITY`.
        crc_stored: The CRC that the page carries.
        crc_computed: The CRC of what the page holds.
    """

    data: bytes
    copy: int
    crc_stored: int
    crc_computed: int

    @property
    def crc_valid(self) -> bool:
        """Whether the two CRCs agree."""
        return self.crc_stored == self.crc_computed


def choose_page(data: bytes, signature: bytes, page_bytes: int, *, voters: int = 3) -> ChosenPage:
    """Choose the first copy whose CRC is valid; else the bitwise majority of the first copies.

    The rule is that of Linux `nand_onfi_detect` (drivers/mtd/nand/raw/nand_onfi.c), which also votes bit by bit
    when no copy is whole. A majority whose CRC is still wrong is returned as it is: that is damage, not an error.

    Args:
        data: Copies back to back, from the first byte on.
        signature: What a page begins with.
        page_bytes: Bytes of one copy.
        voters: Copies that the standard promises at least.

    Raises:
        InputError: Less than one copy, or neither a copy nor the majority begins with the signature.
    """
    copies = [data[at : at + page_bytes] for at in range(0, len(data) - page_bytes + 1, page_bytes)]
    name = signature.decode("ascii")
    if not copies:
        raise InputError(f"A {name} parameter page has {page_bytes} bytes, but only {len(data)} were given.")
    for number, copy in enumerate(copies):
        chosen = _with_crc(copy, number)
        if copy.startswith(signature) and chosen.crc_valid:
            return chosen
    voted = _with_crc(_majority(copies[:voters]), MAJORITY if len(copies) > 1 else 0)
    if voted.data.startswith(signature):
        return voted
    marked = [number for number, copy in enumerate(copies) if copy.startswith(signature)]
    if not marked:
        raise InputError(f"This is no {name} parameter page: no copy begins with {name!r}.")
    return _with_crc(copies[marked[0]], marked[0])


def _with_crc(page: bytes, copy: int) -> ChosenPage:
    return ChosenPage(page, copy, int.from_bytes(page[-2:], "little"), ONFI_CRC16.compute(page[:-2]))


def _majority(copies: list[bytes]) -> bytes:
    """Vote bit by bit; a tie goes to the first copy."""
    bits = np.unpackbits(np.frombuffer(b"".join(copies), dtype=np.uint8)).reshape(len(copies), -1)
    twice: NDArray[np.int64] = 2 * bits.sum(axis=0, dtype=np.int64)
    voted = np.where(twice == len(copies), bits[0], twice > len(copies))
    return np.packbits(voted.astype(np.uint8)).tobytes()


def read_fields(page: bytes, dtype: np.dtype[np.void]) -> dict[str, int | str]:
    """Numbers as `int`, byte strings as text without padding; bytes that are no ASCII show as hexadecimal."""
    record: Mapping[str, np.generic] = np.frombuffer(page, dtype=dtype, count=1)[0]
    values: dict[str, int | str] = {}
    for name in dtype.names or ():
        value = record[name].item()
        values[name] = value.decode("ascii", "backslashreplace").rstrip(" \0") if isinstance(value, bytes) else value
    return values


def endurance(field: int) -> int:
    """Program/erase cycles from a 16-bit field: value in the low byte, power of ten in the high byte.

    >>> endurance(0x0501), endurance(0x0303)
    (100000, 3000)
    """
    cycles: int = (field & 0xFF) * 10 ** (field >> 8)
    return cycles
