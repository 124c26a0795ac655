"""Multiplication by field constants as bit matrices, 64 elements at a time, for CPUs that have the instruction.

x86 GFNI (VGF2P8AFFINEQB) multiplies bytes by an 8 x 8 matrix over GF(2). An element of GF(2^m), m up to 16, is a low
and a high byte, and multiplying it by a constant is linear: four such matrices, each in one 64-bit word.

A matrix word holds the row for output bit i in byte 7 - i; bit s of the row is the coefficient of input bit s.
"""

# ruff: noqa: ARG001  # the arguments of an intrinsic are types, which only Numba reads

from typing import Any, Final

import llvmlite.binding as llvm
from llvmlite import ir
from numba.core import cgutils, config, types
from numba.extending import intrinsic

_I64 = ir.IntType(64)
_ROW = ir.VectorType(_I64, 8)


def _bits_per_vector() -> int:
    """Bits that one such instruction of this CPU takes: 512, 256, or 0 where it has none."""
    if config.CPU_NAME or config.CPU_FEATURES or config.DISABLE_JIT:
        return 0  # somebody compiles for another CPU than this one
    has = llvm.get_host_cpu_features()
    if not (has.get("gfni") and has.get("avx2")):
        return 0
    return 512 if has.get("avx512bw") else 256


VECTOR_BITS: Final = _bits_per_vector()


def _shuffle(builder: ir.IRBuilder, a: ir.Value, b: ir.Value, order: list[int]) -> ir.Value:
    return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(ir.IntType(32), len(order)), order))


def _apply(builder: ir.IRBuilder, bytes_: ir.Value, matrices: ir.Value) -> ir.Value:
    """Each 64-bit lane of bytes times the matrix in the same lane."""
    lanes = bytes_.type.count
    if 64 * lanes > max(VECTOR_BITS, 128):
        undefined = ir.Constant(bytes_.type, ir.Undefined)
        halves = [
            _apply(builder, _shuffle(builder, bytes_, undefined, part), _shuffle(builder, matrices, undefined, part))
            for part in (list(range(lanes // 2)), list(range(lanes // 2, lanes)))
        ]
        return _shuffle(builder, halves[0], halves[1], list(range(lanes)))
    kind = ir.VectorType(ir.IntType(8), 8 * lanes)
    signature = ir.FunctionType(kind, [kind, kind, ir.IntType(8)])
    name = f"llvm.x86.vgf2p8affineqb.{64 * lanes}"
    function = cgutils.get_or_insert_function(builder.module, signature, name)
    operands = [builder.bitcast(bytes_, kind), builder.bitcast(matrices, kind), ir.IntType(8)(0)]
    return builder.bitcast(builder.call(function, operands), bytes_.type)


def _at(builder: ir.IRBuilder, address: ir.Value, offset: ir.Value | int, kind: ir.Type) -> ir.Value:
    if isinstance(offset, int):
        offset = _I64(offset)
    return builder.inttoptr(builder.add(address, offset), kind.as_pointer())


def _load(builder: ir.IRBuilder, address: ir.Value, offset: ir.Value | int, kind: ir.Type = _ROW) -> ir.Value:
    return builder.load(_at(builder, address, offset, kind), align=1)


def _broadcast(builder: ir.IRBuilder, value: ir.Value) -> ir.Value:
    start = builder.insert_element(ir.Constant(_ROW, ir.Undefined), value, ir.IntType(32)(0))
    return _shuffle(builder, start, ir.Constant(_ROW, ir.Undefined), [0] * 8)


@intrinsic
def affine(typing_context: Any, bytes_: Any, matrix: Any) -> Any:
    """The eight bytes of a uint64, each times the matrix."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        pair = ir.VectorType(_I64, 2)
        both = [builder.insert_element(ir.Constant(pair, None), a, ir.IntType(32)(0)) for a in arguments]
        return builder.extract_element(_apply(builder, *both), ir.IntType(32)(0))

    return types.uint64(types.uint64, types.uint64), emit


def _matrices_of(builder: ir.IRBuilder, multipliers: ir.Value, element: ir.Value) -> list[ir.Value]:
    """The four matrices of an element, in all lanes: low from low, low from high, high from low, high from high."""
    four = ir.VectorType(_I64, 4)
    low = builder.shl(builder.and_(element, _I64(255)), _I64(5))
    high = builder.shl(builder.add(builder.lshr(element, _I64(8)), _I64(256)), _I64(5))
    both = builder.xor(_load(builder, multipliers, low, four), _load(builder, multipliers, high, four))
    return [_broadcast(builder, builder.extract_element(both, ir.IntType(32)(i))) for i in range(4)]


@intrinsic
def combine(
    typing_context: Any, target: Any, a: Any, first: Any, b: Any, second: Any, plane: Any, chunks: Any, multipliers: Any
) -> Any:
    """Set target = a * first + b * second, vectors of field elements times two elements.

    Args:
        typing_context: given by Numba.
        target: address of the result, bytes: a plane of low bytes and `plane` bytes on one of high bytes.
        a: int64, an element.
        first: address of the first vector; none of the addresses needs an alignment.
        b: int64, an element.
        second: address of the second vector.
        plane: bytes from the low to the high plane of each.
        chunks: number of 64 elements to go through.
        multipliers: address of uint64[2 bytes, 256, 4]: what a low and a high byte add to an element's matrices.
    """

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_target, one, at_first, other, at_second, between, count, table = arguments
        operands = [(at_first, _matrices_of(builder, table, one)), (at_second, _matrices_of(builder, table, other))]
        with cgutils.for_range(builder, count, intp=_I64) as loop:
            here = builder.mul(loop.index, _I64(64))
            above = builder.add(here, between)
            low = high = ir.Constant(_ROW, None)
            for address, m in operands:
                a, b = _load(builder, address, here), _load(builder, address, above)
                low = builder.xor(low, builder.xor(_apply(builder, a, m[0]), _apply(builder, b, m[1])))
                high = builder.xor(high, builder.xor(_apply(builder, a, m[2]), _apply(builder, b, m[3])))
            builder.store(low, _at(builder, at_target, here, _ROW), align=1)
            builder.store(high, _at(builder, at_target, above, _ROW), align=1)
        return _context.get_dummy_value()

    return types.void(*[types.int64] * 8), emit


@intrinsic
def scale_lanes(typing_context: Any, low: Any, high: Any, matrices: Any, plane: Any, chunks: Any) -> Any:
    """Multiply elements in place, eight at a time in each 64-bit lane, each lane by a constant of its own.

    Args:
        typing_context: given by Numba.
        low: address of the low bytes, uint64[8 chunks].
        high: address of the high bytes.
        matrices: address of uint64[4 planes, .], the four matrices of each lane: low from low, low from high, high from
            low, high from high.
        plane: bytes from one plane to the next.
        chunks: number of eight lanes to go through.
    """

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_low, at_high, at_matrices, between, count = arguments
        with cgutils.for_range(builder, count, intp=_I64) as loop:
            here = builder.mul(loop.index, _I64(64))
            a, b = _load(builder, at_low, here), _load(builder, at_high, here)
            offsets = [builder.add(here, builder.mul(between, _I64(i))) for i in range(4)]
            m = [_load(builder, at_matrices, offset) for offset in offsets]
            for address, i in ((at_low, 0), (at_high, 2)):
                total = builder.xor(_apply(builder, a, m[i]), _apply(builder, b, m[i + 1]))
                builder.store(total, _at(builder, address, here, _ROW), align=1)
        return _context.get_dummy_value()

    return types.void(*[types.int64] * 5), emit


@intrinsic
def sum_of_products(typing_context: Any, low: Any, high: Any, matrices: Any, plane: Any, chunks: Any) -> Any:
    """XOR of all 64-bit lanes: eight low bytes times a matrix plus eight high bytes times another.

    Args:
        typing_context: given by Numba.
        low: address of the low bytes, uint64[8 chunks].
        high: address of the high bytes.
        matrices: address of uint64[2 planes, .], the matrices for low and for high bytes.
        plane: bytes from one plane to the next.
        chunks: number of eight lanes to go through.
    """

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_low, at_high, at_matrices, between, count = arguments
        slot = cgutils.alloca_once_value(builder, ir.Constant(_ROW, None))
        with cgutils.for_range(builder, count, intp=_I64) as loop:
            here = builder.mul(loop.index, _I64(64))
            from_low = _apply(builder, _load(builder, at_low, here), _load(builder, at_matrices, here))
            above = builder.add(here, between)
            from_high = _apply(builder, _load(builder, at_high, here), _load(builder, at_matrices, above))
            builder.store(builder.xor(builder.load(slot), builder.xor(from_low, from_high)), slot)
        total = builder.load(slot)
        while total.type.count > 1:
            undefined = ir.Constant(total.type, ir.Undefined)
            half = total.type.count // 2
            low = _shuffle(builder, total, undefined, list(range(half)))
            total = builder.xor(low, _shuffle(builder, total, undefined, list(range(half, 2 * half))))
        return builder.extract_element(total, ir.IntType(32)(0))

    return types.uint64(*[types.int64] * 5), emit


def _or_of_bytes(builder: ir.IRBuilder, rows: list[ir.Value]) -> ir.Value:
    """Byte k of each lane: the OR of the eight bytes in that lane of row k."""
    for width in (32, 16, 8):
        count = len(rows) // 2
        low = sum(((1 << width) - 1) << at for at in range(0, 64, 2 * width))
        keep, move = ir.Constant(_ROW, [low] * 8), ir.Constant(_ROW, [width] * 8)
        folded = []
        for u, v in zip(rows[:count], rows[count:], strict=True):
            own = builder.and_(builder.or_(u, builder.lshr(u, move)), keep)
            other = builder.and_(builder.or_(v, builder.shl(v, move)), builder.not_(keep))
            folded.append(builder.or_(own, other))
        rows = folded
    return rows[0]


@intrinsic
def nonzero_values(typing_context: Any, matrices: Any, low: Any, high: Any, count: Any, start: Any, out: Any) -> Any:
    """At which of 512 positions one of eight functionals is not zero, as bits.

    Args:
        typing_context: given by Numba.
        matrices: address of uint64[count, 8 k, low and high, 8 q]: what the bytes of an element add to the values at
            the positions 64 q + 8 k + (0 .. 7).
        low: address of uint64[count], the low bytes of the elements of eight functionals.
        high: address of their high bytes.
        count: number of elements in each sum.
        start: uint64, what each functional's byte starts from.
        out: address of uint64[8]: bit p of the 512.
    """

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        at_matrices, at_low, at_high, terms, first, at_out = arguments
        slots = [cgutils.alloca_once(builder, _ROW) for _ in range(8)]
        for slot in slots:
            builder.store(_broadcast(builder, first), slot)
        with cgutils.for_range(builder, terms, intp=_I64) as loop:
            here = builder.mul(loop.index, _I64(8))
            a = _broadcast(builder, _load(builder, at_low, here, _I64))
            b = _broadcast(builder, _load(builder, at_high, here, _I64))
            rows = builder.add(at_matrices, builder.mul(loop.index, _I64(1024)))
            for k, slot in enumerate(slots):
                from_low = _apply(builder, a, _load(builder, rows, 128 * k))
                from_high = _apply(builder, b, _load(builder, rows, 128 * k + 64))
                builder.store(builder.xor(builder.load(slot), builder.xor(from_low, from_high)), slot)
        result = _or_of_bytes(builder, [builder.load(slot) for slot in slots])
        builder.store(result, _at(builder, at_out, 0, _ROW), align=1)
        return _context.get_dummy_value()

    return types.void(*[types.int64] * 4, types.uint64, types.int64), emit
