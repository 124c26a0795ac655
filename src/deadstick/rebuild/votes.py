"""What the pages of a block agree on: the value of a field in their metadata bytes, and whether that is sure."""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.translation import BitField

CHANCE_LIMIT = 1e-6
"""Greatest chance, over the whole dump, that unprotected fields agree by accident where we call a vote sure."""


@dataclass(frozen=True, slots=True)
class Vote:
    """Outcome of a vote.

    Attributes:
        value: what most of the pages with a say hold.
        agreeing: how many pages hold it.
        sure: whether it is beyond doubt.
    """

    value: int
    agreeing: int
    sure: bool


def vote(values: NDArray[np.int64], exact: NDArray[np.bool_], width: int, blocks: int) -> Vote:
    """Let the pages of one block vote on a field.

    Where the field lies in codewords that are beyond doubt, only those pages vote, and the outcome is sure if they
    all agree. Otherwise all vote, each with the field as it was read: bit errors scatter the values, so k equal
    ones among n speak for themselves. That so many agree by accident has a chance of at most C(n, k) 2^(-w (k-1))
    for a field of w bits; times the blocks of the dump it must stay below `CHANCE_LIMIT`, and the runner-up must
    have at most half as many votes.

    Args:
        values: `int64[pages]`, at least one.
        exact: `bool[pages]`: the codewords that hold the field are EXACT.
        width: bits of the field.
        blocks: how many blocks vote in this dump.

    >>> vote(np.array([7, 7, 7, 3]), np.array([False] * 4), 16, 1024)
    Vote(value=7, agreeing=3, sure=True)
    >>> vote(np.array([7, 7, 7, 3]), np.array([False, False, False, True]), 16, 1024)
    Vote(value=3, agreeing=1, sure=True)
    """
    electors = values[exact] if exact.any() else values
    numbers, counts = np.unique(electors, return_counts=True)
    ranking = np.argsort(-counts, kind="stable")
    best = int(counts[ranking[0]])
    if exact.any():
        sure = len(numbers) == 1
    else:
        runner_up = int(counts[ranking[1]]) if len(numbers) > 1 else 0
        chance = blocks * comb(len(electors), best) * 2.0 ** (-width * (best - 1))
        sure = chance < CHANCE_LIMIT and 2 * runner_up <= best
    return Vote(int(numbers[ranking[0]]), best, sure)


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
