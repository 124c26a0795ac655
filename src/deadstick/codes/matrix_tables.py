"""Bit matrices that `kernels.matrices` reads, computed once per field and t (see `deadstick.codes.affine`)."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from deadstick.codes.field import Field
from deadstick.codes.kernels.matrices import BLOCKS
from deadstick.codes.tables import on_cache_lines, traces

Words = npt.NDArray[np.uint64]

_FUNCTIONALS = 16
"""Of the sieve: Tr(alpha^b .), b < m, are a basis, so a value where all of them vanish is zero; the rest are zero."""


class Matrices(NamedTuple):
    """Tables of `kernels.matrices`.

    Attributes:
        multipliers: flat uint64[2 bytes, 256, 4]: the matrices of a constant are the sum of those of its bytes.
        moves: uint64[2, 4, lanes]: the matrices of alpha^(-512 o), one lane for each odd o; then BLOCKS as far.
        bits: flat uint64[odd o <= t, 8 k, 2, 8 q]: what the low and the high byte of an element d add to
            Tr(d x^o) at x = alpha^-p, p = 64 q + 8 k + (0 .. 7).
        bits_by_place: flat uint64[8 BLOCKS q, 8 k, 2, lanes]: the same in another order, and going on.
    conjugates: uint64[m, 4]: alpha^b to the power 2^-j; low bytes of b < 8, of b >= 8, high bytes of both.
        constants: uint64[2]: the trace of alpha^b in every bit of byte b.
    """

    multipliers: Words
    moves: Words
    bits: Words
    bits_by_place: Words
    conjugates: Words
    constants: Words


def lanes(t: int) -> int:
    """One for each odd o <= t, a whole number of eights."""
    return 8 * -(-((t + 1) // 2) // 8)


def matrices(field: Field, t: int) -> Matrices:
    """See `Matrices`."""
    odd = np.arange(1, t + 1, 2)
    multipliers = _multipliers(field)
    moves = np.zeros((2, 4, lanes(t)), dtype=np.uint64)
    for places, move in zip((512, 512 * BLOCKS), moves, strict=True):
        moved = field.exp[-places * odd % field.order].astype(np.int64)
        move[:, : odd.size] = (multipliers[0, moved & 255] ^ multipliers[1, moved >> 8]).T
    b = np.arange(field.m)
    basis = np.zeros((field.m, _FUNCTIONALS), dtype=np.uint16)
    basis[:, : field.m] = field.exp[b * 2 ** (field.m - b[:, None]) % field.order]
    as_bytes = np.stack([basis & 255, basis >> 8], axis=1).astype(np.uint8)
    constant = np.zeros(_FUNCTIONALS, dtype=np.uint8)
    constant[: field.m] = 255 * traces(field)[b % field.order]
    bits = _bits(field, odd)
    by_place = np.zeros((8 * BLOCKS, 8, 2, lanes(t)), dtype=np.uint64)
    by_place[..., : odd.size] = bits.transpose(3, 1, 2, 0)
    return Matrices(
        on_cache_lines(multipliers.reshape(-1)),
        on_cache_lines(moves),
        on_cache_lines(bits[..., :8].reshape(-1)),
        on_cache_lines(by_place.reshape(-1)),
        np.ascontiguousarray(as_bytes).reshape(field.m, 32).view("<u8").astype(np.uint64),
        constant.view("<u8").astype(np.uint64),
    )


def _packed(bits: npt.NDArray[np.uint8]) -> Words:
    """Matrix words from bits (..., 8 outputs, 8 inputs)."""
    rows = np.packbits(bits, axis=-1, bitorder="little")[..., 0]
    return np.ascontiguousarray(rows[..., ::-1]).view("<u8")[..., 0].astype(np.uint64)


def _multipliers(field: Field) -> Words:
    """uint64[2, 256, 4]."""
    powers = 1 << np.arange(field.m)
    products = np.zeros((16, 16), dtype=np.uint16)  # of x^u and x^s
    products[: field.m, : field.m] = field.multiply(powers[:, None], powers)
    bits = (products[:, None, :] >> np.arange(16)[:, None] & 1).astype(np.uint8)  # u, output, s
    parts = bits.reshape(16, 2, 8, 2, 8).swapaxes(2, 3)  # u, output byte, input byte, output, input
    single = _packed(parts).reshape(2, 8, 4)
    table = np.zeros((2, 256, 4), dtype=np.uint64)
    for i in range(8):
        table[:, 1 << i : 2 << i] = table[:, : 1 << i] ^ single[:, i, None]
    return table


def _bits(field: Field, odd: npt.NDArray[np.int64]) -> Words:
    """uint64[odd, 8 k, 2, 8 BLOCKS q]."""
    trace = traces(field)
    s = np.arange(16)
    exponents = -odd[:, None, None] * np.arange(512 * BLOCKS)[:, None] + s  # of alpha: o, p, s
    values = trace[exponents % field.order]
    values[..., s >= field.m] = 0
    parts = values.reshape(odd.size, 8 * BLOCKS, 8, 8, 2, 8)  # o, q, k, output, input byte, input
    return _packed(parts.transpose(0, 2, 4, 1, 3, 5))
