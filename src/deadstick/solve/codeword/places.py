"""Where the first codeword may lie: a message, metadata of its own somewhere, and a tail of open length.

Places are columns of the heads of rows (`heads.Heads`). Few of them are worth a look: right behind the message, or
where the structure of the spare area shows parity.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.codeword.heads import LONGEST_TAIL, Heads, Tail
from deadstick.solve.codeword.structure import Place
from deadstick.solve.page_size.geometry import MESSAGES

LOW_WEIGHT = 0.04
"""Share of ones, or of zeros, below which a row says nothing: a word of few ones decodes to zero under any code."""


@dataclass(frozen=True, slots=True)
class Places:
    """Hypotheses on the first codeword for one length of message.

    Attributes:
        message: bytes.
        table: `int64[places, 5]`: see `structure.Place`; columns of the heads.
    """

    message: int
    table: NDArray[np.int64]


def telling(rows: NDArray[np.uint8], columns: int = 512) -> NDArray[np.int64]:
    """Numbers of the rows whose first columns are neither nearly all zeros nor nearly all ones."""
    ones = np.bitwise_count(rows[:, :columns]).sum(axis=1, dtype=np.int64) / (8 * min(columns, rows.shape[1]))
    return np.flatnonzero((ones > LOW_WEIGHT) & (ones < 1 - LOW_WEIGHT))


def in_line_places(heads: Heads) -> list[Places]:
    """Everything right behind the message, of any length that the spare area allows."""
    built = []
    for message in MESSAGES:
        longest = heads.longest_tail(message)
        if message + 8 < heads.rows.values.shape[1]:
            built.append(Places(message, np.array([(message, 0, 0, 4, longest)], np.int64)))
    return built


def ending_places(places: Places, runs: Iterable[tuple[int, int]]) -> Places | None:
    """What lies in line and ends where a run of columns does, or a byte off; None where no run ends behind it.

    Args:
        places: in line, for a message that fills the data of a page.
        runs: (first column, columns) in the page.
    """
    (first, _, _, shortest, longest), *_ = places.table.tolist()
    lengths = sorted({start + columns - first for start, columns in runs})
    kept = [(first, 0, 0, length - 1, length + 1) for length in lengths if shortest < length <= longest + 1]
    return Places(places.message, np.array(kept, np.int64)) if kept else None


def longest_run_places(places: Places, runs: Sequence[tuple[int, int]]) -> Places:
    """What is as long as the longest run of columns behind the message, or a byte off.

    Behind metadata or unused bytes that are no part of a codeword alone its parity begins where that run does.

    Args:
        places: in line, for a message that fills the data of a page.
        runs: (first column, columns) in the page.
    """
    (first, _, _, shortest, _), *_ = places.table.tolist()
    start, columns = max(runs, key=itemgetter(1), default=(first, 0))
    kept = [(start, 0, 0, columns - 1, columns + 1)] if start > first and columns > shortest else []
    return Places(places.message, np.array(kept, np.int64).reshape(-1, 5))


def spare_places(heads: Heads, found: Iterable[Place], message: int) -> Places:
    """Places that the structure of the spare area suggests, as columns of the heads."""
    moved = [
        (place.first - heads.cut, place.between - heads.cut if place.length else 0, *place[2:])
        for place in found
        if place.shortest <= LONGEST_TAIL
    ]
    table = np.array(moved, np.int64).reshape(-1, 5)
    first, between, length, shortest = table[:, 0], table[:, 1], table[:, 2], table[:, 3]
    columns = heads.rows.values.shape[1]
    inside = (first >= heads.data) & (first + shortest <= columns)
    inside &= (length == 0) | ((between >= heads.data) & (between + length <= columns))
    return Places(message, table[inside])


def every_place(heads: Heads, message: int) -> Places:
    """Every place that the root test also tries."""
    tails, longest = heads.tails_to_try(message)
    return Places(message, np.array([(*tail, 4, longest) for tail in tails], np.int64))


def tails_of(places: Iterable[Places]) -> dict[int, list[Tail]]:
    """The same places for the root test, which needs no lengths."""
    tails: dict[int, list[Tail]] = {}
    for item in places:
        tails.setdefault(item.message, []).extend(Tail(*row) for row in item.table[:, :3].tolist())
    return {message: list(dict.fromkeys(found)) for message, found in tails.items()}


@dataclass(frozen=True, slots=True)
class Cut:
    """The columns of the heads that a message of one length needs: its own, a tail in line, and the spare area.

    Attributes:
        kept: columns kept of the data.
        data: columns of data in the heads.
    """

    kept: int
    data: int

    @classmethod
    def of(cls, heads: Heads, message: int) -> "Cut":
        """For a length of message."""
        return cls(min(heads.data, message + heads.longest_tail(message) + 1), heads.data)

    def take(self, rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The columns that are kept."""
        return np.concatenate([rows[:, : self.kept], rows[:, self.data :]], axis=1)

    def moved(self, table: NDArray[np.int64]) -> NDArray[np.int64]:
        """Places of the heads as places in these columns."""
        moved = table.copy()
        for column in (0, 1):
            moved[moved[:, column] >= self.data, column] -= self.data - self.kept
        return moved
