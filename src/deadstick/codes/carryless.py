"""Instructions of the CPU that Numba does not offer, above all carry-less multiplication, for compiled kernels.

Numba has no vector type, so the three loops that need vectors are written here in LLVM's terms. Two run on any CPU
(sums of 512-bit rows, which LLVM splits as it must). The third needs x86 PCLMULQDQ, or its 256- and 512-bit forms:
it multiplies a message by tabulated powers of x and adds the products up, unreduced. Its model is Gopal, Ozturk,
Guilford et al., "Fast CRC computation for generic polynomials using PCLMULQDQ instruction" (Intel, 2009; from memory).

A message is taken in *pairs* of 64-bit words, and so are the tabulated constants. Pair times pair takes three
products instead of four (Karatsuba): low x low, high x high and (low + high) x (low + high).
"""

# ruff: noqa: ARG001  # the arguments of an intrinsic are types, which only Numba reads

import sys
from typing import Any, Final

import llvmlite.binding as llvm
from llvmlite import ir
from numba.core import cgutils, config, types
from numba.extending import intrinsic

_I64 = ir.IntType(64)


def _pairs_per_vector() -> int:
    """Pairs of 64-bit words that one instruction of this CPU takes: 4, 2, 1, or 0 where it has none."""
    if config.CPU_NAME or config.CPU_FEATURES or config.DISABLE_JIT:
        return 0  # somebody compiles for another CPU than this one
    has = llvm.get_host_cpu_features()
    if not (has.get("pclmul") and has.get("ssse3")):
        return 0
    if not has.get("vpclmulqdq"):
        return 1
    return 4 if has.get("avx512bw") else 2


PAIRS: Final = _pairs_per_vector()
MOST_COLUMNS: Final = 5 if PAIRS == 4 else 4  # three sums each: as many as the registers hold


def _product(builder: ir.IRBuilder, a: ir.Value, b: ir.Value, halves: int) -> ir.Value:
    """Carry-less product in each 128-bit lane; `halves` 0x00 takes the low words, 0x11 the high ones."""
    suffix = {2: "", 4: ".256", 8: ".512"}[a.type.count]
    kind = ir.FunctionType(a.type, [a.type, a.type, ir.IntType(8)])
    function = cgutils.get_or_insert_function(builder.module, kind, f"llvm.x86.pclmulqdq{suffix}")
    return builder.call(function, [a, b, ir.Constant(ir.IntType(8), halves)])


def _shuffle(builder: ir.IRBuilder, a: ir.Value, order: list[int]) -> ir.Value:
    mask = ir.Constant(ir.VectorType(ir.IntType(32), len(order)), order)
    return builder.shuffle_vector(a, ir.Constant(a.type, ir.Undefined), mask)


def _load(builder: ir.IRBuilder, address: ir.Value, offset: ir.Value | int, kind: ir.Type) -> ir.Value:
    if isinstance(offset, int):
        offset = ir.Constant(_I64, offset)
    pointer = builder.inttoptr(builder.add(address, offset), kind.as_pointer())
    return builder.load(pointer, align=1)


def _emit_sum(builder: ir.IRBuilder, arguments: list[ir.Value], pairs: int, columns: int, reverse: bool) -> None:
    """The loop of `add_products` over vectors of `pairs` pairs, with all sums in registers."""
    message, steps, constants, out = arguments
    vector = ir.VectorType(_I64, 2 * pairs)
    size = 16 * pairs
    sums = [cgutils.alloca_once_value(builder, ir.Constant(vector, None)) for _ in range(3 * columns)]
    stride = ir.Constant(_I64, size * (columns + (columns + 1) // 2))
    with cgutils.for_range(builder, steps, intp=_I64) as loop:
        a = _load(builder, message, builder.mul(loop.index, ir.Constant(_I64, size)), vector)
        if reverse:  # big-endian bytes, highest power first
            as_bytes = builder.bitcast(a, ir.VectorType(ir.IntType(8), size))
            a = builder.bitcast(_shuffle(builder, as_bytes, [i ^ 15 for i in range(size)]), vector)
        both = builder.xor(a, _shuffle(builder, a, [i ^ 1 for i in range(2 * pairs)]))
        here = builder.add(constants, builder.mul(loop.index, stride))
        for q in range(columns):
            c = _load(builder, here, size * q, vector)
            c_both = _load(builder, here, size * (columns + q // 2), vector)
            products = (
                _product(builder, a, c, 0x00),
                _product(builder, a, c, 0x11),
                _product(builder, both, c_both, 0x11 * (q % 2)),
            )
            for slot, product in zip(sums[3 * q : 3 * q + 3], products, strict=True):
                builder.store(builder.xor(builder.load(slot), product), slot)
    for i, slot in enumerate(sums):
        total = builder.load(slot)
        while total.type.count > 2:  # XOR the lanes together
            half = total.type.count // 2
            low = _shuffle(builder, total, list(range(half)))
            total = builder.xor(low, _shuffle(builder, total, list(range(half, 2 * half))))
        target = builder.inttoptr(builder.add(out, ir.Constant(_I64, 16 * i)), total.type.as_pointer())
        builder.store(builder.xor(total, builder.load(target, align=8)), target, align=8)


@intrinsic(prefer_literal=True)
def add_products(typing_context: Any, message: Any, steps: Any, constants: Any, out: Any, columns: Any) -> Any:
    """Add the products of a message with tabulated constants onto `out`.

    Args:
        typing_context: given by Numba.
        message: address of 16 * PAIRS * steps bytes, big-endian, highest power first.
        steps: number of vectors.
        constants: address of uint64[steps, columns + ceil(columns / 2), 2 * PAIRS], the words of each pair low
            before high, column by column; then, for two columns at a time, low + high of the first in the even
            places and of the second in the odd ones.
        out: address of uint64[columns, 3, 2]: low, high and mixed products, two words each, low before high.
        columns: a literal, 1 to MOST_COLUMNS.
    """
    count = columns.literal_value

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        _emit_sum(builder, list(arguments[:4]), PAIRS, count, True)
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64, types.int64, columns), emit


@intrinsic(prefer_literal=True)
def add_products_of_pair(typing_context: Any, pair: Any, constants: Any, out: Any, columns: Any) -> Any:
    """As `add_products` for a single pair at address `pair`, uint64[2], low word first."""
    count = columns.literal_value

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        _emit_sum(builder, [arguments[0], ir.Constant(_I64, 1), *arguments[1:3]], 1, count, False)
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64, columns), emit


@intrinsic
def load_big_endian(typing_context: Any, address: Any) -> Any:
    """The uint64 whose eight big-endian bytes stand at `address` (any CPU; alignment does not matter)."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        word = _load(builder, arguments[0], 0, _I64)
        return builder.bswap(word) if sys.byteorder == "little" else word

    return types.uint64(types.int64), emit


@intrinsic
def get16(typing_context: Any, address: Any, index: Any) -> Any:
    """Entry `index` of the uint16 array at `address`, as int64.

    Kernels that call helpers in their inner loops hand them addresses: an array would be counted in and out of
    each call (600 ns per codeword).
    """

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        # "Unordered" costs nothing, and keeps LLVM from gathering look-ups into vectors, one extracted by one.
        return builder.zext(builder.load_atomic(_entry(builder, arguments, 16), "unordered", 2), _I64)

    return types.int64(types.int64, types.int64), emit


@intrinsic
def get8(typing_context: Any, address: Any, index: Any) -> Any:
    """Entry `index` of the uint8 array at `address`, as int64."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.zext(builder.load(_entry(builder, arguments, 8)), _I64)

    return types.int64(types.int64, types.int64), emit


@intrinsic
def put8(typing_context: Any, address: Any, index: Any, value: Any) -> Any:
    """Set entry `index` of the uint8 array at `address`."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        builder.store(builder.trunc(arguments[2], ir.IntType(8)), _entry(builder, arguments, 8))
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64), emit


@intrinsic
def put16(typing_context: Any, address: Any, index: Any, value: Any) -> Any:
    """Set entry `index` of the uint16 array at `address`."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        builder.store(builder.trunc(arguments[2], ir.IntType(16)), _entry(builder, arguments, 16))
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64), emit


@intrinsic
def get32(typing_context: Any, address: Any, index: Any) -> Any:
    """Entry `index` of the uint32 array at `address`, as int64."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.zext(builder.load(_entry(builder, arguments, 32)), _I64)

    return types.int64(types.int64, types.int64), emit


@intrinsic
def put32(typing_context: Any, address: Any, index: Any, value: Any) -> Any:
    """Set entry `index` of the uint32 array at `address`."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        builder.store(builder.trunc(arguments[2], ir.IntType(32)), _entry(builder, arguments, 32))
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64), emit


@intrinsic
def get64(typing_context: Any, address: Any, index: Any) -> Any:
    """Entry `index` of the uint64 array at `address`."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.load(_entry(builder, arguments, 64))

    return types.uint64(types.int64, types.int64), emit


@intrinsic
def put64(typing_context: Any, address: Any, index: Any, value: Any) -> Any:
    """Set entry `index` of the uint64 array at `address`."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        builder.store(arguments[2], _entry(builder, arguments, 64))
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.uint64), emit


def _entry(builder: ir.IRBuilder, arguments: list[ir.Value], bits: int) -> ir.Value:
    """Pointer to entry arguments[1] of the array of `bits`-bit integers at address arguments[0]."""
    base = builder.inttoptr(arguments[0], ir.IntType(bits).as_pointer())
    return builder.gep(base, [arguments[1]])


@intrinsic
def trailing_zeros(typing_context: Any, word: Any) -> Any:
    """Number of zero bits below the lowest one of a uint64 that is not zero (any CPU)."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 1))

    return types.int64(types.uint64), emit


def _store(builder: ir.IRBuilder, value: ir.Value, address: ir.Value) -> None:
    builder.store(value, builder.inttoptr(address, value.type.as_pointer()), align=8)


_ROW = ir.VectorType(_I64, 8)


@intrinsic(prefer_literal=True)
def sum_of_rows(typing_context: Any, table: Any, offsets: Any, count: Any, out: Any, words: Any) -> Any:
    """Sum (XOR) of rows of a table, held in registers (any CPU).

    Args:
        typing_context: given by Numba.
        table: address of the rows, uint64[., words].
        offsets: address of int64[count], where each row would stand, were it of 64 bytes: bytes from `table`.
        count: number of rows.
        out: address of uint64[words].
        words: a literal, 2, 4 or 8.
    """
    width = words.literal_value
    kind = ir.VectorType(_I64, width)

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_table, at_offsets, rows, at_out = arguments[:4]
        slot = cgutils.alloca_once_value(builder, ir.Constant(kind, None))
        with cgutils.for_range(builder, rows, intp=_I64) as loop:
            offset = _load(builder, at_offsets, builder.mul(loop.index, _I64(8)), _I64)
            offset = builder.lshr(offset, _I64({8: 0, 4: 1, 2: 2}[width]))
            builder.store(builder.xor(builder.load(slot), _load(builder, at_table, offset, kind)), slot)
        _store(builder, builder.load(slot), at_out)
        return _context.get_dummy_value()

    return types.void(types.int64, types.int64, types.int64, types.int64, words), emit


@intrinsic(prefer_literal=True)
def or_of_sums(typing_context: Any, table: Any, elements: Any, count: Any, constants: Any, out: Any, sums: Any) -> Any:
    """OR together several sums (XOR) of 512-bit rows of a table, all held in registers (any CPU).

    Args:
        typing_context: given by Numba.
        table: address of uint64[count, 4 nibbles, 16 values, 8 words].
        elements: address of uint16[count, sums]; each of its nibbles, lowest first, chooses a row.
        count: number of elements in each sum.
        constants: address of uint64[sums], added to every word of its sum.
        out: address of uint64[8].
        sums: a literal, how many sums.
    """
    number = sums.literal_value
    half = ir.IntType(16)

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_table, at_elements, terms_count, at_constants, at_out = arguments[:5]
        slots = []
        for b in range(number):
            constant = _load(builder, at_constants, 8 * b, _I64)
            start = builder.insert_element(ir.Constant(_ROW, ir.Undefined), constant, ir.IntType(32)(0))
            slots.append(cgutils.alloca_once(builder, _ROW))
            builder.store(_shuffle(builder, start, [0] * 8), slots[b])
        with cgutils.for_range(builder, terms_count, intp=_I64) as loop:
            here = builder.add(at_elements, builder.mul(loop.index, _I64(2 * number)))
            rows = builder.add(at_table, builder.mul(loop.index, _I64(4 * 16 * 64)))
            for b, slot in enumerate(slots):
                element = builder.shl(builder.zext(_load(builder, here, 2 * b, half), _I64), _I64(6))
                total = builder.load(slot)
                for nibble in range(4):
                    offset = builder.and_(builder.lshr(element, _I64(4 * nibble)), _I64(15 << 6))
                    row = _load(builder, builder.add(rows, offset), 16 * 64 * nibble, _ROW)
                    total = builder.xor(total, row)
                builder.store(total, slot)
        result = ir.Constant(_ROW, None)
        for slot in slots:
            result = builder.or_(result, builder.load(slot))
        _store(builder, result, at_out)
        return _context.get_dummy_value()

    kinds = (types.int64, types.int64, types.int64, types.int64, types.int64, sums)
    return types.void(*kinds), emit
