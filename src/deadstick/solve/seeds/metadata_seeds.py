"""Seeds from metadata, for keystreams under which no data are constant.

Most metadata of a page are those of the pages before and behind it: numbers of the block, counts, filler. Where a
scrambler before the ECC covers them, they are known plaintext under a keystream whose seed is missing, as soon as the
neighbours' seeds are known. Every bit is a linear equation for the seed.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import LOST
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.spread import evenly

SURPLUS = 32
"""Equations beyond the unknowns: what holds in all of them is an accident with the chance 2 to the minus that."""
MOST_PAGES, FEWEST_PAGES = 24, 3
SHARE = 0.8
"""Share of the pages under a keystream that must say the same of a byte of it."""


def seeds_by_metadata(recipe: Recipe, pages: NDArray[np.uint8], written: NDArray[np.int64]) -> dict[int, int]:
    """Seeds of keystreams, from the metadata of the pages under them and of their neighbours.

    Args:
        recipe: with a scrambler before the ECC that runs on a register, no complement of it; a seed of 0 where it is
            missing.
        pages: `uint8[pages, page_bytes]`, as read, from page 0 on.
        written: `int64[]`, which of them are not erased, ascending.

    Returns:
        Number -> seed, as far as the equations tell one.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return {}
    keystreams = scrambler.keystreams
    if Part.METADATA not in scrambler.covers or keystreams.complement:
        return {}
    under = scrambler.index(written, recipe.pages_per_block)
    is_known = ~keystreams.unknown[under]
    if is_known.all() or is_known.sum() < 2 or 8 * recipe.layout.metadata_bytes < _needed(keystreams):
        return {}
    basis = _basis(recipe, scrambler, keystreams)
    known = written[is_known]
    found = {}
    for number in np.flatnonzero(keystreams.unknown).tolist():
        own = written[under == number]
        own = own[evenly(len(own), MOST_PAGES)]
        if len(own) < FEWEST_PAGES:
            continue
        # The first and the last page of a block have one neighbour in it.
        ways = (_keystream(recipe, pages, own, known, sides) for sides in ((0, 1), (0,), (1,)))
        seed = next(filter(None, (_solved(basis, *way, _needed(keystreams)) for way in ways)), None)
        if seed is not None:
            found[number] = seed
    return found


def _needed(keystreams: LfsrKeystreams) -> int:
    return keystreams.polynomial.bit_length() - 1 + SURPLUS


def _basis(recipe: Recipe, scrambler: Scrambler, keystreams: LfsrKeystreams) -> NDArray[np.uint8]:
    """`uint8[stages, metadata_bytes]`: what each bit of a seed adds to the metadata."""
    return replace(recipe, scrambler=replace(scrambler, keystreams=keystreams.single_stages)).keys[1]


def _keystream(
    recipe: Recipe,
    pages: NDArray[np.uint8],
    own: NDArray[np.int64],
    known: NDArray[np.int64],
    sides: tuple[int, ...],
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """`uint8[metadata_bytes]` and `bool[metadata_bytes]`: the keystream over the metadata, and where it is sure.

    Args:
        recipe: see `seeds_by_metadata`; so are the pages.
        pages: as read.
        own: `int64[]`, pages under the keystream.
        known: `int64[]`, pages under keystreams that are known.
        sides: which neighbours foretell the metadata, 0 for the one before and 1 for the one behind; if both, they
            must agree.
    """
    place = np.searchsorted(known, own).clip(1, len(known) - 1)
    batch = recipe.decode(pages[own], own)
    neighbours = [(known[place - 1], known[place])[side] for side in sides]
    beside = [recipe.decode(pages[numbers], numbers) for numbers in neighbours]
    tells = np.ones(batch.metadata.shape, np.bool_)
    tells[(batch.errors == LOST).any(axis=1)] = False
    for one in beside:
        tells[(one.errors < 0).any(axis=1)] = False
        tells &= one.metadata == beside[0].metadata
    streams = batch.metadata ^ beside[0].metadata
    stream = np.zeros(streams.shape[1], np.uint8)
    sure = np.zeros(streams.shape[1], np.bool_)
    for column, (values, telling) in enumerate(zip(streams.T, tells.T, strict=True)):
        counts = np.bincount(values[telling], minlength=256)
        stream[column] = counts.argmax()
        sure[column] = counts.sum() >= FEWEST_PAGES and counts.max() >= SHARE * counts.sum()
    return stream, sure


def _solved(basis: NDArray[np.uint8], stream: NDArray[np.uint8], sure: NDArray[np.bool_], needed: int) -> int | None:
    if 8 * int(sure.sum()) < needed:
        return None
    system = LinearSystem([int.from_bytes(row[sure].tobytes(), "big") for row in basis])
    return system.solve(int.from_bytes(stream[sure].tobytes(), "big"))
