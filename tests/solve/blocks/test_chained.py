"""Sectors of allocation tables, and what is blank in them."""

import numpy as np
import pytest
from copies_kit import PAGES, RECIPE, block, written

from deadstick.rebuild.page_space import PageSpace
from deadstick.solve.blocks.chained import chained
from deadstick.solve.blocks.filling import Fillings

ENTRIES = 256 * PAGES


def table(used: int) -> np.ndarray:
    """`uint8[PAGES * 512]`, a FAT of 16-bit entries (fatgen103): files of 20 clusters in so many entries, then none."""
    entries = np.arange(3, 3 + ENTRIES, dtype="<u2")
    entries[19::20] = 0xFFFF  # the end of a file
    entries[used:] = 0
    return entries.view(np.uint8)


@pytest.mark.parametrize("width", ["<u2", "<u4"])
def test_chains_are_seen_in_entries_of_both_widths(width: str) -> None:
    entries = np.arange(1000, 1000 + 4 * 512 // np.dtype(width).itemsize, dtype=width)
    entries[30::31] = np.iinfo(np.dtype(width)).max
    assert chained(entries.view(np.uint8).reshape(2, 1024)).all()


@pytest.mark.parametrize("seed", range(4))
def test_nothing_else_is_taken_for_a_table(seed: int) -> None:
    """Packed data, blank sectors, text, and samples that rise byte by byte; and a few entries are too few."""
    rng = np.random.default_rng(seed)
    ramp = np.arange(512, dtype=np.uint8)
    text = rng.choice(np.frombuffer(b"etaoin shrdlu\r\n", np.uint8), 512)
    few = np.r_[np.arange(3, 10, dtype="<u2").view(np.uint8), np.zeros(498, np.uint8)]
    pages = np.stack([rng.integers(0, 256, 512, np.uint8), np.zeros(512, np.uint8), ramp, text, few])
    assert not chained(pages).any()


def test_bytes_behind_the_last_sector_belong_to_none() -> None:
    page = np.arange(3, 303, dtype="<u2").view(np.uint8)[None]
    assert chained(page)[0].tolist() == [True] * 512 + [False] * 88
    assert not chained(page[:, :100]).any()


@pytest.mark.parametrize("complement", [0x00, 0xFF])
def test_a_file_that_was_deleted_leaves_zeros_in_the_table_alone(complement: int) -> None:
    """Its entries say nothing of the order, and what was filled beside them does."""
    before, after = table(ENTRIES // 2), table(ENTRIES // 3)
    some = [block(data ^ np.uint8(complement), 5, version) for data, version in ((before, 1), (after, 2))]
    fillings = Fillings.of(PageSpace.of(np.concatenate(some), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == fillings.vote(1, 0) == 0
    half = PAGES * 256
    before[half:], after[half:] = written(0.3)[:half], written(0.9)[:half]
    some = [block(data ^ np.uint8(complement), 5, version) for data, version in ((before, 1), (after, 2))]
    fillings = Fillings.of(PageSpace.of(np.concatenate(some), PAGES), RECIPE, 2)
    assert (fillings.vote(0, 1), fillings.vote(1, 0)) == (1, -1)
