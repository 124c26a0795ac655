"""Constants that the BCH kernels read, computed once per code."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from deadstick.codes import gf2poly
from deadstick.codes.carryless import MOST_COLUMNS, PAIRS
from deadstick.codes.field import Field
from deadstick.codes.kernels.remainder import powers_of_x8
from deadstick.codes.kernels.roots import SIEVE_ROWS

Words = npt.NDArray[np.uint64]


def register_words(parity_bits: int) -> int:
    """64-bit words of a left-aligned remainder: even, since carry-less multiplication takes them in pairs."""
    return 2 * -(-parity_bits // 128)


def _aligned(generator: int) -> tuple[int, int]:
    """The generator times a power of x, so that its degree is a whole number of pairs; and that in words."""
    degree = gf2poly.degree(generator)
    size = register_words(degree)
    return generator << (64 * size - degree), size


def _to_words(values: list[int], size: int) -> Words:
    """uint64[values, size], lowest word first."""
    packed = b"".join(value.to_bytes(8 * size, "little") for value in values)
    return np.frombuffer(packed, dtype="<u8").reshape(len(values), size).astype(np.uint64)


def on_cache_lines(table: Words) -> Words:
    """A read-only copy that starts on a cache line: a row of eight words that straddles two costs twice the time."""
    padded = np.empty(table.size + 8, dtype=np.uint64)
    start = -padded.ctypes.data % 64 // 8
    copy = padded[start : start + table.size].reshape(table.shape)
    copy[...] = table
    copy.flags.writeable = False
    return copy


def slicing_table(generator: int) -> Words:
    """Flat uint64[8, 256, size] for `kernels.remainder`: byte x^(8 place + 64 size), highest word first."""
    aligned, size = _aligned(generator)
    powers = [gf2poly.remainder(1 << (64 * size), aligned)]
    for _ in range(63):
        powers.append(gf2poly.remainder(powers[-1] << 1, aligned))
    rows = _to_words(powers, size)[:, ::-1].reshape(8, 8, size)
    table = np.zeros((8, 256, size), dtype=np.uint64)
    for bit in range(8):
        table[:, 1 << bit : 2 << bit] = table[:, : 1 << bit] ^ rows[:, bit, None]
    return on_cache_lines(table.reshape(-1))


class Folding(NamedTuple):
    """Constants of `kernels.folding.registers`."""

    constants: Words
    steps: int
    reduction: Words


def folding_constants(generator: int, message_bytes: int) -> Folding:
    """Constants for messages of up to `message_bytes` bytes.

    Raises:
        ValueError: this CPU has no carry-less multiplication.
    """
    if not PAIRS:
        raise ValueError("this CPU has no carry-less multiplication")
    aligned, size = _aligned(generator)
    steps = -(-message_bytes // (16 * PAIRS))
    power = gf2poly.remainder(1 << (64 * size), aligned)
    powers = []
    for _ in range(steps * PAIRS):
        powers.append(power)
        power = gf2poly.remainder(power << 128, aligned)
    pairs = _to_words(powers[::-1], size).reshape(steps, PAIRS, size // 2, 2)
    quotient = gf2poly.divide(1 << (64 * size + 128), aligned)[0] ^ 1 << 128
    return Folding(
        on_cache_lines(np.concatenate([_interleave(pairs[:, :, columns]) for columns in _groups(size)])),
        steps,
        np.concatenate(
            [
                _interleave(_to_words([quotient], 2).reshape(1, 1, 1, 2)),
                *(
                    _interleave(_to_words([aligned ^ 1 << (64 * size)], size).reshape(1, 1, -1, 2)[:, :, columns])
                    for columns in _groups(size)
                ),
            ]
        ),
    )


def _groups(size: int) -> list[slice]:
    return [slice(first, first + MOST_COLUMNS) for first in range(0, size // 2, MOST_COLUMNS)]


def _interleave(pairs: Words) -> Words:
    """Constants (steps, pairs, columns, 2) as `carryless.add_products` reads them, flat."""
    steps, lanes, columns, _ = pairs.shape
    both = np.zeros((steps, lanes, -(-columns // 2) * 2), dtype=np.uint64)
    both[:, :, :columns] = pairs[..., 0] ^ pairs[..., 1]
    vectors = np.concatenate([pairs, both.reshape(steps, lanes, -1, 2)], axis=2)
    return np.ascontiguousarray(vectors.transpose(0, 2, 1, 3)).reshape(-1)


class Logarithms(NamedTuple):
    """Tables of the field as the kernels read them.

    Attributes:
        exp: uint16[4 order + 1], alpha^i below 2 order, 0 from there; with 2 order as the logarithm of zero,
            exp[a + b] is the product of two logarithms without a test.
        log: uint32[2^m].
        squares: uint16[2^m]: a y with y^2 + y = index, 0 where there is none.
        cubes: uint16[2^m]: a y with y^3 + y = index, 0 where there are not three.
    """

    exp: npt.NDArray[np.uint16]
    log: npt.NDArray[np.uint32]
    squares: npt.NDArray[np.uint16]
    cubes: npt.NDArray[np.uint16]


def logarithms(field: Field) -> Logarithms:
    """See `Logarithms`."""
    order = field.order
    exp = np.zeros(4 * order + 1, dtype=np.uint16)
    exp[: 2 * order] = field.exp
    log = field.log.astype(np.uint32)
    log[0] = 2 * order
    y = np.arange(2**field.m, dtype=np.uint16)
    squared = field.multiply(y, y)
    squares = np.zeros_like(y)
    squares[squared[2:] ^ y[2:]] = y[2:]
    cubed = field.multiply(squared, y) ^ y
    cubes = np.zeros_like(y)
    cubes[cubed] = y
    cubes[np.bincount(cubed, minlength=y.size) != 3] = 0
    return Logarithms(exp, log, squares, cubes)


def traces(field: Field) -> npt.NDArray[np.uint8]:
    """uint8[order]: the trace of alpha^i, the sum of its conjugates, 0 or 1."""
    i = np.arange(field.order)
    sums = np.zeros(field.order, dtype=np.uint16)
    for j in range(field.m):
        sums ^= field.exp[i * 2**j % field.order]
    return sums.astype(np.uint8)


class Sieve(NamedTuple):
    """Tables of `kernels.roots.sieve`.

    Attributes:
        rotations: uint32[m, rows]: logarithm of alpha^b to the power 2^-j.
        constants: uint64[rows]: the trace of alpha^b in every bit.
        sums: flat uint64[odd o <= t, 4 nibbles, 16, 8]. Bit l of word w is for the position p = 64 w + l; entry d
            of nibble k is the sum over the bits i of d of Tr(alpha^(4 k + i) x^o) at x = alpha^-p.
    """

    rotations: npt.NDArray[np.uint32]
    constants: Words
    sums: Words


def sieve_tables(field: Field, t: int) -> Sieve:
    """See `Sieve`."""
    trace = traces(field)
    odd = np.arange(1, t + 1, 2)
    table = np.zeros((odd.size, 4, 16, 8), dtype=np.uint64)
    moved = -np.arange(512) * odd[:, None]
    for i in range(field.m):
        row = np.packbits(trace[(moved + i) % field.order], axis=1, bitorder="little").view("<u8")
        nibble, bit = divmod(i, 4)
        table[:, nibble, 1 << bit : 2 << bit] = table[:, nibble, : 1 << bit] ^ row[:, None]
    j, b = np.indices((field.m, SIEVE_ROWS))
    rotations = (b * 2 ** (field.m - j) % field.order).astype(np.uint32)
    constants = np.where(trace[np.arange(SIEVE_ROWS) % field.order] == 1, ~np.uint64(0), np.uint64(0))
    return Sieve(rotations, constants, on_cache_lines(table.reshape(-1)))


def syndrome_table(field: Field, parity_bits: int, exponents: npt.NDArray[np.int64]) -> Words:
    """uint64[16 nibbles, words] for `kernels.decode.syndromes`, the columns stored eight by eight, 2 or 4 at the end.

    It holds what each nibble of the remainder adds to the values at alpha^exponent, four values to the word.
    """
    nibbles = -(-parity_bits // 4)
    full, rest = divmod(-(-exponents.size // 8), 4)
    words = 8 * full + (0, 2, 4, 8)[rest]
    table = np.zeros((nibbles, 16, 4 * words), dtype=np.uint16)
    for bit in range(4):
        power = parity_bits - 1 - np.arange(nibbles) * 4 - (3 - bit)
        row = field.exp[power[:, None] * exponents % field.order]
        row[power < 0] = 0
        part = table[:, :, : exponents.size]
        part[:, 1 << bit : 2 << bit] = part[:, : 1 << bit] ^ row[:, None]
    rows = table.astype("<u2").view("<u8").astype(np.uint64).reshape(16 * nibbles, words)
    blocks = [rows[:, first : first + 8].reshape(-1) for first in range(0, words, 8)]
    return on_cache_lines(np.concatenate(blocks).reshape(rows.shape))


class Proof(NamedTuple):
    """What single errors leave as their remainders, for `kernels.decode.explains`.

    Attributes:
        powers: uint64[bytes, size + 1]: x^(8 i) modulo the generator, left-aligned as in `kernels.remainder`, and a 0.
        overflows: uint64[256, size]: what the byte that a shift pushes out in front comes back as.
    """

    powers: Words
    overflows: Words


def proof(generator: int, bits: int) -> Proof:
    """See `Proof`."""
    _, size = _aligned(generator)
    overflows = slicing_table(generator).reshape(8, 256, size)[0]
    powers = np.zeros((-(-bits // 8), size + 1), dtype=np.uint64)
    powers[0, :size] = _to_words([1 << (64 * size - gf2poly.degree(generator))], size)[0, ::-1]
    powers_of_x8(overflows, powers)
    return Proof(on_cache_lines(powers), on_cache_lines(overflows))
