"""Keystreams without a rule, from pages that share them."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from deadstick.recipe.code import UNCHECKED, Code
from deadstick.recipe.layout import PageLayout, Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Place, Restart, Scrambler, StoredKeystreams, stream_positions
from deadstick.recipe.toml import from_dict, to_dict
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.keystream.stored_keystreams import find_table, schedules
from deadstick.solve.scrambler.find_scrambler import find_scrambler

LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
CODE = Code(14, 0x402B, 32)
COUNT, PER_BLOCK, BLOCKS = 12, 32, 40
COVERS: dict[Place, frozenset[Part]] = {"after_ecc": frozenset(Part), "before_ecc": frozenset({Part.DATA})}


@dataclass(frozen=True)
class Given:
    """Pages with a known layout and code."""

    survey: Survey
    layout: PageLayout
    code: Code
    lag: int


def table(place: Place, restart: Restart) -> Recipe:
    """An affine rule over random keystreams."""
    rng = np.random.default_rng(7)
    length = int(stream_positions(LAYOUT, restart, COVERS[place]).max()) + 1
    keystreams = StoredKeystreams(tuple(rng.bytes(length) for _ in range(COUNT)))
    return Recipe(PER_BLOCK, LAYOUT, CODE, Scrambler(place, restart, keystreams, COVERS[place], 5, 3))


def half_full(seed: int) -> np.ndarray:
    """Data of pages of which a third are free and a third end with zeros."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (PER_BLOCK * BLOCKS, 2048), np.uint8)
    kind = rng.integers(0, 3, len(data))
    data[kind == 0] = 0
    data[kind == 1, 700:] = 0
    return data


def dump_of(recipe: Recipe, data: np.ndarray, rate: float) -> np.ndarray:
    """As read, with bit errors."""
    rng = np.random.default_rng(8)
    raw = recipe.encode(data, rng.integers(0, 256, (len(data), 8), np.uint8), np.arange(len(data)))
    return raw ^ np.packbits(rng.random((len(raw), 8 * raw.shape[1]), np.float32) < rate, axis=1)


@pytest.mark.parametrize("rate", [0.0, 5e-4])
@pytest.mark.parametrize("place", ["after_ecc", "before_ecc"])
@pytest.mark.parametrize("restart", ["codeword", "page"])
def test_a_table_is_read_off_free_space(place: Place, restart: Restart, rate: float) -> None:
    recipe, data = table(place, restart), half_full(3)
    raw = dump_of(recipe, data, rate)
    found = find_scrambler(Given(Survey(raw.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0), ())
    assert found is not None
    assert found.table is not None
    batch = found.recipe.decode(raw, np.arange(len(raw)))
    assert (batch.errors >= 0).all()
    assert np.array_equal(batch.data, data)


def test_a_keystream_that_is_seen_too_seldom_stays_unknown() -> None:
    recipe, data = table("before_ecc", "page"), half_full(4)
    scrambler = recipe.scrambler
    assert scrambler is not None
    under = scrambler.index(np.arange(len(data)), PER_BLOCK) == 2
    data[under] = np.random.default_rng(5).integers(0, 256, (int(under.sum()), 2048), np.uint8)
    raw = dump_of(recipe, data, 0.0)
    found = find_scrambler(Given(Survey(raw.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0), ())
    assert found is not None
    batch = found.recipe.decode(raw, np.arange(len(raw)))
    assert (batch.errors[under] == UNCHECKED).all()
    assert np.array_equal(batch.data[~under], data[~under])
    assert (batch.errors[~under] == 0).all()


def test_copies_of_data_are_no_keystream() -> None:
    recipe, data = table("before_ecc", "page"), half_full(4)
    scrambler = recipe.scrambler
    assert scrambler is not None
    numbers = scrambler.index(np.arange(len(data)), PER_BLOCK)
    rng = np.random.default_rng(5)
    for number in range(COUNT):
        under = np.flatnonzero(numbers == number)
        copies = rng.choice(under, 6, replace=False)
        if number == 2:
            data[under] = rng.integers(0, 256, (len(under), 2048), np.uint8)
        data[copies] = data[copies[0]] if data[copies[0]].all() else rng.integers(0, 256, 2048, np.uint8)
    raw = dump_of(recipe, data, 0.0)
    found = find_scrambler(Given(Survey(raw.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0), ())
    assert found is not None
    batch = found.recipe.decode(raw, np.arange(len(raw)))
    exact = np.asarray((batch.errors >= 0).all(axis=1))
    assert np.array_equal(batch.data[exact], data[exact])
    assert not exact[numbers == 2].any()
    assert exact[numbers != 2].all()


def test_data_without_a_scrambler_have_no_table() -> None:
    data = half_full(6)
    assert find_table(data, np.arange(len(data)), 0) is None


def test_noise_has_no_table() -> None:
    noise = np.random.default_rng(9).integers(0, 256, (600, 2048), np.uint8)
    found = find_table(noise, np.arange(600), 12)
    assert found is None or not found.known.any()


def test_an_unknown_keystream_is_kept_in_a_file() -> None:
    recipe = table("before_ecc", "page")
    scrambler = recipe.scrambler
    assert scrambler is not None
    assert isinstance(scrambler.keystreams, StoredKeystreams)
    streams = (b"", *scrambler.keystreams.streams[1:])
    changed = replace(recipe, scrambler=replace(scrambler, keystreams=StoredKeystreams(streams)))
    again = from_dict(to_dict(changed))
    assert again == changed
    assert again.scrambler is not None
    assert again.scrambler.keystreams.unknown.tolist() == [True] + [False] * (COUNT - 1)


def test_blocks_that_were_programmed_as_a_trial_do_not_make_the_data_plain() -> None:
    """A fifth of the pages hold one byte throughout; nothing decodes as it stands, so the others are scrambled."""
    rng = np.random.default_rng(6)
    streams = rng.integers(0, 256, (16, 2048), np.uint8)
    rows = rng.integers(0, 256, (400, 2048), np.uint8)
    rows[100:300] = 0
    rows ^= streams[np.arange(400) % 16]
    rows[320:] = 0x5A
    assert find_table(rows, np.arange(400), 0) is None
    found = find_table(rows, np.arange(400), 0, may_be_plain=False)
    assert found is not None
    assert found.schedule.count == 16
    assert np.array_equal(found.streams, streams)


def test_a_rule_that_few_keystreams_obey_by_accident_is_followed_by_that_of_all() -> None:
    """Free pages are many under every fifth keystream and few under the others: those alone have a shorter rule."""
    rng = np.random.default_rng(6)
    pages = np.arange(16 * 120)
    block, place = np.divmod(pages, 16)
    rows = rng.integers(0, 256, (len(pages), 64), np.uint8)
    rows[place < np.where(block % 5 == 0, 14, 3)] = 0
    rows ^= rng.integers(0, 256, (20, 64), np.uint8)[block % 20]
    found = [(rule.count, rule.pages_per_block) for rule in schedules(rows, pages, 0, may_be_plain=False)]
    assert found == [(4, 80), (20, 16)]
    # Nothing repeats in noise, and the period that is known counts.
    noise = rng.integers(0, 256, (400, 64), np.uint8)
    assert [rule.count for rule in schedules(noise, pages[:400], 7, may_be_plain=False)] == [7]
    assert list(schedules(noise, pages[:400], 0, may_be_plain=False)) == []
