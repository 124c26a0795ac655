"""Keystreams that copies of pages tie to each other."""

import numpy as np
import pytest

from deadstick.recipe.code import BitOrder, Code
from deadstick.recipe.layout import PageLayout, Part, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.keystream import copied_pages
from deadstick.solve.keystream.copied_pages import tied_by_copies
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.stored_keystreams import find_table
from deadstick.solve.seeds.table_recipes import with_data_keystreams, without_keystreams

COUNT, PER_BLOCK, BLOCKS, BYTES = 17, 64, 40, 1024
RULE = Schedule(COUNT, 2, 7, PER_BLOCK, 0, 0)
STREAMS = np.random.default_rng(1).integers(0, 256, (COUNT, BYTES)).astype(np.uint8)


def worn(blank_sectors: float, seed: int = 2) -> np.ndarray:
    """`uint8[pages, BYTES]`: packed data; a third of the blocks are older copies of others."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (BLOCKS, PER_BLOCK, 4, BYTES // 4)).astype(np.uint8)
    data[rng.random(data.shape[:3]) < blank_sectors] = 0
    old = rng.permutation(BLOCKS)[:13]
    data[old] = data[rng.choice(np.setdiff1d(np.arange(BLOCKS), old), 13, replace=False)]
    changed = rng.random((13, PER_BLOCK)) < 0.3
    data[old] = np.where(changed[:, :, None, None], rng.integers(0, 256, data[old].shape, np.uint8), data[old])
    return data.reshape(-1, BYTES)


def test_a_table_without_a_blank_page_follows_from_copies_and_a_few_blank_sectors() -> None:
    data = worn(0.02)
    assert data.reshape(len(data), -1).any(axis=1).all()
    pages = np.arange(len(data))
    rows = data ^ STREAMS[RULE.index(pages)]
    table = find_table(rows, pages, 0, may_be_plain=False, rule=RULE, exact=True)
    assert table is not None
    assert table.known.all()
    assert np.array_equal(table.streams, STREAMS)
    as_read = find_table(rows, pages, 0, may_be_plain=False, rule=RULE)
    assert as_read is not None
    assert not as_read.known.any()


def test_without_blank_sectors_nothing_is_known() -> None:
    data = worn(0.0)
    pages = np.arange(len(data))
    table = find_table(data ^ STREAMS[RULE.index(pages)], pages, 0, may_be_plain=False, rule=RULE, exact=True)
    assert table is not None
    assert not table.known.any()


def test_the_sums_are_those_of_the_keystreams() -> None:
    pages = np.arange(PER_BLOCK * BLOCKS)
    under = RULE.index(pages)
    tied = tied_by_copies(worn(0.0) ^ STREAMS[under], under, np.ones(COUNT, np.bool_))
    assert tied is not None
    firsts = [int(np.flatnonzero(tied.group == group)[0]) for group in tied.group]
    assert np.array_equal(tied.sums ^ tied.sums[firsts], STREAMS ^ STREAMS[firsts])
    assert len(np.unique(tied.group)) == 1


def test_two_pages_with_copies_crosswise_tie_nothing() -> None:
    data = np.random.default_rng(3).integers(0, 256, (2, BYTES)).astype(np.uint8)
    under = np.repeat([0, 1], 2)
    assert tied_by_copies(np.tile(data, (2, 1)) ^ STREAMS[under], under, np.ones(2, np.bool_)) is None


def test_copies_under_one_keystream_tie_nothing() -> None:
    """Two pages and their copies under one keystream, and two others under another: no sum is that of both."""
    data = np.random.default_rng(3).integers(0, 256, (4, BYTES)).astype(np.uint8)
    rows = np.concatenate([data[:2] ^ STREAMS[0], data[:2] ^ STREAMS[0], data[2:] ^ STREAMS[1], data[2:] ^ STREAMS[1]])
    assert tied_by_copies(rows, np.repeat([0, 1], 4), np.ones(2, np.bool_)) is None


@pytest.mark.parametrize("sums", [copied_pages.MOST_SUMS, 1 << 19])
def test_copies_far_back_on_a_large_chip_tie_the_keystream_without_a_blank_page(
    sums: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whole blocks lie under one keystream, and the only copy of one under the last lies behind 8,192 other pages.

    Also where not all pages are looked at: then the same places of all blocks are.
    """
    monkeypatch.setattr(copied_pages, "MOST_SUMS", sums)
    rule, blocks, size = Schedule(COUNT, 0, 1, PER_BLOCK, 0, 0), 10 * COUNT, 64
    data = np.random.default_rng(5).integers(0, 256, (blocks, PER_BLOCK, size)).astype(np.uint8)
    data[np.arange(blocks) % COUNT != COUNT - 1, :8] = 0
    data[-1, 8:] = data[-COUNT, 8:]
    pages = np.arange(blocks * PER_BLOCK)
    streams = STREAMS[:, :size]
    table = find_table(data.reshape(-1, size) ^ streams[rule.index(pages)], pages, 0, rule=rule, exact=True)
    assert table is not None
    assert table.known.all()
    assert np.array_equal(table.streams, streams)


def test_pages_that_differ_in_a_number_alone_are_no_copies() -> None:
    """Numbers 0 to 2 under one keystream, 1 to 3 under another: the sum 3 comes three times, 0 two times."""
    rows = np.zeros((6, BYTES), np.uint8)
    rows[:, 100] = 0, 1, 2, 1, 2, 3
    under = np.repeat([0, 1], 3)
    assert tied_by_copies(rows ^ STREAMS[under], under, np.ones(2, np.bool_)) is None


@pytest.mark.parametrize("order", ["msb", "lsb"])
@pytest.mark.parametrize("layout", [spare_groups(1024 + 64, 2, 512, 2, 26), in_line(1100, 2, 512, 3, 26)])
def test_without_a_word_of_plaintext_all_pages_decode(order: BitOrder, layout: PageLayout) -> None:
    """To data that differ from the true ones by a keystream; with these the recipe is whole."""
    rng = np.random.default_rng(4)
    code = Code(13, 0x201B, 16, bit_order=order)
    streams = StoredKeystreams(tuple(rng.bytes(layout.page_bytes) for _ in range(COUNT)))
    true = Recipe(PER_BLOCK, layout, code, Scrambler("after_ecc", "page", streams, frozenset(Part), 2, 7))
    data, pages = worn(0.02), np.arange(PER_BLOCK * BLOCKS)
    raw = true.encode(data, rng.integers(0, 256, (len(data), true.layout.metadata_bytes), np.uint8), pages)
    raw ^= np.packbits(rng.random((len(raw), 8 * raw.shape[1]), np.float32) < 5e-4, axis=1)
    bare = without_keystreams(Recipe(1, true.layout, code), RULE, raw, pages)
    assert bare is not None
    decoded = bare.decode(raw, pages)
    assert (decoded.errors >= 0).all()
    table = find_table(decoded.data, pages, 0, may_be_plain=False, rule=RULE, exact=True)
    assert table is not None
    found = with_data_keystreams(bare, table).decode(raw, pages)
    assert (found.errors >= 0).all()
    assert np.array_equal(found.data, data)
