"""Gaps between the places at which a shift register shows: where did it run on, and where start anew?

Wherever the register shows, its state there is known. Between two such places in a row it either ran on or started anew
somewhere; a page begins where it started anew and never where it ran on. So a border of pages, under some page size,
agrees with a gap of the second kind and contradicts one of the first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.solve.common.spread import evenly
from deadstick.solve.register.register import Hits, Register
from deadstick.solve.register.register_states import rewound

LONGEST_GAPS = (1024, 2304)
"""Bytes between two places; more of them say little about where the register started anew. A register that does not run
over the parity shows nowhere in the whole spare area, so longer ones are looked at where shorter ones tell nothing."""
RUN_BYTES = 64
"""How far behind a place its run is followed; a run that goes on has another place 32 bytes on."""
MOST_BORDERS = 16_000
PART_BYTES, MOST_PARTS = 1 << 16, 64
"""Parts of the dump in which the register shows most often: borders are looked at there first."""


@dataclass(frozen=True)
class Gaps:
    """Gaps between neighbouring places at which the register shows.

    Attributes:
        ends: `int64[places]`, where they lie, ascending.
        begins: `int64[places - 1]`, how far the register runs on from a place for certain: no border lies before.
        anew: `bool[places - 1]`, whether the register started anew in the gap behind a place.
        short: `bool[places - 1]`, whether the gap is short enough to tell.
    """

    ends: NDArray[np.int64]
    begins: NDArray[np.int64]
    anew: NDArray[np.bool_]
    short: NDArray[np.bool_]

    @classmethod
    def of(cls, data: NDArray[np.uint8], hits: Hits, register: Register, longest: int) -> "Gaps":
        """Between the places where a register shows in `uint8[bytes]`; gaps of up to so many bytes tell."""
        ahead = np.diff(hits.positions)
        anew = rewound(hits.states[1:], ahead, register) != hits.states[:-1]
        begins = hits.positions[:-1].copy()
        followed = np.flatnonzero(anew & (ahead <= longest))
        begins[followed] = np.minimum(_run_ends(data, hits.take(followed), register), hits.positions[followed + 1])
        return cls(hits.positions, begins, anew, ahead <= longest)

    @property
    def usual(self) -> float:
        """Share of all bytes in short gaps that lie in gaps with a start: how often any byte looks like a border."""
        with_start = (self.ends[1:] - self.begins)[self.short & self.anew]
        return float(with_start.sum() / max(1, np.diff(self.ends)[self.short].sum()))

    def first_share(self, page: int, parts: NDArray[np.int64]) -> tuple[int, int]:
        """As `share`, of the borders in some parts of the dump that begin at `int64[parts]`."""
        first = -(-parts // page)
        counts = (parts + PART_BYTES) // page - first
        borders = page * np.concatenate([f + np.arange(n) for f, n in zip(first, counts.clip(0), strict=True)])
        return self._of(borders)

    def share(self, page: int) -> tuple[int, int]:
        """(borders at which the register starts anew, borders that tell) under a page size."""
        return self._of(page * (1 + evenly(int(self.ends[-1]) // page, MOST_BORDERS)))

    def busiest(self) -> NDArray[np.int64]:
        """`int64[parts]`: where those parts of the dump begin that have the most places."""
        counts = np.bincount(self.ends // PART_BYTES)
        return np.sort(np.argsort(-counts, kind="stable")[:MOST_PARTS]) * PART_BYTES

    def _of(self, borders: NDArray[np.int64]) -> tuple[int, int]:
        gap = np.searchsorted(self.ends, borders, "left") - 1
        inside = (gap >= 0) & (gap < len(self.anew))
        gap, borders = gap[inside], borders[inside]
        gap, borders = gap[self.short[gap]], borders[self.short[gap]]
        return int((self.anew[gap] & (borders >= self.begins[gap])).sum()), len(gap)


def _run_ends(data: NDArray[np.uint8], hits: Hits, register: Register) -> NDArray[np.int64]:
    """`int64[hits]`: the byte behind the last one that each place's run explains; bit errors end it early."""
    streams = Lfsr(register.polynomial).keystream(hits.states, RUN_BYTES, register.bit_order)
    inside = np.minimum(hits.positions[:, np.newaxis] + np.arange(RUN_BYTES), len(data) - 1)
    agree = data[inside] == streams ^ np.where(hits.ones, 0xFF, 0).astype(np.uint8)[:, np.newaxis]
    return hits.positions + np.where(agree.all(axis=1), RUN_BYTES, agree.argmin(axis=1))
