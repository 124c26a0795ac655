"""The bytes of a keystream by the votes of all pages under it, place by place.

Under one keystream the most frequent byte of a column is that of the keystream wherever zeros are the most frequent
data, as in free space. (Zeros or ones: the volume tells later.) Pages that have it around a place speak for it there
once more, alone.

The beginnings of files of one kind are alike, too, and may be more frequent than zeros where data are packed. But they
end somewhere in a sector, where other pages begin to speak for the stream; zeros before that would go on. So in a
sector the pages that speak for a place must also speak for the next one.
"""

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from deadstick.files.content import SIGNATURES

FEWEST_SUPPORTERS = 3
SUPPORT = 0.5
"""Share of the sure places around a place at which a page must have the keystream bare, to speak for it there."""
AROUND = 32
FEWEST_AROUND = 8
ROUNDS = 64
SURE = 0.3
"""Share of the places that must be sure before pages are told from each other by them."""
CLEARLY = 2
SECTOR = 512 // 8
"""Places of a sector, within which what follows a file is zero to the end. (Sectors of 512 bytes: common practice, no
source.)"""
BORDERS = 256 // 8
"""Places after which other pages may begin to speak for a stream: codewords of 256 bytes may be blank one by one."""
GO_ON = 0.5
"""Share of the pages that speak for the one of two places for which fewer do, that must speak for both."""
HEADS = 4
"""Times as many zeros as beginnings of files of one kind, where there are no others."""
TRUSTED = 0.7
"""Share of the places that one stretch without a seam must have, for the others to be voted on again."""
MENDED = 2
"""Times that this is done."""


def voted_stream(rows: NDArray[np.uint8], pieces: int, need: int) -> tuple[NDArray[np.uint8], float] | None:
    """A keystream and the share of the rows that have it, or None where some of it was not seen often enough.

    Args:
        rows: `uint8[pages, data_bytes]`, under one keystream.
        pieces: codewords in a page, at each of which the keystream may start anew.
        need: votes that are more than copies of one page of data could have.
    """
    whole = supported_stream(rows, need)
    if whole is not None or pieces == 1:
        return whole
    piece = supported_stream(rows.reshape(len(rows) * pieces, -1), need)
    if piece is None:
        return None
    return (np.tile(piece[0], pieces), piece[1]) if _starts_anew(rows, pieces, piece[0]) else None


def _starts_anew(rows: NDArray[np.uint8], pieces: int, piece: NDArray[np.uint8]) -> bool:
    """Whether every codeword shows one and the same piece, and every stretch of it.

    Under a keystream that goes on, each codeword has a piece of its own. Where one sector is blank most often in the
    first codeword, and another one in the second, the vote is half of the one and half of the other, with the seam
    where none is looked for: each codeword has half of it, and none the whole. One page is enough to show a stretch, as
    no codeword has that of another by accident.

    Args:
        rows: `uint8[pages, data_bytes]`, under one keystream.
        pieces: codewords in a page.
        piece: `uint8[data_bytes / pieces]`, the vote of all codewords.
    """
    same = (rows.reshape(len(rows), pieces, -1, 8) == piece.reshape(-1, 8)).all(axis=3)
    first = np.arange(0, same.shape[2], BORDERS)
    length = np.diff(np.r_[first, same.shape[2]])
    shown = (np.add.reduceat(same, first, axis=2, dtype=np.int64) >= SUPPORT * length).any(axis=0)
    supporters = (same.mean(axis=2) >= SUPPORT).sum(axis=0)
    return bool(shown.all() and (supporters >= FEWEST_SUPPORTERS).all())


def supported_stream(rows: NDArray[np.uint8], need: int) -> tuple[NDArray[np.uint8], float] | None:
    """The vote of all rows, then that of the rows that agree with it around each place.

    Args:
        rows: `uint8[rows, columns]`, under one keystream, columns a multiple of eight.
        need: votes that make a place sure in the first vote.

    Returns:
        The keystream, `uint8[columns]`, and the share of the rows that have it; None where some places are not sure.
    """
    stream, votes, second = most_frequent(rows)
    sure = (votes >= need) & (votes > second)
    if sure.mean() < SURE:
        return None
    for _ in range(MENDED + 1):
        stream, votes, sure = _spread(rows, stream, votes, sure)
        if not sure.all():
            return None
        sure = ~behind_seams(rows, stream)
        if sure.all():
            return None if may_be_heads(rows, stream) else (stream, float(votes.mean()) / len(rows))
        if sure.mean() < TRUSTED:
            return None
    return None


def _spread(
    rows: NDArray[np.uint8], stream: NDArray[np.uint8], votes: NDArray[np.int64], sure: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.bool_]]:
    """The vote of the rows that agree with sure places, from these to those beside them, as far as that goes."""
    before = 0
    for _ in range(ROUNDS):
        if sure.all() or sure.sum() <= before:
            break
        before = int(sure.sum())
        same = (rows.reshape(len(rows), -1, 8) == stream.reshape(-1, 8)).all(axis=2)
        near = _around(same & sure) >= np.maximum(FEWEST_AROUND, SUPPORT * _around(sure[None]))
        stream, votes, second = most_frequent(np.where(np.repeat(near, 8, axis=1), rows, 0).astype(np.uint8))
        sure = (votes >= FEWEST_SUPPORTERS) & (votes >= CLEARLY * second)
    return stream, votes, sure


def behind_seams(rows: NDArray[np.uint8], stream: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Places beyond seams, where the pages that have the stream bare at one place of a sector and at the next differ.

    Args:
        rows: `uint8[rows, columns]`, under one keystream, columns a multiple of eight.
        stream: `uint8[columns]`.

    Returns:
        `bool[columns / 8]`: all places but those of the longest stretch without a seam.

    >>> rng = np.random.default_rng(1)
    >>> rows = rng.integers(0, 256, (9, 512), np.uint8)
    >>> stream, head = rng.integers(0, 256, (2, 512), np.uint8)
    >>> rows[:3] = stream
    >>> int(behind_seams(rows, stream).sum())
    0
    >>> rows[3:, :160] = head[:160]
    >>> np.flatnonzero(behind_seams(rows, np.concatenate([head[:160], stream[160:]]))).tolist() == list(range(20))
    True
    """
    same = (rows.reshape(len(rows), -1, 8) == stream.reshape(-1, 8)).all(axis=2)
    counts = same.sum(axis=0)
    both = (same[:, 1:] & same[:, :-1]).sum(axis=0)
    second = np.arange(1, same.shape[1])
    seams = second[(both < GO_ON * np.minimum(counts[1:], counts[:-1])) & (second % BORDERS != 0)]
    borders = np.r_[0, seams, same.shape[1]]
    longest = int(np.diff(borders).argmax())
    apart = np.ones(same.shape[1], np.bool_)
    apart[borders[longest] : borders[longest + 1]] = False
    return apart


def may_be_heads(rows: NDArray[np.uint8], stream: NDArray[np.uint8]) -> bool:
    """Whether what was taken for zeros in the last sector of a page may be the beginning of files of one kind.

    Then the zeros look like such a beginning, and files of all other kinds like nothing. Where a head goes on behind
    the sector there is a seam, see `behind_seams`, but not if the page ends there. Under zeros several kinds of files
    begin, or few by the side of the zeros.

    Args:
        rows: `uint8[rows, columns]`, under one keystream, columns a multiple of eight.
        stream: `uint8[columns]`.
    """
    last = (len(stream) - 1) // (8 * SECTOR) * 8 * SECTOR
    first = rows[:, last : last + 8] ^ stream[last : last + 8]
    zeros = int((first == 0).all(axis=1).sum())
    # The stream may be that of ones, as erased pages and the filler of some hosts are.
    kinds = [_kinds(values) for values in (first, ~first)]
    return any(len(found) == 1 and zeros < HEADS * found.total() for found in kinds)


def _kinds(first: NDArray[np.uint8]) -> Counter[str]:
    """Rows in which a file of each kind begins, from `uint8[rows, 8]`."""
    counts: Counter[str] = Counter()
    for kind, offset, signature in SIGNATURES:
        if offset + len(signature) <= first.shape[1]:
            part = first[:, offset : offset + len(signature)]
            counts[kind] += int((part == np.frombuffer(signature, np.uint8)).all(axis=1).sum())
    return +counts


def _around(places: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many of the places around each are marked: `bool[rows, places]` -> `int64[rows, places]`."""
    sums = np.zeros((len(places), places.shape[1] + 1), np.int64)
    np.cumsum(places, axis=1, out=sums[:, 1:])
    here = np.arange(places.shape[1])
    counts: NDArray[np.int64] = (
        sums[:, np.minimum(here + AROUND + 1, len(here))] - sums[:, np.maximum(here - AROUND, 0)]
    )
    return counts


def most_frequent(rows: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """The most frequent eight bytes of each eight columns, how often they stand there, and how often the next do.

    Eight equal bytes in a row, which no keystream has, are left out.

    Args:
        rows: `uint8[rows, columns]`, columns a multiple of eight.

    Returns:
        `uint8[columns]`, `int64[columns / 8]`, `int64[columns / 8]`.

    >>> rows = np.array([list(range(8)), list(range(8)), [9] * 8, [9] * 8, [9] * 8, [3] * 7 + [5]], np.uint8)
    >>> values, votes, second = most_frequent(rows)
    >>> values.tolist(), votes.tolist(), second.tolist()
    ([0, 1, 2, 3, 4, 5, 6, 7], [2], [1])
    """
    values = np.sort(np.ascontiguousarray(rows).view(np.uint64), axis=0)
    bytes_of = np.ascontiguousarray(values).view(np.uint8).reshape(*values.shape, 8)
    runs = (bytes_of != bytes_of[:, :, :1]).any(axis=2).astype(np.int64)
    for row in range(1, len(values)):
        runs[row] += runs[row - 1] * (values[row] == values[row - 1])
    places = np.arange(values.shape[1])
    last = runs.argmax(axis=0)
    best, votes = values[last, places], runs[last, places]
    second = np.where(values == best, 0, runs).max(axis=0)
    return np.ascontiguousarray(best).view(np.uint8), votes, second
