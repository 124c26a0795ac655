"""Cyclic redundancy checks of any width up to 64 bits, in the parameters that catalogues use."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from deadstick.codes.kernels import crc as kernels


@dataclass(frozen=True)
class Crc:
    """A CRC in the parameter model of Williams, "A painless guide to CRC error detection algorithms" (1993).

    Attributes:
        width: bits of the register, 1 to 64.
        polynomial: generator without its leading term, written MSB first (not reflected).
        initial: register at the start, written as for an unreflected register.
        reflect_in: the least significant bit of each byte comes first.
        reflect_out: the register is reflected before the final XOR.
        final_xor: XORed onto the result.

    >>> hex(CRC32_ISO_HDLC.compute(b"123456789"))
    '0xcbf43926'
    """

    width: int
    polynomial: int
    initial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.width <= 64:
            raise ValueError(f"width must be 1 to 64, not {self.width}")
        if max(self.polynomial, self.initial, self.final_xor) >> self.width:
            raise ValueError(f"polynomial, initial and final_xor must fit into {self.width} bits")

    def compute(self, data: bytes | npt.NDArray[np.uint8]) -> int:
        """CRC of `data` (bytes, or uint8 of any shape in C order)."""
        return int(self.compute_rows(_as_bytes(data)[None])[0])

    def compute_rows(self, rows: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint64]:
        """CRC of each row: uint8[rows, bytes] -> uint64[rows]."""
        rows = np.ascontiguousarray(rows, dtype=np.uint8)
        registers = np.empty(rows.shape[0], dtype=np.uint64)
        table = _table(self.width, self.polynomial, self.reflect_in)
        if self.reflect_in:
            kernels.reflected(rows, table, np.uint64(_reflect(self.initial, self.width)), registers)
        else:
            spare = np.uint64(64 - self.width)
            kernels.unreflected(rows, table, np.uint64(self.initial) << spare, registers)
            registers >>= spare
        if self.reflect_in != self.reflect_out:
            registers = _reflect_array(registers, self.width)
        return registers ^ np.uint64(self.final_xor)


# ONFI 2.0, 5.6.1.43 and appendix A; U-Boot drivers/mtd/nand/raw/nand_base.c onfi_crc16; JEDEC JESD230 takes it too.
ONFI_CRC16 = Crc(16, 0x8005, 0x4F4E)
# The others under their names in the catalogue of parametrised CRC algorithms.
CRC16_CCITT = Crc(16, 0x1021, 0xFFFF)  # there called IBM-3740
CRC16_ARC = Crc(16, 0x8005, 0, reflect_in=True, reflect_out=True)
CRC32_ISO_HDLC = Crc(32, 0x04C11DB7, 0xFFFFFFFF, reflect_in=True, reflect_out=True, final_xor=0xFFFFFFFF)
CRC32C = Crc(32, 0x1EDC6F41, 0xFFFFFFFF, reflect_in=True, reflect_out=True, final_xor=0xFFFFFFFF)


def _as_bytes(data: bytes | npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    if isinstance(data, np.ndarray):
        return np.ascontiguousarray(data, dtype=np.uint8).reshape(-1)
    return np.frombuffer(data, dtype=np.uint8)


def _reflect(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _reflect_array(values: npt.NDArray[np.uint64], width: int) -> npt.NDArray[np.uint64]:
    one = np.uint64(1)
    reflected = np.zeros_like(values)
    for i in range(width):
        reflected |= ((values >> np.uint64(i)) & one) << np.uint64(width - 1 - i)
    return reflected


@lru_cache(maxsize=64)
def _table(width: int, polynomial: int, reflected: bool) -> npt.NDArray[np.uint64]:
    """uint64[256]: what the register takes up for each byte that leaves it.

    An unreflected register stands at the top of its 64-bit word, so that one kernel serves every width.
    """
    table = np.arange(256, dtype=np.uint64)
    one = np.uint64(1)
    if reflected:
        feedback = np.uint64(_reflect(polynomial, width))
        for _ in range(8):
            table = (table >> one) ^ (table & one) * feedback
    else:
        feedback = np.uint64(polynomial << (64 - width))
        table <<= np.uint64(56)
        for _ in range(8):
            table = (table << one) ^ (table >> np.uint64(63)) * feedback
    table.flags.writeable = False
    return table
