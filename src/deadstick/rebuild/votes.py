"""What the pages of a block agree on: the value of a field in their metadata bytes, and whether that is sure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.translation import BitField

CHANCE_LIMIT = 1e-6
"""Greatest chance, over the whole dump, that a vote of unprotected fields is wrong where we call it sure."""
_LIKELY = 0.1
"""Greatest chance that the vote of one block is wrong where its claim is heard at all."""


@dataclass(frozen=True, slots=True)
class Vote:
    """Outcome of a vote.

    Attributes:
        value: what most of the pages with a say hold.
        agreeing: how many pages hold it.
        sure: whether it is beyond doubt.
        likely: whether it is at least not a mere guess.
    """

    value: int
    agreeing: int
    sure: bool
    likely: bool = True


def vote(values: NDArray[np.int64], exact: NDArray[np.bool_], width: int, blocks: int) -> Vote:
    """Let the pages of one block vote on a field.

    Where the field lies in codewords that are beyond doubt, only those pages vote, and the outcome is sure if they
    all agree. Otherwise all vote, each with the field as it was read, bit by bit (`_as_read`).

    Args:
        values: `int64[pages]`, at least one.
        exact: `bool[pages]`: the codewords that hold the field are EXACT.
        width: bits of the field.
        blocks: how many blocks vote in this dump.

    >>> vote(np.array([7] * 8 + [3]), np.array([False] * 9), 16, 1024)
    Vote(value=7, agreeing=8, sure=True, likely=True)
    >>> vote(np.array([7] * 8 + [3]), np.array([False] * 8 + [True]), 16, 1024)
    Vote(value=3, agreeing=1, sure=True, likely=True)
    """
    if exact.any():
        numbers, counts = np.unique(values[exact], return_counts=True)
        return Vote(int(numbers[counts.argmax()]), int(counts.max()), len(numbers) == 1)
    bits = values[:, None] >> np.arange(width) & 1
    ones = bits.sum(axis=0)
    value = int((2 * ones > len(values)) @ (1 << np.arange(width)))
    sure, likely = _as_read(ones, len(values), blocks)
    return Vote(value, int((values == value).sum()), sure, likely)


def _as_read(ones: NDArray[np.int64], pages: int, blocks: int) -> tuple[bool, bool]:
    """Whether the majority of each bit is beyond doubt, and whether it is likely, if bit errors set the pages at odds.

    With q the share of bits in the minority, the odds that a bit is wrong are (q / (1 - q))^margin, the margin being
    the votes for the majority less those against it. The sum over the bits, times the blocks of the dump, must stay
    below `CHANCE_LIMIT`. Noise has small margins and q near a half, so it never passes. A bit whose minority is far
    larger than q explains shows pages that were written with different values: not sure either.
    """
    minority = np.minimum(ones, pages - ones)
    share = (minority.sum() + 0.5) / (pages * len(ones) + 1)
    odds = (share / (1 - share)) ** (pages - 2 * minority)
    explained = pages * share + 4 * np.sqrt(pages * share) + 2
    sure = odds.sum() * blocks < CHANCE_LIMIT and minority.max() <= explained
    return bool(sure), bool(odds.sum() < _LIKELY)


def field_width(field: BitField) -> int:
    """Bits of a field, from its lowest to its highest masked-in bit."""
    return (_mask(field) >> _shift(field)).bit_length()


def field_values(field: BitField, metadata: NDArray[np.uint8]) -> NDArray[np.int64]:
    """`int64[pages]`: the field of each page, counted from its lowest masked-in bit."""
    return field.read(metadata) >> _shift(field)


def field_is_exact(field: BitField, table: PageTable, layout: PageLayout) -> NDArray[np.bool_]:
    """`bool[pages]`: whether every codeword that holds a part of the field is EXACT; false for loose bytes."""
    owners = _owners(layout)[field.first_byte : field.first_byte + field.length]
    if (owners < 0).any() or not len(owners):
        return np.zeros(len(table), np.bool_)
    exact: NDArray[np.bool_] = (table.states[:, np.unique(owners)] == SectorState.EXACT).all(axis=1)
    return exact


def _owners(layout: PageLayout) -> NDArray[np.int64]:
    """`int64[metadata_bytes, 2]`: first and last codeword of each metadata byte, -1 for bits outside the code."""
    owners = np.full(8 * layout.metadata_bytes, -1, np.int64)
    for number in range(len(layout.codewords)):
        for target in layout.targets[number]:
            if target.part is Part.METADATA:
                owners[target.first : target.first + target.bits] = number
    owners[layout.metadata_bits :] = owners[layout.metadata_bits - 1] if layout.metadata_bits else -1
    return np.stack([owners.reshape(-1, 8).min(axis=1), owners.reshape(-1, 8).max(axis=1)], axis=1)


def _mask(field: BitField) -> int:
    return field.mask & ((1 << 8 * field.length) - 1)


def _shift(field: BitField) -> int:
    mask = _mask(field)
    return (mask & -mask).bit_length() - 1 if mask else 0
