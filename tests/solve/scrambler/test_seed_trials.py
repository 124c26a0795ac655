"""The rule of the keystreams, where the register shows in too few pages to tell it and the code must."""

from dataclasses import replace

import numpy as np

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.keystream.keystream import SeedRule
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.scrambler.coded_pages import Reread, Unscrambled
from deadstick.solve.scrambler.seed_trials import seeds_beside, with_rule_by_code

POLYNOMIAL = 0x165  # primitive, of eight stages
ORBIT = [Lfsr(POLYNOMIAL).advance(111, 3 * number) for number in range(85)]
"""Every third state: the register returns to the first one after 85."""
LAYOUT, CODE = spare_groups(128 + 26, 1, 128, 4, 22), Code(11, 0x805, 16)
BLOCK, BLOCKS = 304, 4
TRUE = Schedule(168, 1, 0, BLOCK, 0, 0)
WRONG = Schedule(170, 2, 85, BLOCK // 2, 0, 0)
"""It differs from the other at 16 places of a block."""


def recipe_of(rule: Schedule, seeds: list[int], polynomial: int = POLYNOMIAL) -> Recipe:
    """The seeds under a rule."""
    keystreams = LfsrKeystreams(polynomial, tuple(seeds))
    scrambler = Scrambler("after_ecc", "page", keystreams, frozenset(Part), rule.page_step, rule.block_step)
    return Recipe(rule.pages_per_block, LAYOUT, CODE, scrambler)


def right() -> Recipe:
    """What the controller does."""
    return recipe_of(TRUE, [ORBIT[number % 85] for number in range(TRUE.count)])


def taken(rule: Schedule) -> Unscrambled:
    """What the seeds of the pages in which the register shows would give under a rule."""
    pages = np.arange(BLOCK * BLOCKS)
    seeds: dict[int, int] = {}
    for number, place in zip(rule.index(pages).tolist(), (pages % BLOCK).tolist(), strict=True):
        seeds.setdefault(number, ORBIT[place % 168 % 85])
    recipe = recipe_of(rule, [seeds.get(number, 0) for number in range(rule.count)])
    return Unscrambled(recipe, 0, 0, rule=SeedRule("page", frozenset(Part), rule, seeds, 0, 0))


def chip(recipe: Recipe, errors: float = 0.0) -> Reread:
    """Pages of packed data."""
    rng = np.random.default_rng(4)
    numbers = np.arange(BLOCK * BLOCKS)
    data = rng.integers(0, 256, (len(numbers), 128), np.uint8)
    pages = recipe.encode(data, np.full((len(numbers), 4), 0xFF, np.uint8), numbers)
    pages ^= np.packbits(rng.random((len(numbers), 8 * LAYOUT.page_bytes)) < errors, axis=1)
    return Reread(Survey(pages.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0)


def fails(one: Unscrambled, found: Reread) -> int:
    """Pages that do not decode."""
    numbers = np.arange(BLOCK * BLOCKS)
    return int((one.recipe.decode(found.survey.pages, numbers).errors < 0).sum())


def test_the_code_refutes_a_rule_and_tells_another() -> None:
    found = chip(right(), errors=2e-3)
    assert fails(taken(WRONG), found) == 16 * BLOCKS
    best = with_rule_by_code(taken(WRONG), found)
    assert fails(best, found) == 0
    assert best.rule is not None
    assert (best.rule.schedule.count, best.rule.schedule.pages_per_block) == (TRUE.count, BLOCK)
    assert best.recipe.scrambler is not None
    assert not best.recipe.scrambler.keystreams.unknown.any()


def test_pages_that_decode_under_no_seed_refute_nothing() -> None:
    found = chip(right(), errors=14e-3)
    best = taken(TRUE)
    assert fails(best, found) > BLOCKS
    assert with_rule_by_code(best, found) is best


def test_a_block_under_one_keystream_refutes_nothing() -> None:
    """A controller may fill a block of its own in another way."""
    pages = chip(right()).survey.pages.copy()
    constant = replace(right(), scrambler=Scrambler("after_ecc", "page", LfsrKeystreams(POLYNOMIAL, (ORBIT[5],))))
    pages[:BLOCK] = chip(constant).survey.pages[:BLOCK]
    found = Reread(Survey(pages.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0)
    assert fails(taken(TRUE), found) >= BLOCK - 8
    best = taken(TRUE)
    assert with_rule_by_code(best, found) is best


def test_a_code_too_weak_to_tell_is_not_asked() -> None:
    weak = replace(CODE, t=2)
    layout = spare_groups(128 + 26, 1, 128, 4, 3)
    best = taken(WRONG)
    best = replace(best, recipe=replace(best.recipe, code=weak, layout=layout))
    found = Reread(chip(right()).survey, layout, weak, 0)
    assert with_rule_by_code(best, found) is best


def test_seeds_beside_those_that_are_known() -> None:
    """Of 256 keystreams 40 are seen, in steps of 99: the numbers go round in between, and no one quotient holds."""
    polynomial = 1 << 32 | 0x400007
    states = [Lfsr(polynomial).advance(0x1234, 777 * number) for number in range(256)]
    seeds = [states[99 * number % 256] for number in range(40)]
    recipe = recipe_of(Schedule(40, 1, 0, 40, 0, 0), seeds, polynomial)
    raw, numbers = chip(recipe, errors=2e-3).survey.pages[:80], np.arange(80)
    for gone in ([0], [38, 39], [17]):
        left = [0 if number in gone else seed for number, seed in enumerate(seeds)]
        some = recipe_of(Schedule(40, 1, 0, 40, 0, 0), left, polynomial)
        assert seeds_beside(some, raw, numbers, gone) == {number: seeds[number] for number in gone}
        # What lies under none of the seeds in question has none of them.
        noise = np.random.default_rng(1).integers(0, 256, raw.shape, np.uint8)
        assert seeds_beside(some, noise, numbers, gone) == {}
