"""Keystreams of a table from one run of free space, in a volume that is packed but for it."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.answer.complete import GivenPages
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.keystream.blank_runs import with_blank_runs
from deadstick.solve.scrambler.find_scrambler import find_scrambler

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
CODE = Code(14, 0x402B, 32)
COUNT, PER_BLOCK, BLOCKS = 12, 64, 24
FIRST, RUN = 5 * PER_BLOCK + 10, 50


def controller() -> Recipe:
    rng = np.random.default_rng(7)
    keystreams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(COUNT)))
    return Recipe(PER_BLOCK, LAYOUT, CODE, Scrambler("after_ecc", "page", keystreams, frozenset(Part), 1, 3))


def packed(run: int) -> np.ndarray:
    data = np.random.default_rng(3).integers(0, 256, (PER_BLOCK * BLOCKS, 2048), np.uint8)
    data[FIRST : FIRST + run] = 0
    return data


def dump_of(recipe: Recipe, data: np.ndarray, rate: float) -> np.ndarray:
    """As read, with bit errors; the metadata are always the same."""
    rng = np.random.default_rng(8)
    metadata = np.full((len(data), 8), 0x5A, np.uint8)
    raw = recipe.encode(data, metadata, np.arange(len(data)))
    return raw ^ np.packbits(rng.random((len(raw), 8 * raw.shape[1]), np.float32) < rate, axis=1)


@pytest.mark.parametrize("rate", [0.0, 1e-3])
def test_a_run_of_four_pages_a_keystream_tells_every_bit_of_all_of_them(rate: float) -> None:
    """At this rate the majority of three pages has wrong bits; not one may be left in the data of any page."""
    recipe, data = controller(), packed(RUN)
    raw = dump_of(recipe, data, rate)
    found = find_scrambler(GivenPages(Survey(raw.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, COUNT), ())
    assert found is not None
    assert found.recipe.scrambler is not None
    assert found.recipe.scrambler.keystreams.count == COUNT
    batch = found.recipe.decode(raw, np.arange(len(raw)))
    assert (batch.errors >= 0).all()
    assert np.array_equal(batch.data, data)


def test_the_majority_alone_would_not_do() -> None:
    recipe = controller()
    raw = dump_of(recipe, packed(RUN), 2e-3)[:, :1024]
    pages = np.arange(len(raw))
    assert recipe.scrambler is not None
    under = recipe.scrambler.index(pages, PER_BLOCK)
    streams, known = with_blank_runs(raw, pages, under, np.zeros((COUNT, 1024), np.uint8), np.zeros(COUNT, np.bool_))
    true = dump_of(recipe, packed(RUN), 0.0)[FIRST : FIRST + COUNT, :1024]
    assert known.all()
    assert np.bitwise_count(streams[under[FIRST : FIRST + COUNT]] ^ true).any()


def read(rows: np.ndarray, known: np.ndarray | None = None) -> np.ndarray:
    """`bool[COUNT]`: keystreams that follow from pages under the rule "place in the chip"."""
    pages = np.arange(len(rows))
    streams = np.zeros((COUNT, rows.shape[1]), np.uint8)
    none = np.zeros(COUNT, np.bool_)
    return with_blank_runs(rows, pages, pages % COUNT, streams, none if known is None else known)[1]


def random_rows() -> np.ndarray:
    return np.random.default_rng(5).integers(0, 256, (600, 1024), np.uint8)


def test_two_pages_a_keystream_do_where_nearly_all_keystreams_come_again() -> None:
    rows = random_rows()
    rows[100:122] = rows[np.arange(22) % COUNT]
    assert not read(rows).any()
    rows[100:123] = rows[np.arange(23) % COUNT]
    assert read(rows).sum() == COUNT - 1
    rows[100:124] = rows[np.arange(24) % COUNT]
    assert read(rows).all()
    rows[100:136] = rows[np.arange(36) % COUNT]
    assert read(rows).all()


def test_a_block_of_one_page_throughout_is_under_no_keystream() -> None:
    rows = random_rows()
    rows[200:264] = rows[0]
    assert not read(rows).any()


def test_a_run_that_known_keystreams_refute_holds_data() -> None:
    """Under a keystream of zeros, which is known, its pages are not blank."""
    rows = random_rows()
    rows[100:136] = rows[np.arange(36) % COUNT]
    known = np.arange(COUNT) < 4
    assert np.array_equal(read(rows, known), known)
