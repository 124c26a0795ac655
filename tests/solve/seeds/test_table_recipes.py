"""Keystreams over stored codewords, up to a codeword each, by what remainder words have."""

import numpy as np

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.seeds.table_recipes import without_keystreams

LAYOUT, CODE = spare_groups(2048 + 128, 2, 1024, 4, 56), Code(14, 0x402B, 32)
PER_BLOCK, COUNT = 12, 2


def test_a_trial_block_without_errors_does_not_outvote_worn_data_under_the_same_keystream() -> None:
    rng = np.random.default_rng(1)
    pages = np.arange(10 * PER_BLOCK)
    streams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(COUNT)))
    scrambler = Scrambler("after_ecc", "column", streams, frozenset(Part), 0, 1)
    data = rng.integers(0, 256, (len(pages), LAYOUT.data_bytes), np.uint8)
    metadata = rng.integers(0, 256, (len(pages), LAYOUT.metadata_bytes), np.uint8)
    raw = Recipe(PER_BLOCK, LAYOUT, CODE, scrambler).encode(data, metadata, pages)
    raw ^= np.packbits(rng.random((len(raw), 8 * raw.shape[1])) < 1e-3, axis=1)
    trial = np.asarray(pages // PER_BLOCK == 4)
    raw[trial] = 0x55
    rule = Schedule(COUNT, 0, 1, PER_BLOCK, 0, 0)
    bare = without_keystreams(Recipe(1, LAYOUT, CODE), rule, raw, pages)
    assert bare is not None
    good = np.asarray((bare.decode(raw, pages).errors >= 0).all(axis=1))
    assert good[~trial].all()
    assert not good[trial].any()
