"""Seeds and restarts of the scrambler."""

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import UNCHECKED, Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler, stream_positions
from deadstick.solve.keystream.keystream import SURE_HITS, seed_rules
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.page_size.seed_votes import shortest_period
from deadstick.solve.register.register import Hits, Register, find_hits, find_registers
from deadstick.solve.register.register_states import complemented
from deadstick.solve.seeds.seeded import scrambler_of

POLYNOMIAL = 0x8003  # x^15 + x + 1, facts of Linux sunxi_nand.c
LAYOUT = spare_groups(2048 + 128, 2, 1024, 4, 56)
CODE = Code(14, 0x402B, 32)
EVERYTHING = frozenset(Part)


def scrambled_pages(restart: Restart, period: int, seed: int = 3) -> tuple[np.ndarray, tuple[int, ...]]:
    """400 pages, the first half of each of which is free space."""
    rng = np.random.default_rng(seed)
    seeds = tuple(int(value) for value in rng.integers(1, 1 << 15, period))
    recipe = Recipe(period, LAYOUT, CODE, Scrambler("after_ecc", restart, LfsrKeystreams(POLYNOMIAL, seeds)))
    data = rng.integers(0, 256, (400, 2048), np.uint8)
    data[:, 512:1536] = 0
    metadata = np.full((400, 8), 0xFF, np.uint8)
    return recipe.encode(data, metadata, np.arange(400)), seeds


@pytest.mark.parametrize("restart", ["codeword", "page", "column"])
def test_restarts_and_seeds_follow_from_free_space(restart: Restart) -> None:
    pages, seeds = scrambled_pages(restart, 32)
    register = find_registers(pages.reshape(-1))[0]
    assert register.polynomial == POLYNOMIAL
    hits = find_hits(pages.reshape(-1), register)
    page, column = np.divmod(hits.positions, LAYOUT.page_bytes)
    rules = seed_rules(hits, page, column, register, LAYOUT, 0, covers=(EVERYTHING,))
    best = rules[0]
    assert best.period == 32
    assert [best.seeds[number] for number in range(32)] == list(seeds)
    # In data columns of this layout a restart by page and one by column are the same for the first codeword alone.
    assert restart in {rule.restart for rule in rules if rule.seeds == best.seeds}


def test_where_hardly_any_keystream_shows_twice_what_the_code_tells_makes_the_rule() -> None:
    """Bare output in one of 30 pages: most of these are the only ones under their keystream."""
    rng = np.random.default_rng(9)
    truth = Schedule(403, 31, 80, 80, 0, 0)
    seeds = rng.integers(1, 1 << 15, truth.count, np.uint64)
    pages = np.sort(rng.choice(7840, 260, replace=False))
    shown = Lfsr(POLYNOMIAL).keystream(seeds[truth.index(pages)], 512, "lsb")
    register = Register(POLYNOMIAL, "lsb", 100, 100)
    data = rng.integers(0, 256, (260, LAYOUT.page_bytes), np.uint8)
    data[:, :512] = shown
    hits = find_hits(data.reshape(-1), register)
    page, column = np.divmod(hits.positions, LAYOUT.page_bytes)
    asked = (hits, pages[page], column, register, LAYOUT)
    lag = seed_rules(*asked, 13, (EVERYTHING,), fewest=1)
    assert not any(rule.period >= truth.count for rule in lag)
    (rule, *_) = seed_rules(*asked, truth, (EVERYTHING,), fewest=1)
    assert rule.seeds == {number: int(seeds[number]) for number in truth.index(pages).tolist()}


def test_a_block_of_the_controllers_own_does_not_refute_the_rule() -> None:
    pages, seeds = scrambled_pages("page", 32)
    pages[320:384] = scrambled_pages("page", 1, seed=8)[0][320:384]
    register = find_registers(pages.reshape(-1))[0]
    hits = find_hits(pages.reshape(-1), register)
    page, column = np.divmod(hits.positions, LAYOUT.page_bytes)
    # The code checks what a single hit says; without it the whole dump must speak for a rule.
    (rule, *_) = seed_rules(hits, page, column, register, LAYOUT, 0, covers=(EVERYTHING,), fewest=1)
    assert [rule.seeds[number] for number in range(32)] == list(seeds)
    assert not any(rule.period == 32 for rule in seed_rules(hits, page, column, register, LAYOUT, 0, (EVERYTHING,)))


def test_ones_instead_of_zeros_are_no_other_keystream_where_the_register_gives_both() -> None:
    """(x + 1) squared: the complement of every output is output as well, and 0xFF under it looks like another seed."""
    register = Register(gf2poly.multiply(POLYNOMIAL, 0b101), "lsb", 100, 100)
    rng = np.random.default_rng(4)
    seeds = tuple(int(value) for value in rng.integers(1, 1 << register.width, 32))
    keystreams = LfsrKeystreams(register.polynomial, seeds)
    recipe = Recipe(32, LAYOUT, CODE, Scrambler("after_ecc", "page", keystreams))
    data = rng.integers(0, 256, (400, 2048), np.uint8)
    data[:, 512:1024] = 0
    data[::2, 1024:1536] = 0xFF
    pages = recipe.encode(data, np.full((400, 8), 0xFF, np.uint8), np.arange(400))
    hits = find_hits(pages.reshape(-1), register)
    page, column = np.divmod(hits.positions, LAYOUT.page_bytes)
    rule = seed_rules(hits, page, column, register, LAYOUT, 0, covers=(EVERYTHING,))[0]
    assert rule.agreement > 0.99
    found = scrambler_of(rule, register, "after_ecc").keystreams
    assert isinstance(found, LfsrKeystreams)
    assert found.polynomial == register.polynomial
    # Zeros are as frequent as ones under every second keystream: there the code must decide, without it nothing can.
    assert found.seeds[1::2] == seeds[1::2]
    assert not any(found.seeds[::2])
    checked = seed_rules(hits, page, column, register, LAYOUT, 0, covers=(EVERYTHING,), fewest=1)[0]
    found = scrambler_of(checked, register, "after_ecc").keystreams
    assert isinstance(found, LfsrKeystreams)
    others = complemented(np.array(seeds, np.uint64), register).tolist()
    assert all(seed in pair for seed, pair in zip(found.seeds, zip(seeds, others, strict=True), strict=True))


def test_a_multiple_of_the_period_is_shortened() -> None:
    pages = np.arange(300)
    seeds = (pages % 12).astype(np.uint64) + np.uint64(5)
    assert shortest_period(pages, seeds) == 12


def test_seeds_without_a_period_have_none() -> None:
    rng = np.random.default_rng(2)
    assert shortest_period(np.arange(300), rng.integers(1, 1 << 40, 300, np.uint64)) == 0


def test_one_hit_is_no_seed() -> None:
    register = Register(POLYNOMIAL, "lsb", 10, 100)
    state = np.array([77] * 9, np.uint64)
    pages = np.array([0, 1, 2, 4, 6, 8, 10, 12, 14])  # keystream 1 of 2 was seen once
    hits_at = Hits(np.zeros(9, np.int64), state, np.zeros(9, np.bool_))
    columns = 32 * np.arange(9)
    rules = seed_rules(hits_at, pages, columns, register, LAYOUT, 2, covers=(EVERYTHING,))
    period_two = [rule for rule in rules if rule.period == 2]
    assert all(1 in rule.missing for rule in period_two)
    assert SURE_HITS > 1


def test_data_under_an_unknown_keystream_is_unchecked_although_the_code_is_content() -> None:
    rng = np.random.default_rng(4)
    scrambler = Scrambler("before_ecc", "page", LfsrKeystreams(POLYNOMIAL, (5, 9)), frozenset({Part.DATA}))
    recipe = Recipe(2, LAYOUT, CODE, scrambler)
    data, metadata = rng.integers(0, 256, (4, 2048), np.uint8), np.zeros((4, 8), np.uint8)
    raw = recipe.encode(data, metadata, np.arange(4))
    half = Scrambler("before_ecc", "page", LfsrKeystreams(POLYNOMIAL, (5, 0)), frozenset({Part.DATA}))
    decoded = Recipe(2, LAYOUT, CODE, half).decode(raw, np.arange(4))
    assert np.array_equal(decoded.data[[0, 2]], data[[0, 2]])
    assert (decoded.errors[[0, 2]] == 0).all()
    assert (decoded.errors[[1, 3]] == UNCHECKED).all()


def test_positions_follow_the_restart() -> None:
    positions = {restart: stream_positions(LAYOUT, restart, EVERYTHING) for restart in ("codeword", "page", "column")}
    assert positions["codeword"][[0, 1024, 2048, 2052]].tolist() == [0, 0, 1024, 1028]
    assert positions["page"][[0, 1024, 2048]].tolist() == [0, 1084, 1024]
    assert positions["column"][[0, 1024, 2048]].tolist() == [0, 1024, 2048]
