"""Complements of data and metadata, which the code cannot tell."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, StoredKeystreams
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.controller import BlockMappedController
from deadstick.simulate.history import scenario_history
from deadstick.solve.translation.complements import complemented, complements, with_other_metadata
from deadstick.solve.translation.find_translation import find_translation

BLOCK, PERIOD, DISK_BYTES = 128, 24, 4 << 20
LAYOUT = spare_groups(2048 + 112, 4, 512, 4, 20)


@pytest.mark.parametrize("turned_data", [False, True])
def test_numbers_are_looked_for_in_the_complement_of_the_metadata_where_a_volume_lacks_its_files(
    *, turned_data: bool
) -> None:
    """Blocks hold enough of a volume each for one to be seen in the order of the chip, with its files elsewhere.

    Where the data are complements at first and the metadata are not, that is so in the complement of both.
    """
    rng = np.random.default_rng(6)
    seeds = tuple(int(seed) for seed in rng.integers(1, 1 << 15, PERIOD))
    scrambler = Scrambler(
        "before_ecc", "page", LfsrKeystreams(0x8003, seeds), frozenset({Part.DATA}), block_step=BLOCK % PERIOD
    )
    true = Recipe(BLOCK, LAYOUT, Code(13, 0x201B, 12), scrambler, Translation("block", BitField(0, 2), BitField(2, 2)))
    history = scenario_history(2, DISK_BYTES, fill=0.55)
    played = BlockMappedController(true, 2 * DISK_BYTES // (BLOCK * 2048) + 8, 2, bad=1)
    for state in history.states:
        played.write(state)
    space = PageSpace.of(played.chip(rate=5e-5)[0].reshape(-1, LAYOUT.page_bytes), BLOCK)
    turned = with_other_metadata(replace(true, translation=IDENTITY))
    assert turned is not None
    turned = complemented(turned) if turned_data else turned
    found = find_translation(space, turned, PERIOD, BLOCK, silent)
    assert found.numbering is not None
    assert (found.recipe.code, found.recipe.scrambler) == (true.code, true.scrambler)


def stored_around(metadata: bool = False) -> Recipe:
    """A table over the stored codewords, metadata among them; its last keystream is unknown."""
    rng = np.random.default_rng(6)
    streams = StoredKeystreams((rng.bytes(LAYOUT.page_bytes), rng.bytes(LAYOUT.page_bytes), b""))
    covers = frozenset(Part) if metadata else frozenset({Part.DATA, Part.PARITY})
    return Recipe(BLOCK, LAYOUT, Code(13, 0x201B, 12), Scrambler("after_ecc", "column", streams, covers, 0, 1))


def test_a_table_around_metadata_inside_the_codewords_turns_them_without_the_data() -> None:
    recipe, pages = stored_around(), BLOCK * np.arange(2)
    rng = np.random.default_rng(7)
    data = rng.integers(0, 256, (2, LAYOUT.data_bytes), np.uint8)
    metadata = rng.integers(0, 256, (2, LAYOUT.metadata_bytes), np.uint8)
    raw = recipe.encode(data, metadata, pages)
    raw[:, 100] ^= 1
    ways = [other.decode(raw, pages) for other in (recipe, *complements(recipe))]
    assert all((way.errors == [1, 0, 0, 0]).all() for way in ways)
    turned = [((way.data ^ data).tolist(), (way.metadata ^ metadata).tolist()) for way in ways]
    none, ones = [np.full_like(data, value).tolist() for value in (0, 0xFF)]
    bare, filled = [np.full_like(metadata, value).tolist() for value in (0, 0xFF)]
    assert turned == [(none, bare), (none, filled), (ones, filled), (ones, bare)]
    assert all(
        other.scrambler and other.scrambler.keystreams.unknown.tolist() == [0, 0, 1] for other in complements(recipe)
    )


def test_metadata_inside_the_codewords_turn_with_the_data_under_registers_and_under_keystreams_over_them() -> None:
    scrambler = stored_around().scrambler
    assert scrambler is not None
    register = replace(scrambler, keystreams=LfsrKeystreams(0x8003, (1, 2, 3)))
    assert with_other_metadata(replace(stored_around(), scrambler=register)) is None
    assert with_other_metadata(stored_around(metadata=True)) is None
