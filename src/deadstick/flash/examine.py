"""Look at the reads of one chip before anything else: which bytes and which data lines of each can be believed.

The answer is a `Plan` for the vote, and a list of notices for a person: which read has which fault, and what to do.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import InputError
from deadstick.flash import kernels
from deadstick.flash.align import ALIKE, Alignment, Placement, align, is_written, unit_size
from deadstick.flash.contacts import Fault, find_faults
from deadstick.flash.lines import line_order, settle_orders, text_order
from deadstick.flash.notice import Notice
from deadstick.flash.reads import ALL_LINES, IN_ORDER, Chip, Piece, Plan, ReadPlan
from deadstick.flash.words import Names, about_faults, about_lines, about_places, about_rates, about_text, about_twins

_COMPARED_UNITS = 64


@dataclass(frozen=True)
class Examined:
    """What an examination gives.

    Attributes:
        plan: how the reads become one.
        notices: what a person should know.
    """

    plan: Plan
    notices: tuple[Notice, ...]


def examine(chip: Chip, name: str = "") -> Examined:
    """Examine all reads of a chip.

    Args:
        chip: its reads.
        name: of the chip, where there are several, such as "chip 2".

    Raises:
        InputError: no two of several reads are of one chip.
    """
    names = Names(tuple(read.name for read in chip.reads), name)
    if len(chip.reads) == 1:
        return _single(chip, names, find_faults(chip.reads[0].array))
    # A copy of a read would lend it a weight that it has not earned.
    digests = [read.sha256 for read in chip.reads]
    unique = [number for number, digest in enumerate(digests) if digest not in digests[:number]]
    notices = [
        about_twins(names, number, digests.index(digest))
        for number, digest in enumerate(digests)
        if number not in unique
    ]
    some = Chip([chip.reads[number] for number in unique])
    some_names = Names(tuple(read.name for read in some.reads), name, tuple(unique))
    if len(unique) == 1:
        found = _single(some, some_names, find_faults(some.reads[0].array))
    else:
        found = _compared(some, some_names)
    plans = [ReadPlan(())] * len(chip.reads)
    for number, plan in zip(unique, found.plan.reads, strict=True):
        plans[number] = plan
    return Examined(replace(found.plan, reads=tuple(plans)), (*notices, *found.notices))


def _compared(chip: Chip, names: Names) -> Examined:
    """Several reads that are not copies of each other."""
    faults = [find_faults(read.array) for read in chip.reads]
    suspects = frozenset(n for n, found in enumerate(faults) if any(fault.kind == "address" for fault in found))
    found = align([read.array for read in chip.reads], suspects)
    if sum(item is not None for item in found.placements) < 2:
        raise InputError(
            f"{names.all()}: these are not reads of one chip, as hardly a page of them is alike; give reads of several "
            "chips as arguments of their own"
        )
    return _several(chip, names, faults, found)


def _single(chip: Chip, names: Names, faults: tuple[Fault, ...]) -> Examined:
    size = chip.reads[0].size
    text = text_order(chip.reads[0].array)
    order = text[0] if text else IN_ORDER
    plan = Plan(size, unit_size(size), (ReadPlan((Piece(0, size, 0),), order),))
    notices = [about_faults(names, 0, fault, alone=True) for fault in faults]
    if text:
        notices += about_text(names, 0, text)
    return Examined(plan, tuple(notices))


def _several(chip: Chip, names: Names, faults: list[tuple[Fault, ...]], found: Alignment) -> Examined:
    leader = chip.reads[found.leader].array
    pieces = [_pieces(item, found, len(leader)) for item in found.placements]
    plan = Plan(len(leader), found.unit_bytes, tuple(ReadPlan(row) for row in pieces))
    orders, is_settled = _orders(chip, plan, found.leader)
    if not is_settled and _concerns_top(orders) and (text := text_order(leader)):
        orders, is_settled = [order and tuple(order[bit] for bit in text[0]) for order in orders], True
    plan = _changed(plan, [{"order": order or IN_ORDER} for order in orders])
    shares, present = _different(chip, plan), _present(plan)
    bad = _named(plan, faults)
    bad |= _odd(shares, present, bad, found.leader)
    rates, compared = _rates(shares, present, bad)
    plan = _changed(
        plan,
        [
            {"pieces": _with_lines(row, plan.unit_bytes, bad[number]), "error_rate": float(rates[number])}
            for number, row in enumerate(pieces)
        ],
    )
    notices = about_places(names, found, [read.size for read in chip.reads])
    notices += about_lines(names, orders, found.leader, is_settled=is_settled)
    used = [row for read, row in zip(plan.reads, faults, strict=True) if read.pieces]
    for number, row in enumerate(faults):
        for fault in row:
            alone = all(any((item.kind, item.lines) == (fault.kind, fault.lines) for item in other) for other in used)
            notices.append(about_faults(names, number, fault, alone=alone))
    return Examined(plan, (*notices, about_rates(names, plan, compared)))


def _concerns_top(orders: Sequence[tuple[int, ...] | None]) -> bool:
    """Whether the line that text tells about is among those that are exchanged."""
    return all(order is None or order == IN_ORDER or order[7] != 7 for order in orders)


def _changed(plan: Plan, changes: list[dict[str, Any]]) -> Plan:
    return replace(plan, reads=tuple(replace(read, **each) for read, each in zip(plan.reads, changes, strict=True)))


# Pieces ---------------------------------------------------------------------------------------------


def _pieces(item: Placement | None, found: Alignment, size: int) -> tuple[Piece, ...]:
    """Runs of units that follow each other in the read too."""
    if item is None:
        return ()
    held = np.flatnonzero(item.sources >= 0)
    if not len(held):
        return ()
    unit = found.unit_bytes
    breaks = np.flatnonzero((np.diff(held) != 1) | (np.diff(item.sources[held]) != unit)) + 1
    runs = np.split(held, breaks)
    return tuple(
        Piece(int(run[0]) * unit, min((int(run[-1]) + 1) * unit, size), int(item.sources[run[0]])) for run in runs
    )


def _with_lines(pieces: tuple[Piece, ...], unit: int, bad: NDArray[np.uint8]) -> tuple[Piece, ...]:
    """Cut pieces where the lines that count change; what has no line left is left out."""
    cut: list[Piece] = []
    for piece in pieces:
        first, last = piece.start // unit, -(-piece.end // unit)
        lines = ALL_LINES & ~bad[first:last]
        starts = [0, *(np.flatnonzero(np.diff(lines)) + 1).tolist(), last - first]
        for begin, stop in pairwise(starts):
            start = piece.start + begin * unit
            if lines[begin]:
                end = min(piece.start + stop * unit, piece.end)
                cut.append(Piece(start, end, piece.source + begin * unit, int(lines[begin])))
    return tuple(cut)


# What counts ----------------------------------------------------------------------------------------


def _orders(chip: Chip, plan: Plan, leader: int) -> tuple[Sequence[tuple[int, ...] | None], bool]:
    """The order of the data lines of each read, from some written units that it shares with the leader."""
    units = np.unique(np.linspace(0, plan.size // plan.unit_bytes - 1, 8 * _COMPARED_UNITS).astype(np.int64))
    orders: list[tuple[int, ...] | None] = []
    parts = [chip.stack(plan, u * plan.unit_bytes, (u + 1) * plan.unit_bytes) for u in units.tolist() if u >= 0]
    parts = [part for part in parts if is_written(part[0][leader])]
    for number, read in enumerate(plan.reads):
        shared = [values for values, lines in parts if lines[number].all() and is_written(values[number])]
        chosen = shared[:: max(1, len(shared) // _COMPARED_UNITS)]
        if not read.pieces:
            orders.append(None)
        elif number == leader or not chosen:
            orders.append(IN_ORDER)
        else:
            orders.append(
                line_order(np.concatenate([v[leader] for v in chosen]), np.concatenate([v[number] for v in chosen]))
            )
    return settle_orders(orders)


def _named(plan: Plan, faults: Sequence[tuple[Fault, ...]]) -> NDArray[np.uint8]:
    """`uint8[reads, units]`: lines, in the chip's order, that a fault of the read itself makes useless.

    A line that is stuck alike in every read is left as it is: nothing would be left.
    """
    units = -(-plan.size // plan.unit_bytes)
    bad = np.zeros((len(plan.reads), units), np.uint8)
    for number, (read, row) in enumerate(zip(plan.reads, faults, strict=True)):
        for fault in row:
            mask = sum(1 << bit for bit in range(8) if read.order[bit] in fault.lines)
            for piece in read.pieces if mask else ():
                start = piece.start + max(0, fault.start - piece.source)
                end = min(piece.end, piece.start + fault.end - piece.source)
                if start < end:
                    bad[number, start // plan.unit_bytes : -(-end // plan.unit_bytes)] |= np.uint8(mask)
    used = [number for number, read in enumerate(plan.reads) if read.pieces]
    bad &= ~np.bitwise_and.reduce(bad[used], axis=0)
    return bad


def _present(plan: Plan) -> NDArray[np.uint8]:
    """`uint8[reads, units]`: whether the read holds the unit."""
    present = np.zeros((len(plan.reads), -(-plan.size // plan.unit_bytes)), np.uint8)
    for number, read in enumerate(plan.reads):
        for piece in read.pieces:
            present[number, piece.start // plan.unit_bytes : -(-piece.end // plan.unit_bytes)] = 1
    return present


def _different(chip: Chip, plan: Plan) -> NDArray[np.float32]:
    """`float32[reads, units, 8]`: share of bits in which a read differs from the majority, on each line."""
    unit, present = plan.unit_bytes, _present(plan)
    shares = np.zeros((*present.shape, 8), np.float32)
    for start, values, _ in chip.blocks(plan):
        first, last = start // unit, -(-(start + values.shape[1]) // unit)
        counts = np.zeros((len(values), last - first, 8), np.uint32)
        whole = np.pad(values, ((0, 0), (0, -values.shape[1] % 8))).view(np.uint64)
        kernels.compare_reads(whole, np.ascontiguousarray(present[:, first:last]), unit // 8, counts)
        lengths = np.minimum(unit, plan.size - unit * np.arange(first, last))
        shares[:, first:last] = counts / lengths[None, :, None]
    return shares


def _odd(
    shares: NDArray[np.float32], present: NDArray[np.uint8], named: NDArray[np.uint8], leader: int
) -> NDArray[np.uint8]:
    """`uint8[reads, units]`: lines on which a read stands alone against the majority, far beyond bit errors.

    Two reads have no majority; then the leader is believed.
    """
    count = present.sum(axis=0, dtype=np.int64)
    known = (named[..., None] >> np.arange(8)) & 1
    # With too many faulty reads the majority is theirs.
    far = (shares > ALIKE) & (2 * known.sum(axis=0) < count[:, None])[None]
    # The kernel gives a tie to the first read; here it is the leader's.
    pairs = np.flatnonzero((count == 2) & (present[leader] == 1))
    others = present[:, pairs] == 1
    others[leader] = False
    far[others.argmax(axis=0), pairs] |= far[leader, pairs]
    far[leader, pairs] = False
    odd: NDArray[np.uint8] = np.packbits(far, axis=2, bitorder="little")[..., 0]
    return odd


def _rates(
    shares: NDArray[np.float32], present: NDArray[np.uint8], bad: NDArray[np.uint8]
) -> tuple[NDArray[np.float64], int]:
    """`float64[reads]`: bit error rate of each read on its good lines, estimated; and the units that three hold."""
    there = (1 - ((bad[..., None] >> np.arange(8)) & 1)) * present[..., None]
    many = there.sum(axis=0) >= 3
    compared = int(many.any(axis=1).sum())
    chosen = there * (many if compared else there.sum(axis=0) >= 2)[None]
    rates: NDArray[np.float64] = (shares * chosen).sum(axis=(1, 2), dtype=np.float64)
    rates /= np.maximum(chosen.sum(axis=(1, 2)), 1)
    # Against one other read the differences are those of both, and all are booked on one.
    return rates if compared else np.full(len(rates), rates.max() / 2), compared
