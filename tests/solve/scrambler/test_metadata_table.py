"""Metadata under a table of keystreams, known but for a constant."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Place, Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.scrambler.metadata_table import (
    has_open_metadata,
    with_aligned_metadata,
    with_number_zero,
    with_told_number,
)

BLOCK, BLOCKS = 16, 20
LAYOUT = spare_groups(2048 + 128, 2, 1024, 8, 28)
CODE = Code(14, 0x402B, 16)
PAGES = np.arange(BLOCK * BLOCKS)


def metadata_of_pages() -> np.ndarray:
    """Numbers of blocks in the first codeword's metadata, filler in the second's."""
    rng = np.random.default_rng(5)
    metadata = np.full((len(PAGES), 16), 0xA5, np.uint8)
    metadata[:, 2] = rng.permutation(BLOCKS)[PAGES // BLOCK]
    return metadata


def controller(place: Place, page_step: int = 1, block_step: int = 0) -> Recipe:
    rng = np.random.default_rng(6)
    streams = tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(BLOCK))
    covers = frozenset(Part) if place == "after_ecc" else frozenset({Part.DATA, Part.METADATA})
    scrambler = Scrambler(place, "column", StoredKeystreams(streams), covers, page_step, block_step)
    return Recipe(BLOCK, LAYOUT, CODE, scrambler)


def dump(recipe: Recipe) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    data = rng.integers(0, 256, (len(PAGES), 2048), np.uint8)
    first = np.flatnonzero(metadata_of_pages()[::BLOCK, 2] == 0)[0] * BLOCK
    data[first, 510:512] = 0x55, 0xAA
    return recipe.encode(data, metadata_of_pages(), PAGES), data


def without_metadata(recipe: Recipe) -> Recipe:
    """What constant data and the code tell: keystreams that are the true ones but for a codeword without data."""
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, StoredKeystreams)
    rng = np.random.default_rng(8)
    unknown = rng.integers(0, 256, (BLOCK, 16), np.uint8)
    zeros = np.zeros((BLOCK, 2048), np.uint8)
    code = CODE if scrambler.place == "after_ecc" else None
    added = Recipe(1, LAYOUT, code).encode(zeros, unknown, np.arange(BLOCK), filler=0)
    streams = tuple(
        bytes(np.frombuffer(stream, np.uint8) ^ row)
        for stream, row in zip(scrambler.keystreams.streams, added, strict=True)
    )
    return replace(recipe, scrambler=replace(scrambler, keystreams=StoredKeystreams(streams)))


@pytest.mark.parametrize("place", ["after_ecc", "before_ecc"])
def test_neighbours_align_the_keystreams_but_for_a_constant(place: Place) -> None:
    recipe = controller(place)
    raw, data = dump(recipe)
    aligned = with_aligned_metadata(without_metadata(recipe), raw, PAGES)
    batch = aligned.decode(raw, PAGES)
    assert (batch.data == data).all()
    assert (batch.errors == 0).all()
    assert has_open_metadata(aligned)
    constant = batch.metadata ^ metadata_of_pages()
    assert (constant == constant[0]).all()


@pytest.mark.parametrize("place", ["after_ecc", "before_ecc"])
def test_the_block_in_which_a_disk_begins_has_number_zero(place: Place) -> None:
    recipe = controller(place)
    raw, _ = dump(recipe)
    aligned = with_aligned_metadata(without_metadata(recipe), raw, PAGES)
    (zero,) = with_number_zero(PageSpace.of(raw, BLOCK), aligned)
    assert (zero.decode(raw, PAGES).metadata[:, 2] == metadata_of_pages()[:, 2]).all()


def test_keystreams_that_meet_at_borders_of_blocks_alone_are_left_open() -> None:
    """Even blocks have other keystreams than odd ones, and nothing ties the two halves together."""
    rng = np.random.default_rng(9)
    streams = tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(2 * BLOCK))
    scrambler = Scrambler("after_ecc", "column", StoredKeystreams(streams), frozenset(Part), 1, BLOCK)
    recipe = Recipe(BLOCK, LAYOUT, CODE, scrambler)
    raw, _ = dump(recipe)
    assert with_aligned_metadata(recipe, raw, PAGES) == recipe


def test_metadata_that_are_right_already_stay_as_they_are() -> None:
    recipe = controller("after_ecc")
    raw, _ = dump(recipe)
    assert with_aligned_metadata(recipe, raw, PAGES) == recipe


def test_a_boot_sector_tells_its_own_number() -> None:
    """The disk's first block is lost; a volume begins in block 3, and its boot sector says so."""
    true = controller("before_ecc")
    data = np.random.default_rng(9).integers(0, 256, (len(PAGES), 2048), np.uint8)
    blocks = metadata_of_pages()[::BLOCK, 2]
    first = int(np.flatnonzero(blocks == 3)[0]) * BLOCK
    data[first, [0, 510, 511]] = 0xEB, 0x55, 0xAA
    data[first, 28:32] = np.array([3 * BLOCK * 2048 // 512], "<u4").view(np.uint8)
    raw = true.encode(data, metadata_of_pages(), PAGES)
    raw = raw[np.repeat(blocks != 0, BLOCK)]
    space = PageSpace.of(raw, BLOCK)
    found = with_aligned_metadata(without_metadata(true), raw, np.arange(len(raw)))
    zeroed = next(with_number_zero(space, found))
    numbered = replace(zeroed, translation=Translation("block", BitField(2, 1)))
    told = next(with_told_number(space, numbered))
    read = told.decode(raw, np.arange(len(raw))).metadata[::BLOCK, 2]
    assert np.array_equal(read, blocks[blocks != 0])


def test_numbers_of_blocks_alone_make_no_keystream_over_metadata() -> None:
    """Keystreams that go by blocks meet at their borders alone, where the number and nothing else is another."""
    rng = np.random.default_rng(9)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(4)))
    scrambler = Scrambler("before_ecc", "column", streams, frozenset({Part.DATA}), 0, 1)
    recipe = Recipe(BLOCK, LAYOUT, CODE, scrambler)
    metadata = np.full((len(PAGES), 16), 0xA5, np.uint8)
    metadata[:, 2] = 100 + (PAGES // BLOCK) % 2
    raw = recipe.encode(rng.integers(0, 256, (len(PAGES), 2048), np.uint8), metadata, PAGES)
    assert with_aligned_metadata(recipe, raw, PAGES) == recipe


def test_keystreams_with_unknown_ones_all_between_them_are_aligned() -> None:
    """No two known keystreams lie near each other: a page is held against the next ones that decode."""
    truth = controller("after_ecc")
    pages, _ = dump(truth)
    found = without_metadata(truth)
    scrambler = found.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, StoredKeystreams)
    few = tuple(stream if number % 5 == 0 else b"" for number, stream in enumerate(scrambler.keystreams.streams))
    found = replace(found, scrambler=replace(scrambler, keystreams=StoredKeystreams(few)))
    aligned = with_aligned_metadata(found, pages, PAGES)
    known = PAGES[PAGES % BLOCK % 5 == 0]
    metadata = aligned.decode(pages[known], known).metadata
    assert len(np.unique(metadata ^ metadata_of_pages()[known], axis=0)) == 1
