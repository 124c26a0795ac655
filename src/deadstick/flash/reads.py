"""Several reads of one chip: how they lie on each other, their vote, and how sure each bit of it is.

A read flips other bits than the next one. Where the errors of the reads are independent, with rate p_r in read r,
the likeliest value of a bit is the sign of the sum of log((1 - p_r) / p_r), counted with the sign of each read's
opinion: S. Nitzan and J. Paroush, "Optimal decision rules in uncertain dichotomous choice situations",
International Economic Review 23 (1982), from memory; it is Bayes' rule with even odds before. The size of the sum is
the log-likelihood ratio, the confidence. Reads of equal quality make it the plain majority.

A `Plan` says which bytes of each read stand where in the chip, and which of its data lines count. The vote is written
into a file, as what follows wants a dump; the confidence is not: it is made again, for the pages that need it, from
the reads, which stay mapped.
"""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from math import log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import InputError
from deadstick.flash import kernels
from deadstick.flash.dump import Dump
from deadstick.progress import Progress, silent

Bytes = NDArray[np.uint8]

MOST_READS = 8
ALL_LINES = 0xFF
IN_ORDER = (0, 1, 2, 3, 4, 5, 6, 7)
WEIGHT_UNIT = 1 / 16
"""Of the weights, in nats."""
_LEAST_RATE, _MOST_RATE = 1e-6, 0.4
_BLOCK_BYTES = 1 << 22


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of the chip that one read holds.

    Attributes:
        start: first byte, in the chip.
        end: byte after the last one, in the chip.
        source: where `start` stands in the read.
        lines: data lines that count, as a mask: bit b for line b.
    """

    start: int
    end: int
    source: int
    lines: int = ALL_LINES


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """What one read gives.

    Attributes:
        pieces: in ascending order, without overlap; none for a read that is left out.
        order: `order[b]` is the line of the read that holds bit b of the chip.
        error_rate: its estimated raw bit error rate.
    """

    pieces: tuple[Piece, ...]
    order: tuple[int, ...] = IN_ORDER
    error_rate: float = 1e-3

    @property
    def weight(self) -> int:
        """Log-likelihood ratio of one bit, in `WEIGHT_UNIT`.

        >>> ReadPlan((), error_rate=1e-3).weight, ReadPlan((), error_rate=0.02).weight
        (111, 62)
        """
        rate = min(max(self.error_rate, _LEAST_RATE), _MOST_RATE)
        return max(1, round(log((1 - rate) / rate) / WEIGHT_UNIT))


@dataclass(frozen=True, slots=True)
class Plan:
    """How the reads of a chip become one.

    Attributes:
        size: bytes of the chip.
        unit_bytes: pieces begin and end at multiples of it, or at the end of the chip.
        reads: one for each read.
    """

    size: int
    unit_bytes: int
    reads: tuple[ReadPlan, ...]

    @property
    def is_plain(self) -> bool:
        """Whether one whole read, as it stands, is all there is."""
        used = [read for read in self.reads if read.pieces]
        return len(used) == 1 and used[0].pieces == (Piece(0, self.size, 0),) and used[0].order == IN_ORDER

    def to_dict(self) -> dict[str, Any]:
        """As plain values, for a record."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> "Plan":
        """What `to_dict` gave, also after a way through JSON."""
        reads = tuple(
            ReadPlan(tuple(Piece(**piece) for piece in read["pieces"]), tuple(read["order"]), read["error_rate"])
            for read in values["reads"]
        )
        return cls(values["size"], values["unit_bytes"], reads)


class Chip:
    """Several reads of one chip, 1 to `MOST_READS`.

    Attributes:
        reads: the dumps.

    Raises:
        InputError: no read, or too many.
    """

    def __init__(self, reads: Sequence[Dump]) -> None:
        if not reads:
            raise InputError("a chip needs at least one read")
        if len(reads) > MOST_READS:
            raise InputError(f"{len(reads)} reads of one chip were given; at most {MOST_READS} are used")
        self.reads = tuple(reads)

    def stack(self, plan: Plan, start: int, end: int) -> tuple[Bytes, Bytes]:
        """What each read says about a run of the chip.

        Args:
            plan: of this chip.
            start: first byte, in the chip.
            end: byte after the last one.

        Returns:
            `uint8[reads, bytes]`: the bytes, with the data lines in order; 0xFF where a read has none. And
            `uint8[reads, bytes]`: the lines that count.
        """
        values = np.full((len(self.reads), end - start), 0xFF, np.uint8)
        lines = np.zeros_like(values)
        for number, (read, part) in enumerate(zip(self.reads, plan.reads, strict=True)):
            for piece in part.pieces:
                first, last = max(start, piece.start), min(end, piece.end)
                if first < last:
                    source = piece.source + first - piece.start
                    values[number, first - start : last - start] = read.array[source : source + last - first]
                    lines[number, first - start : last - start] = piece.lines
            if part.order != IN_ORDER:
                values[number] = order_table(part.order)[values[number]]
        return values, lines

    def blocks(self, plan: Plan) -> Iterator[tuple[int, Bytes, Bytes]]:
        """The whole chip in runs of whole units: `(start, bytes, lines)` as from `stack`, lines for each unit."""
        step = max(plan.unit_bytes, _BLOCK_BYTES // plan.unit_bytes * plan.unit_bytes)
        for start in range(0, plan.size, step):
            values, lines = self.stack(plan, start, min(start + step, plan.size))
            yield start, values, np.ascontiguousarray(lines[:, :: plan.unit_bytes])

    def write_vote(self, plan: Plan, path: Path, progress: Progress = silent) -> None:
        """Write the likeliest value of every bit.

        Args:
            plan: of this chip.
            path: the file to write, which no read lies in.
            progress: told `("vote", bytes, bytes in all)`.
        """
        weights = np.array([read.weight for read in plan.reads], np.int32)
        with path.open("wb") as stream:
            for start, values, lines in self.blocks(plan):
                voted = np.empty(values.shape[1], np.uint8)
                kernels.vote(values, lines, plan.unit_bytes, weights, voted)
                stream.write(voted.data)
                progress("vote", start + len(voted), plan.size)


class VotedDump(Dump):
    """The vote of a chip's reads, a dump like any other, that can also say how sure its bits are.

    Attributes:
        chip: the reads.
        plan: how they became one.

    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> for number, content in enumerate((b"deadlock", b"beadrock", b"deafrock")):
    ...     _ = (folder / f"read{number}.bin").write_bytes(content)
    >>> chip = Chip([Dump.open(folder / f"read{number}.bin") for number in range(3)])
    >>> plan = Plan(8, 4096, (ReadPlan((Piece(0, 8, 0),)),) * 3)
    >>> chip.write_vote(plan, folder / "voted.bin")
    >>> VotedDump.of(folder / "voted.bin", chip, plan).array.tobytes()
    b'deadrock'
    """

    chip: Chip
    plan: Plan

    @classmethod
    def of(cls, path: Path, chip: Chip, plan: Plan) -> "VotedDump":
        """Map what `Chip.write_vote` wrote.

        Raises:
            InputError: the file is missing or has another length than the plan.
        """
        dump = cls.open(path)
        if not isinstance(dump, cls) or dump.size != plan.size:
            raise InputError(f"{path}: not the vote of these reads; remove it to make it anew")
        dump.chip, dump.plan = chip, plan
        return dump

    @property
    def weights(self) -> NDArray[np.int32]:
        """`int32[reads]`: log-likelihood ratio of one bit of each read, in `WEIGHT_UNIT`."""
        return np.array([read.weight for read in self.plan.reads], np.int32)

    def page_reads(self, rows: NDArray[np.int64], page_bytes: int) -> tuple[Bytes, Bytes]:
        """What each read says about some pages.

        Args:
            rows: `int64[rows]`, numbers of the pages.
            page_bytes: of a page.

        Returns:
            `uint8[reads, rows, page_bytes]`: the bytes; and as much: a 1 for every bit that counts.
        """
        parts = [self.chip.stack(self.plan, row * page_bytes, (row + 1) * page_bytes) for row in rows.tolist()]
        values = np.stack([part[0] for part in parts], axis=1)
        return values, np.stack([part[1] for part in parts], axis=1)


def order_table(order: Sequence[int]) -> Bytes:
    """`uint8[256]`: every byte with its lines put in order.

    Args:
        order: `order[b]` is the line that holds bit b.

    >>> hex(order_table((4, 1, 2, 3, 0, 5, 6, 7))[0x10])
    '0x1'
    """
    values = np.arange(256, dtype=np.uint8)
    table = np.zeros(256, np.uint8)
    for bit, line in enumerate(order):
        table |= ((values >> np.uint8(line)) & np.uint8(1)) << np.uint8(bit)
    return table
