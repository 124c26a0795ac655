"""Seeds of a register from copies of data under other keystreams of it, where nothing under them is constant.

The sum of two stretches of scrambled data is that of the data and that of the keystreams, and the latter is an output
of the register, too. So stretches of the same data lie in one coset of the register's outputs, whatever their seeds:
a member of the coset that is chosen by rule stands for the data, and what each stretch differs from it by has the
stretch's own seed but for something that belongs to the data. Old copies of blocks lie about on every chip that does
not write in place, and the beginnings of files of one kind are copies, too.

A stretch has many times more bits than a register has stages, so no accident puts other data into the coset.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.spread import evenly
from deadstick.solve.seeds.biased_bits import PATTERNS

STRETCH, MOST_STRETCHES = 32, 64
"""Bytes that are compared, and how many such stretches of a page."""
FEWEST, CLEARLY = 2, 2
"""Different data that must tell the same seed, and how many times as many as tell another one."""
CHUNK = 4096

Bytes = NDArray[np.uint8]
Values = NDArray[np.uint64]


def seeds_by_copies(recipe: Recipe, rows: Bytes, pages: NDArray[np.int64]) -> dict[int, int]:
    """Seeds of keystreams, from data that lie under a known keystream elsewhere.

    Args:
        recipe: with a scrambler that runs on a register; a seed of 0 where it is missing.
        rows: `uint8[pages, data_bytes]`, data as the keystream left them: corrected ones under a scrambler before the
            ECC, those as read under one behind it.
        pages: `int64[pages]`, their numbers.

    Returns:
        Number -> seed. Empty for a register whose output may be such a pattern as data have themselves.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams) or not len(rows):
        return {}
    keystreams = scrambler.keystreams
    missing = keystreams.unknown
    if gf2poly.gcd(keystreams.polynomial, PATTERNS) != 1 or not missing.any() or missing.all():
        return {}
    basis = replace(recipe, scrambler=replace(scrambler, keystreams=keystreams.single_stages)).keys[0]
    under = scrambler.index(pages, recipe.pages_per_block)
    parts = list(_stretches(rows, basis))
    if not parts:
        return {}
    content = np.unique(np.concatenate([data for data, _ in parts]), return_inverse=True)[1]
    apparent = np.concatenate([seeds for _, seeds in parts])
    seeds = _told(content, apparent, np.tile(under, len(parts)), np.array(keystreams.seeds, np.uint64))
    return {number: int(seeds[number]) for number in np.flatnonzero(missing).tolist() if seeds[number]}


def _stretches(rows: Bytes, basis: Bytes) -> Iterator[tuple[NDArray[np.void], Values]]:
    """For some stretches what stands for the data of each row, `void[rows]`, and the seed under which it lies there."""
    for place in evenly(rows.shape[1] // STRETCH, MOST_STRETCHES).tolist():
        here = slice(place * STRETCH, (place + 1) * STRETCH)
        reduced = _reduced(basis[:, here])
        if reduced is None:
            continue
        chunks = [_read(rows[first : first + CHUNK, here], *reduced) for first in range(0, len(rows), CHUNK)]
        data = np.concatenate([one for one, _ in chunks])
        # The same bytes at another place may stand for other data there.
        data = np.column_stack([data, np.full(len(data), place % 256, np.uint8)])
        yield np.ascontiguousarray(data).view(f"V{data.shape[1]}")[:, 0], np.concatenate([seeds for _, seeds in chunks])


def _reduced(basis: Bytes) -> tuple[NDArray[np.int64], Bytes, Values] | None:
    """A basis of the outputs in a stretch, each with a bit that no other one has: Gauss and Jordan.

    Returns:
        `int64[stages]`, the place of that bit; `uint8[stages, bits]`; and `uint64[stages]`, the seed of each. None
        where two seeds have the same output.
    """
    bits = np.unpackbits(basis, axis=1)
    seeds = np.uint64(1) << np.arange(len(bits), dtype=np.uint64)
    pivots = np.zeros(len(bits), np.int64)
    for row in range(len(bits)):
        if not bits[row].any():
            return None
        pivots[row] = bits[row].argmax()
        others = np.flatnonzero(bits[:, pivots[row]])
        others = others[others != row]
        bits[others] ^= bits[row]
        seeds[others] ^= seeds[row]
    return pivots, bits, seeds


def _read(rows: Bytes, pivots: NDArray[np.int64], basis: Bytes, seeds: Values) -> tuple[Bytes, Values]:
    """The member of each row's coset that is zero at the pivots, `uint8[rows, bytes]`, and the seed of the rest."""
    bits = np.unpackbits(rows, axis=1)
    chosen = bits[:, pivots]
    # Sums of at most 64 ones are exact in single precision.
    added = (chosen.astype(np.float32) @ basis.astype(np.float32)).astype(np.uint8) & 1
    apparent = np.bitwise_xor.reduce(np.where(chosen.astype(np.bool_), seeds, np.uint64(0)), axis=1)
    return np.packbits(bits ^ added, axis=1), apparent


def _told(content: NDArray[np.int64], apparent: Values, under: NDArray[np.int64], seeds: Values) -> Values:
    """All seeds that copies of data tell, from those that are known and, in turn, from those that these tell.

    Args:
        content: `int64[stretches]`, equal for the same data.
        apparent: `uint64[stretches]`, the seed of each but for something that belongs to the data.
        under: `int64[stretches]`, the keystream of each.
        seeds: `uint64[keystreams]`, 0 where one is not known.
    """
    seeds = seeds.copy()
    origin, has_origin = np.zeros(int(content.max()) + 1, np.uint64), np.zeros(int(content.max()) + 1, np.bool_)
    while True:
        known = seeds[under] != 0
        origin[content[known]] = apparent[known] ^ seeds[under[known]]
        has_origin[content[known]] = True
        asked = np.flatnonzero(~known & has_origin[content])
        claimed = apparent[asked] ^ origin[content[asked]]
        claims = np.stack([under[asked].astype(np.uint64), claimed, content[asked].astype(np.uint64)], axis=1)
        told = dict(_agreed(np.unique(claims, axis=0)))
        if not told:
            return seeds
        for number, seed in told.items():
            seeds[number] = seed


def _agreed(claims: Values) -> Iterator[tuple[int, int]]:
    """(number, seed) where enough different data say so; `uint64[claims, 3]`: number, seed, data."""
    for number in np.unique(claims[:, 0]).tolist():
        said, votes = np.unique(claims[claims[:, 0] == number, 1], return_counts=True)
        best = int(votes.argmax())
        others = int(np.delete(votes, best).max(initial=0))
        if said[best] and votes[best] >= max(FEWEST, CLEARLY * others):
            yield int(number), int(said[best])
