"""Linear feedback shift registers and the Berlekamp-Massey algorithm."""

import sys
from dataclasses import dataclass
from typing import Literal, overload

import numpy as np
import numpy.typing as npt

from deadstick.codes import gf2poly
from deadstick.codes.bits import bit_reverse
from deadstick.codes.kernels import lfsr as kernels

BitOrder = Literal["lsb", "msb"]
States = npt.NDArray[np.uint64]


@dataclass(frozen=True)
class Lfsr:
    """A shift register by its characteristic polynomial x^w + sum c_i x^i: s[n + w] = sum c_i s[n + i].

    A state is a w-bit int whose bit i is s[n + i]; bit 0 leaves the register next (the Fibonacci form, shifted
    right).

    >>> register = Lfsr(0b10011)  # s[n + 4] = s[n + 1] + s[n]
    >>> register.keystream(np.array([1], np.uint64), 2).tolist()  # 1000 1001 1010 1111
    [[145, 245]]
    >>> register.period()
    15

    Raises:
        ValueError: the degree is not 2 to 64.
    """

    polynomial: int

    def __post_init__(self) -> None:
        if not 2 <= self.width <= 64:
            raise ValueError(f"the width of the register must be 2 to 64, not {self.width}")

    @property
    def width(self) -> int:
        """Number of stages: the degree of the polynomial."""
        return gf2poly.degree(self.polynomial)

    @property
    def _taps(self) -> np.uint64:
        return np.uint64(self.polynomial ^ (1 << self.width))

    def keystream(self, states: States, length_bytes: int, bit_order: BitOrder = "lsb") -> npt.NDArray[np.uint8]:
        """Output of the register from each state.

        Args:
            states: uint64[seeds], bit 0 is the first bit out.
            length_bytes: bytes per seed.
            bit_order: "lsb" puts bit n of the stream into bit n % 8 of byte n // 8, "msb" into bit 7 - n % 8.

        Returns:
            uint8[seeds, length_bytes]
        """
        states = self._checked(states)
        words = np.empty((states.size, -(-length_bytes // 8)), dtype=np.uint64)
        kernels.keystream(states, self._taps, self.width, words)
        if sys.byteorder == "big":
            words.byteswap(inplace=True)
        stream = words.view(np.uint8)[:, :length_bytes]
        return _order_bits(stream, bit_order)

    @overload
    def advance(self, states: int, steps: int) -> int: ...
    @overload
    def advance(self, states: States, steps: int) -> States: ...
    def advance(self, states: int | States, steps: int) -> int | States:
        """States after `steps` shifts (negative: before), by x^steps modulo the polynomial.

        >>> register = Lfsr(0b10011)
        >>> register.advance(register.advance(0b1001, 1000), -1000) == 0b1001
        True

        Raises:
            ValueError: `steps` is negative and the register has no tap on its oldest stage, so that a step
                forgets a bit.
        """
        if isinstance(states, int):
            return int(self.advance(np.array([states], dtype=np.uint64), steps)[0])
        states = self._checked(states)
        out = np.empty_like(states)
        kernels.apply_masks(states, self._jump_masks(steps), out)
        return out

    def _jump_masks(self, steps: int) -> States:
        """For each stage j, the old stages whose sum it is after `steps`: x^(steps + j) mod the polynomial."""
        base = 2
        if steps < 0:
            if not self.polynomial & 1:
                raise ValueError(f"{self.polynomial:#x} has no constant term: its register cannot run backwards")
            base = self.polynomial >> 1  # p = 1 + x q, so that q = 1/x
        power = gf2poly.power_mod(base, abs(steps), self.polynomial)
        masks = []
        for _ in range(self.width):
            masks.append(power)
            power = gf2poly.remainder(power << 1, self.polynomial)
        return np.array(masks, dtype=np.uint64)

    def period(self) -> int:
        """Longest period over all states: the order of x modulo the polynomial."""
        return gf2poly.order(self.polynomial)

    def _checked(self, states: States) -> States:
        states = np.ascontiguousarray(states, dtype=np.uint64)
        if states.ndim != 1:
            raise ValueError(f"states must have one axis (seeds), not shape {states.shape}")
        if self.width < 64 and np.any(states >> np.uint64(self.width)):
            raise ValueError(f"a state does not fit into {self.width} bits")
        return states


def berlekamp_massey(bits: npt.NDArray[np.uint8]) -> tuple[int, int]:
    """Shortest register that yields `bits`, of any length.

    Massey, "Shift-register synthesis and BCH decoding", IEEE Trans. Inf. Theory 15 (1969), with the polynomials
    as Python ints. The register is unique when twice its length is at most the number of bits.

    Args:
        bits: uint8[n], each 0 or 1.

    Returns:
        The characteristic polynomial (of degree L; see `Lfsr`) and the linear complexity L.

    >>> berlekamp_massey(np.array([1, 0, 0, 0, 1, 0, 0, 1, 1, 0], np.uint8))
    (19, 4)
    """
    connection, previous, shift, length = 1, 1, 1, 0
    history = 0  # bit i = s[n - i]
    for n, bit in enumerate(np.asarray(bits, dtype=np.uint8).tolist()):
        history = history << 1 | bit
        if (history & connection).bit_count() & 1:
            corrected = connection ^ previous << shift
            if 2 * length <= n:
                length, previous, shift = n + 1 - length, connection, 0
            connection = corrected
        shift += 1
    return int(f"{connection:0{length + 1}b}"[::-1], 2), length


def linear_complexities(
    windows: npt.NDArray[np.uint8], bit_order: BitOrder, limit: int
) -> tuple[npt.NDArray[np.int16], States]:
    """Berlekamp-Massey on many short windows at once.

    Args:
        windows: uint8[rows, bytes], each row one stretch of a bit stream.
        bit_order: which bit of a byte comes first (see `Lfsr.keystream`).
        limit: 1 to 64; a row whose complexity exceeds it is given up early.

    Returns:
        Complexity, int16[rows], limit + 1 for a row given up; characteristic polynomial, uint64[rows], bit i =
        coefficient of x^i, 0 for a row given up. At complexity 64 the leading x^64 does not fit and is left out.

    >>> complexity, polynomial = linear_complexities(np.array([[145, 245]], np.uint8), "lsb", 8)
    >>> int(complexity[0]), int(polynomial[0])
    (4, 19)
    """
    if not 1 <= limit <= 64:
        raise ValueError(f"limit must be 1 to 64, not {limit}")
    windows = np.ascontiguousarray(windows, dtype=np.uint8)
    complexities = np.empty(windows.shape[0], dtype=np.int16)
    polynomials = np.empty(windows.shape[0], dtype=np.uint64)
    kernels.linear_complexities(windows, _is_msb(bit_order), limit, complexities, polynomials)
    return complexities, polynomials


def _is_msb(bit_order: BitOrder) -> bool:
    if bit_order not in {"lsb", "msb"}:
        raise ValueError(f'bit_order must be "lsb" or "msb", not {bit_order!r}')
    return bit_order == "msb"


def _order_bits(stream: npt.NDArray[np.uint8], bit_order: BitOrder) -> npt.NDArray[np.uint8]:
    if _is_msb(bit_order):
        return bit_reverse(stream)
    return np.ascontiguousarray(stream)
