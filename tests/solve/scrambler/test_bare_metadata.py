"""Metadata that stored keystreams leave alone are seen as they stand, and tell versions without a constant."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams, stream_positions
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.controller import BlockMappedController
from deadstick.simulate.history import History, scenario_history
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.scrambler.bare_metadata import with_bare_metadata
from deadstick.solve.scrambler.metadata_table import has_open_metadata, with_offsets
from deadstick.solve.translation.find_translation import find_translation

BLOCK, STREAMS = 64, 2
LAYOUT = spare_groups(2048 + 112, 4, 512, 4, 20)
DISK_BYTES = 4 << 20
AROUND = frozenset({Part.DATA, Part.PARITY})
EVERYWHERE = frozenset(Part)
CODE = Code(13, 0x201B, 12)
ONES = np.full((1, LAYOUT.metadata_bytes), 0xFF, np.uint8)


def controller(covers: frozenset[Part]) -> Recipe:
    """Every block lies under one of a few keystreams."""
    rng = np.random.default_rng(6)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(STREAMS)))
    scrambler = Scrambler("after_ecc", "column", streams, covers, 0, 1)
    translation = Translation("block", BitField(0, 2), BitField(2, 2))
    return Recipe(BLOCK, LAYOUT, CODE, scrambler, translation)


def as_found(recipe: Recipe) -> Recipe:
    """What data and code tell: keystreams less a codeword, which read metadata as they stand."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    masks = scrambler.masks(LAYOUT)
    columns = Recipe(1, LAYOUT, None).decode(masks, np.arange(STREAMS)).metadata
    streams = StoredKeystreams(tuple(row.tobytes() for row in masks * used()))
    found = replace(scrambler, keystreams=streams, covers=EVERYWHERE)
    return with_offsets(replace(recipe, scrambler=found, translation=IDENTITY), columns)


def used() -> np.ndarray:
    """`bool[page_bytes]`: the columns of data, parity and metadata."""
    blank = np.zeros((1, LAYOUT.data_bytes), np.uint8)
    metadata = Recipe(1, LAYOUT, None).encode(blank, ONES, np.zeros(1, np.int64), filler=0)[0] != 0
    columns: np.ndarray = metadata | (stream_positions(LAYOUT, "column", AROUND) >= 0)
    return columns


@cache
def stick() -> History:
    return scenario_history(3, DISK_BYTES, fill=0.55)


@cache
def dump(covers: frozenset[Part]) -> np.ndarray:
    return played(controller(covers))


def played(recipe: Recipe) -> np.ndarray:
    """Few blocks, and hardly a copy that was filled further since: `uint8[pages, page_bytes]`."""
    stored = BlockMappedController(recipe, 2 * DISK_BYTES // (BLOCK * 2048) + 8, 3, bad=1)
    for state in stick().states:
        stored.write(state)
    return stored.chip(rate=5e-5)[0].reshape(-1, LAYOUT.page_bytes)


def content(pages: PageSpace, found: Recipe) -> bytes:
    """The disk that a recipe makes of pages."""
    physical, size = placed_blocks(pages, found, block_metadata(pages, found)), len(stick().disk)
    return TrialDisk(pages, found, physical).read(0, size).ljust(size, b"\0")


def space(covers: frozenset[Part]) -> PageSpace:
    return PageSpace.of(dump(covers), BLOCK)


def test_versions_are_found_where_keystreams_leave_the_metadata_alone() -> None:
    found = find_translation(space(AROUND), as_found(controller(AROUND)), 0, BLOCK, silent).recipe
    assert found.scrambler is not None
    assert found.scrambler.covers == AROUND
    assert found.translation.version is not None
    assert content(space(AROUND), found) == stick().disk.tobytes()


def test_versions_are_found_where_inverted_pages_leave_the_metadata_in_their_complement() -> None:
    """Constant data show keystreams that hold the inversion of the data, but not that of the metadata."""
    true = replace(controller(AROUND), code=replace(CODE, inverted=True))
    assert true.scrambler is not None
    masks = (true.scrambler.masks(LAYOUT) ^ 0xFF) * used()
    streams = StoredKeystreams(tuple(row.tobytes() for row in masks))
    table = replace(true.scrambler, keystreams=streams, covers=EVERYWHERE)
    bare = with_offsets(
        replace(true, code=CODE, scrambler=table, translation=IDENTITY), np.repeat(ONES, STREAMS, axis=0)
    )
    inverted = PageSpace.of(played(true), BLOCK)
    found = find_translation(inverted, bare, 0, BLOCK, silent).recipe
    assert found.scrambler is not None
    assert found.scrambler.covers == AROUND
    assert found.translation.version is not None
    assert content(inverted, found) == stick().disk.tobytes()


def test_metadata_under_keystreams_stay_open() -> None:
    found = as_found(controller(EVERYWHERE))
    assert has_open_metadata(found)
    pages = np.arange(len(dump(EVERYWHERE)))
    assert (
        found.decode(dump(EVERYWHERE), pages).data == controller(EVERYWHERE).decode(dump(EVERYWHERE), pages).data
    ).all()
    assert with_bare_metadata(space(EVERYWHERE), found) is None


def test_keystreams_with_something_over_the_metadata_are_believed() -> None:
    assert with_bare_metadata(space(EVERYWHERE), controller(EVERYWHERE)) is None
    assert with_bare_metadata(space(AROUND), controller(AROUND)) is None  # nothing is open


@pytest.mark.parametrize("share", [0.0, 0.9])
def test_erased_pages_are_no_metadata_in_common(share: float) -> None:
    raw = dump(EVERYWHERE).copy()
    raw[np.random.default_rng(1).random(len(raw)) < share] = 0xFF
    assert with_bare_metadata(PageSpace.of(raw, BLOCK), as_found(controller(EVERYWHERE))) is None


def test_one_keystream_twice_says_nothing() -> None:
    once = as_found(controller(EVERYWHERE))
    scrambler = once.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, StoredKeystreams)
    twice = replace(once, scrambler=replace(scrambler, keystreams=scrambler.keystreams.take([0, 0])))
    even = np.flatnonzero(np.arange(len(dump(EVERYWHERE))) // BLOCK % 2 == 0)
    raw = np.repeat(dump(EVERYWHERE)[even].reshape(-1, BLOCK, LAYOUT.page_bytes), 2, axis=0)
    assert with_bare_metadata(PageSpace.of(raw.reshape(-1, LAYOUT.page_bytes), BLOCK), twice) is None
