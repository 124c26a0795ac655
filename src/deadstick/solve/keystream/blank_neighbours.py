"""Keystreams that only few pages show bare, told by the pages beside them.

Under a table of keystreams the most frequent content is that of free space, if it is more frequent than copies of one
page of data can be. With few pages under each keystream it is not. But free space is long: a page between two blank
ones, which lie under keystreams that are known, is most likely blank itself. So if nearly all such pages under one
keystream are equal, at places in the volume that are no copies of each other, they are blank, and show their keystream.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly

Bytes = NDArray[np.uint8]

PIECES = 48
"""Stretches of eight bytes of a page that are compared."""
BLANK, ALIKE = 0.7, 0.5
"""Shares of the stretches from which on a page is blank, and two pages may be copies; bit errors spoil some."""
MOST_FLIPS = 8
"""Bits of a stretch that bit errors may change. A page whose beginning holds data differs from a blank one in far more,
and copies of it must not outvote the blank ones there."""
REACH = 8
"""Pages within which the next one under a known keystream must lie, on either side."""
AROUND = 48
"""Pages on either side by which copies of a block are known."""
FEWEST_PLACES, NEARLY_ALL, MOST_LOOKED_AT = 3, 0.8, 12
"""Places that are no copies of each other, and the share of the pages between blank ones that must be equal. Copies of
a page of data between blank ones are one place; the pages that are blank differ from them."""
MOST_ROUNDS = 8


@dataclass(frozen=True)
class _Pages:
    """Pages under a table of keystreams, some of which are known.

    Attributes:
        rows: `uint8[pages, data_bytes]`, scrambled.
        pages: `int64[pages]`, their numbers, ascending.
        under: `int64[pages]`, the keystream of each.
        streams: `uint8[count, data_bytes]`.
        known: `bool[count]`.
    """

    rows: Bytes
    pages: NDArray[np.int64]
    under: NDArray[np.int64]
    streams: Bytes
    known: NDArray[np.bool_]

    @cached_property
    def _columns(self) -> NDArray[np.int64]:
        first = 8 * evenly(self.rows.shape[1] // 8, PIECES)
        return (first[:, None] + np.arange(8)).reshape(-1)

    @cached_property
    def _some(self) -> NDArray[np.uint64]:
        """`uint64[pages, pieces]`."""
        return np.ascontiguousarray(self.rows[:, self._columns]).view(np.uint64)

    @cached_property
    def _ones(self) -> NDArray[np.uint8]:
        """`uint8[pages, pieces]`: ones in each stretch, as far as the keystreams are known."""
        streams = np.ascontiguousarray(self.streams[:, self._columns]).view(np.uint64)
        ones: NDArray[np.uint8] = np.bitwise_count(self._some ^ streams[self.under])
        return ones

    @cached_property
    def is_blank(self) -> NDArray[np.bool_]:
        """`bool[pages]`: pages under known keystreams that hold hardly anything but zeros."""
        blank: NDArray[np.bool_] = ((self._ones == 0).mean(axis=1) > BLANK) & self.known[self.under]
        return blank

    @cached_property
    def _is_zero(self) -> NDArray[np.bool_]:
        """`bool[pages, pieces]`: stretches of zeros but for bit errors, as far as the keystreams are known."""
        zero: NDArray[np.bool_] = self._ones <= MOST_FLIPS
        return zero

    @cached_property
    def _row_of(self) -> NDArray[np.int64]:
        """`int64[page numbers + margin]`: the row of each page; -1 for none."""
        table = np.full(int(self.pages.max()) + AROUND + 1, -1, np.int64)
        table[self.pages] = np.arange(len(self.pages))
        return table

    def _row(self, page: int) -> int:
        return int(self._row_of[page]) if page >= 0 else -1

    def between_blanks(self, number: int) -> NDArray[np.int64]:
        """Rows under a keystream whose next neighbours under known ones are blank on either side."""
        chosen = np.flatnonzero(self.under == number)
        return np.array(
            [row for row in chosen.tolist() if all(self._ends_blank(row, step) for step in (-1, 1))], np.int64
        )

    def beside_zeros(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Those of some rows whose neighbours hold nothing at all, so that no data go on from there."""
        return np.array(
            [row for row in rows.tolist() if all(self._ends_blank(row, step, whole=True) for step in (-1, 1))], np.int64
        )

    def _ends_blank(self, row: int, step: int, *, whole: bool = False) -> bool:
        page = int(self.pages[row])
        for distance in range(1, REACH + 1):
            other = self._row(page + step * distance)
            if other < 0:
                return False
            if self.known[self.under[other]]:
                return bool(self.is_blank[other] and (not whole or self._is_zero[other].all()))
        return False

    def alike(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Those of some rows that hold what most of them do, in every stretch but for bit errors."""
        some = self._some[rows]
        equal = np.bitwise_count(some[:, None] ^ some[None]).max(axis=2) <= MOST_FLIPS
        best: NDArray[np.bool_] = equal[int(equal.sum(axis=1).argmax())]
        chosen: NDArray[np.int64] = rows[best]
        return chosen

    def places(self, rows: NDArray[np.int64]) -> int:
        """How many of some rows lie at places that are no copies of each other."""
        left = rows[:MOST_LOOKED_AT].tolist()
        count = 0
        while left:
            # Whatever is a copy of this one, or of a copy of it, is the same place.
            group = [left.pop()]
            for member in group:
                copies = [row for row in left if not self._are_apart(member, row)]
                group += copies
                left = [row for row in left if row not in copies]
            count += 1
        return count

    def _are_apart(self, one: int, other: int) -> bool:
        """Whether the data around two pages differ, and none of them are the same."""
        differ = False
        for step in range(-AROUND, AROUND + 1):
            a, b = self._row(int(self.pages[one]) + step), self._row(int(self.pages[other]) + step)
            if min(a, b) < 0 or self.under[a] != self.under[b] or not self.known[self.under[a]]:
                continue
            if self.is_blank[a] and self.is_blank[b]:
                continue
            same = np.bitwise_count(self._some[a] ^ self._some[b]) <= MOST_FLIPS
            # The zeros behind the end of a file are those of any blank page, and make no copy of it.
            telling = ~(self._is_zero[a] & self._is_zero[b])
            if (same & telling).sum() > ALIKE * telling.sum():
                return False
            differ |= bool(same.mean() <= ALIKE)
        return differ


def with_blank_neighbours(
    rows: Bytes, pages: NDArray[np.int64], under: NDArray[np.int64], streams: Bytes, known: NDArray[np.bool_]
) -> tuple[Bytes, NDArray[np.bool_]]:
    """Further keystreams, from pages between blank ones.

    Args:
        rows: `uint8[pages, data_bytes]`, scrambled data, as read or corrected.
        pages: `int64[pages]`, ascending.
        under: `int64[pages]`, the keystream of each.
        streams: `uint8[count, data_bytes]`, as far as they are known.
        known: `bool[count]`.

    Returns:
        `uint8[count, data_bytes]` and `bool[count]`, with those that follow.
    """
    if not known.any():
        return streams, known
    for _ in range(MOST_ROUNDS):
        seen = _Pages(rows, pages, under, streams, known)
        found = {
            number: stream
            for number in np.flatnonzero(~known).tolist()
            if (stream := _stream(seen, number)) is not None
        }
        if not found:
            break
        streams, known = streams.copy(), known.copy()
        for number, stream in found.items():
            streams[number], known[number] = stream, True
    return streams, known


def _stream(seen: _Pages, number: int) -> Bytes | None:
    """A keystream, by the majority of each bit in the pages that show it."""
    between = seen.between_blanks(number)
    if len(between) < FEWEST_PLACES:
        return None
    alike = seen.alike(between)
    # Beside a page that holds a little, others may hold more: that they differ says nothing.
    against = seen.beside_zeros(np.setdiff1d(between, alike))
    places = seen.places(alike)
    # However many copies of a page of data lie between blank pages, they object but once.
    is_most = _are_most(len(alike), len(against)) or _are_most(places, seen.places(against))
    return majority(seen.rows[alike]) if is_most and places >= FEWEST_PLACES else None


def _are_most(alike: int, against: int) -> bool:
    return alike >= NEARLY_ALL * (alike + against)


def majority(rows: Bytes) -> Bytes:
    """What most rows say of each bit, of an odd number of them: `uint8[rows, bytes]` -> `uint8[bytes]`.

    >>> majority(np.array([[0b1100], [0b1010], [0b1001]], np.uint8)).tolist()
    [8]
    """
    odd = rows[: len(rows) - 1 + len(rows) % 2]
    ones = np.unpackbits(odd, axis=1).sum(axis=0, dtype=np.int64)
    most: Bytes = np.packbits(2 * ones > len(odd))
    return most
