"""What the columns of the spare area tell about the layout, before any code is known.

Between two pages with different data every parity bit differs with probability one half, whatever the code. Unused
columns, filler and most metadata bytes differ far less often. So in differences of pages the parity groups stand out as
runs of columns with a density of ones of one half, and their starts and lengths leave few places for the first
codeword. (Sicot and Houcke, "Blind detection of interleaver parameters", ICASSP 2005, find lengths from the rank of
stacked rows; parity over thousands of bits with bit errors leaves no rank deficiency, while densities bear the errors.)
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

PARITY_DENSITY = 0.42
FEWEST_COLUMNS = 4
MOST_METADATA, MOST_DENSE = 24, 4
"""Bytes of metadata in a codeword, and those of them that numbers of blocks make as dense as parity. All are as dense
that are scrambled."""
MARGIN = 1
"""Bytes by which a run may be shorter than the parity: its last byte may hold few bits of it."""


class Place(NamedTuple):
    """Where what follows a message lies, and how long it may be.

    Attributes:
        first: first column of the tail.
        between: first column of metadata that stand between message and tail in the codeword.
        length: how many; 0 for none.
        shortest: bytes of the tail, at least.
        longest: bytes of the tail, at most.
    """

    first: int
    between: int
    length: int
    shortest: int
    longest: int


@dataclass(frozen=True, slots=True)
class Groups:
    """Parity groups at equal distances in the spare area.

    Attributes:
        first: first parity column of the first group.
        parity: columns of one group.
        count: groups.
    """

    first: int
    parity: int
    count: int


def densities(differences: NDArray[np.uint8]) -> NDArray[np.float64]:
    """`float64[columns]`: share of ones in each column of `uint8[rows, columns]`."""
    ones = np.zeros(differences.shape[1])
    for bit in range(8):
        ones += (differences >> bit & 1).mean(axis=0)
    return ones / 8


def parity_runs(density: NDArray[np.float64], data: int) -> list[tuple[int, int]]:
    """(first column, columns) of every run of dense columns in the spare area.

    >>> density = np.array([0.5, 0.5, 0.1, 0.5, 0.5, 0.5, 0.5, 0.0, 0.5, 0.5, 0.5, 0.5])
    >>> parity_runs(density, 2)
    [(3, 4), (8, 4)]
    """
    dense = np.r_[False, density[data:] > PARITY_DENSITY, False].astype(np.int8)
    edges = np.flatnonzero(np.diff(dense))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(data + first, last - first) for first, last in pairs if last - first >= FEWEST_COLUMNS]


def groups(runs: list[tuple[int, int]], codewords: int) -> list[Groups]:
    """Ways to see the runs as the parity of so many codewords, the most regular first."""
    if not runs:
        return []
    found = []
    if len(runs) == 1 or codewords == 1:
        first, length = runs[0]
        for count in {1, codewords}:
            found += [Groups(first, parity, codewords) for parity in {length // count, -(-length // count)}]
        return found
    lengths = [length for _, length in runs]
    usual = max(set(lengths), key=lengths.count)
    starts = [first for first, length in runs if length == usual]
    steps = np.diff(starts).tolist()
    if steps:
        # The first group may touch metadata as dense as parity: the others tell where it begins.
        step = max(set(steps), key=steps.count)
        counted = starts[-1] - (codewords - 1) * step
        if counted >= runs[0][0]:
            found.append(Groups(counted, usual, codewords))
        begin = starts[0] - step * ((starts[0] - runs[0][0] + step // 2) // step)
        found.append(Groups(begin, usual, codewords))
    found.append(Groups(runs[0][0], usual, codewords))
    total = runs[-1][0] + runs[-1][1] - runs[0][0]
    found.append(Groups(runs[0][0], total // codewords, codewords))
    return list(dict.fromkeys(found))


def _behind_dense_metadata(found: list[Groups]) -> list[Place]:
    """Gathered parity behind metadata that are as dense as it, as scrambled ones are: the run holds both."""
    whole = sorted((group for group in found if group.count > 1), key=lambda group: group.parity)
    return [
        Place(
            group.first + group.count * length,
            group.first,
            length,
            group.parity - length - MARGIN,
            group.parity - length + MARGIN + 1,
        )
        for group in whole[:1]
        for length in range(1, min(MOST_METADATA, group.parity - FEWEST_COLUMNS) + 1)
    ]


def fitting(found: list[Groups], page_bytes: int) -> list[Groups]:
    """Those whose parity has room in a page, all codewords taken together."""
    return [group for group in found if group.first + group.count * (group.parity - MARGIN) <= page_bytes]


def places(found: list[Groups], data: int) -> list[Place]:
    """Places of the first codeword's tail that the groups leave.

    Covered metadata stand before the parity of their group or before all parity; metadata outside the cover and unused
    bytes stand there too, so every number of bytes is tried. A number of the block, which is another in every row where
    pages of the same block are never compared, is as dense as parity, and the run begins with it.

    >>> some = places([Groups(2048 + 7, 102, 16)], 2048)
    >>> Place(2048 + 7 + 3, 0, 0, 98, 101) in some
    True
    """
    tried: list[Place] = []
    for number, group in enumerate(found):
        if group.parity < FEWEST_COLUMNS:
            continue
        low, high = group.parity - MARGIN, group.parity + MARGIN + 1
        for length in range(1, MOST_METADATA + 1):
            # Metadata of all codewords end where the parity begins, as far as the likelier place tells.
            begins = dict.fromkeys((group.first - group.count * length, data))
            tried += [
                Place(group.first, between, length, low, high)
                for between in begins
                if data <= between and between + length <= group.first
            ]
        extras = range(min(MOST_METADATA, group.first - data) + 1)
        tried += [Place(group.first - extra, 0, 0, low + extra, high + extra) for extra in extras]
        most = 0 if group.count == 1 else MOST_DENSE if number else MOST_METADATA
        dense = range(1, min(most, group.parity - FEWEST_COLUMNS) + 1)
        tried += [Place(group.first + extra, 0, 0, low - extra, high - extra) for extra in dense]
    return list(dict.fromkeys([*tried, *_behind_dense_metadata(found)]))
