"""Is there a shift register in the dump? Found without knowing pages, blocks or the code.

Wherever the plaintext is constant (free space, padding), an additive scrambler leaves its own output, or the
complement of it, on the chip. The Berlekamp-Massey algorithm (Massey, "Shift-register synthesis and BCH decoding",
IEEE Trans. Inf. Theory 15, 1969) finds the shortest register that gives a window of bits; for random bits its length
is half the window, so a window of 384 bits that a register of at most 64 stages explains is no accident: for
a register of L stages and a window of n bits the chance is about 2^(2L - n). The same polynomial from many windows is
the scrambler's. Plain constant or repeating data also has short registers, but their output repeats within a few
bytes, and these are set aside.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import linear_complexities
from deadstick.recipe.code import BitOrder
from deadstick.solve.register.register_kernels import constant_runs

WINDOW_BYTES = 48
MOST_WINDOWS = 120_000
LONGEST_REGISTER = 64
FEWEST_WINDOWS = 4
MARGIN_BITS = 40
PERIOD_TWO = 0.25
"""Windows with a part of period two, three or four, by those without it, at least: as many are likely, or more."""
SHORTEST_PERIOD = 250  # bits; data that repeats within 31 bytes is no keystream


@dataclass(frozen=True, slots=True)
class Register:
    """A shift register seen in a dump.

    Attributes:
        polynomial: characteristic polynomial, bit i is the coefficient of x^i.
        bit_order: which end of a byte its output fills first.
        windows: windows of `WINDOW_BYTES` that it explains.
        examined: windows looked at.
    """

    polynomial: int
    bit_order: BitOrder
    windows: int
    examined: int

    @property
    def width(self) -> int:
        """Stages of the register."""
        return gf2poly.degree(self.polynomial)

    @property
    def has_complements(self) -> bool:
        """Whether the complement of its output is output as well: x + 1 divides the polynomial."""
        return self.polynomial.bit_count() % 2 == 0

    @property
    def log10_chance(self) -> float:
        """Logarithm of the probability that random bits gave as many such windows."""
        per_window = (2 * self.width - 8 * WINDOW_BYTES) * np.log10(2) + np.log10(self.examined)
        return float(per_window * self.windows)


def find_registers(data: NDArray[np.uint8]) -> tuple[Register, ...]:
    """Shift registers that explain parts of the data, the one with the most windows first.

    Args:
        data: `uint8[bytes]`, a dump or a part of one, as read or decoded.

    Returns:
        At most a handful; empty where nothing was found.
    """
    if len(data) < WINDOW_BYTES:
        return ()
    windows = np.lib.stride_tricks.sliding_window_view(data, WINDOW_BYTES)
    stride = max(WINDOW_BYTES // 2, len(windows) // MOST_WINDOWS)
    chosen = np.ascontiguousarray(windows[::stride])
    # Constant and repeating windows say nothing and are many: leave them out before the expensive part.
    chosen = chosen[(chosen[:, 8:] != chosen[:, :-8]).any(axis=1)]
    found = []
    orders: tuple[BitOrder, ...] = ("lsb", "msb")
    for order in orders:
        seen = _explained(chosen, order)
        found += [
            Register(polynomial, order, count, len(chosen))
            for polynomial, count in _without_complement(seen).items()
            if count >= FEWEST_WINDOWS and not _is_repeating(polynomial)
        ]
    # Read from the other end of the bytes, the output of p obeys p(x^8), which explains the same windows.
    return tuple(sorted(_with_parts(found), key=lambda item: (-item.windows, item.width))[:8])


def _explained(windows: NDArray[np.uint8], order: BitOrder) -> Counter[int]:
    """The shortest register of each window that has one, with how many windows it explains.

    The complement of an output takes a stage more. That of the longest register takes more stages than are looked for,
    so what no register explains is asked again as its complement.
    """
    seen: Counter[int] = Counter()
    asked = windows
    for _ in range(2):
        lengths, polynomials = linear_complexities(asked, order, LONGEST_REGISTER)
        short = (lengths > 1) & (lengths <= LONGEST_REGISTER)
        # The highest coefficient of degree 64 does not fit into 64 bits; the length tells it.
        pairs = zip(polynomials[short].tolist(), lengths[short].tolist(), strict=True)
        seen.update(polynomial | 1 << length for polynomial, length in pairs)
        asked = ~asked[lengths > LONGEST_REGISTER]
    return seen


def _with_parts(found: list[Register]) -> list[Register]:
    """Registers with the factor x + 1 several times, or x^2 + x + 1, also explain the windows of the rest of them.

    Their output is that of the rest plus a sequence of period two, three or four, which is missing under many of the
    seeds. Those windows are short of a few stages, and would pass for another register, which does not explain the
    others; plain data of so short a period are never so many. Each such factor is taken away in turn.
    """
    below = {
        register: [part for part in found if _lacks_a_factor(register, part)]
        for register in sorted(found, key=lambda item: item.width)
    }
    parts: dict[Register, set[Register]] = {}
    for register, rests in below.items():
        parts[register] = set(rests).union(*(parts[rest] for rest in rests))
    return [
        replace(register, windows=register.windows + sum(part.windows for part in parts[register]))
        for register in found
    ]


def _lacks_a_factor(register: Register, part: Register) -> bool:
    """Whether a part lacks one short factor of a register that is seen often enough beside it."""
    if register.bit_order != part.bit_order or register.windows < PERIOD_TWO * part.windows:
        return False
    # What lacks x + 1 altogether was counted together with what has it once.
    lacking = 0b11 if part.has_complements else 0b101
    return register.polynomial in {gf2poly.multiply(part.polynomial, factor) for factor in (lacking, 0b111)}


def _without_complement(seen: Counter[int]) -> Counter[int]:
    """A constant of ones turns the polynomial p into (x + 1) p: count such windows for p itself.

    Unless p has that factor, too: then its register gives the complements as well, and (x + 1) p is another one.
    """
    merged: Counter[int] = Counter()
    for polynomial, count in seen.items():
        quotient, rest = gf2poly.divide(polynomial, 0b11)
        is_complement = not rest and gf2poly.remainder(quotient, 0b11)
        merged[quotient if is_complement else polynomial] += count
    return merged


def _is_repeating(polynomial: int) -> bool:
    return gf2poly.degree(polynomial) < 2 or not polynomial & 1 or gf2poly.order(polynomial) < SHORTEST_PERIOD


@dataclass(frozen=True, slots=True)
class Hits:
    """Places where the register's bare output was seen.

    Attributes:
        positions: `int64[hits]`, byte positions.
        states: `uint64[hits]`, the register's state there (bit i is the i-th next output).
        ones: `bool[hits]`, the output stood there as its complement.
    """

    positions: NDArray[np.int64]
    states: NDArray[np.uint64]
    ones: NDArray[np.bool_]

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> "Hits":
        """Some of them."""
        return Hits(self.positions[chosen], self.states[chosen], self.ones[chosen])


def find_hits(data: NDArray[np.uint8], register: Register, *, margin_bits: int = MARGIN_BITS) -> Hits:
    """Every place where the data are the register's output, or its complement, for long enough.

    Args:
        data: `uint8[bytes]`.
        register: from `find_registers`.
        margin_bits: bits beyond the register's own width that must fit; the chance of an accident at one place
            is 2 to the minus that.

    Returns:
        One hit per run of constant plaintext and 32 bytes of it.
    """
    need = hit_bytes(register.width, margin_bits)
    taps = np.array([i for i in range(register.width + 1) if register.polynomial >> i & 1], np.int64)
    most = len(data) // 32 + 2
    positions = np.empty(most, np.int64)
    states = np.empty(most, np.uint64)
    ones = np.empty(most, np.bool_)
    count = constant_runs(data, taps, need, register.bit_order == "lsb", positions, states, ones)
    return Hits(positions[:count], states[:count], ones[:count])


def hit_bytes(width: int, margin_bits: int = MARGIN_BITS) -> int:
    """Bytes of constant plaintext that it takes to show a register of some stages.

    >>> hit_bytes(26)
    9
    """
    return -(-(width + margin_bits) // 8)


def with_known(data: NDArray[np.uint8], found: tuple[Register, ...], polynomial: int | None) -> tuple[Register, ...]:
    """The registers with the one that the user knows in front, if it shows in the data at all.

    An unknown polynomial must explain several windows of those looked at; a known one is looked for everywhere,
    and one place says as much.

    Args:
        data: `uint8[bytes]`.
        found: by `find_registers`.
        polynomial: characteristic polynomial; None where none is known.
    """
    if polynomial is None or not 2 <= gf2poly.degree(polynomial) <= LONGEST_REGISTER or _is_repeating(polynomial):
        return found
    known = [register for register in found if register.polynomial == polynomial]
    if not known:
        orders: tuple[BitOrder, ...] = ("lsb", "msb")
        asked = [Register(polynomial, order, 0, max(len(data) - WINDOW_BYTES, 1)) for order in orders]
        seen = [replace(one, windows=len(find_hits(data, one).positions)) for one in asked]
        known = sorted((one for one in seen if one.windows), key=lambda one: -one.windows)
    return (*known, *(register for register in found if register not in known))


def merged(first: Hits, second: Hits) -> Hits:
    """Hits of two kinds in the order of their positions."""
    positions = np.concatenate([first.positions, second.positions])
    states = np.concatenate([first.states, second.states])
    order = np.argsort(positions, kind="stable")
    return Hits(positions[order], states[order], np.concatenate([first.ones, second.ones])[order])
