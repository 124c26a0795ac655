"""Which of two hypotheses explains the pages better."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.scrambler.coded_pages import Reread, Unscrambled, better, is_better

LAYOUT = spare_groups(528, 1, 512, 4, 7)
PAGE, CODE = spare_groups(8 * 154, 8, 128, 4, 22), Code(11, 0x805, 16)
SEEDS = (0x1111, 0x2222, 0x3333, 0x4444, 0x5555, 0x6666, 0x7777, 0x8888)
BLOCK, BLOCKS, FOREIGN = 16, 64, range(3, 64, 8)


def hypothesis(decoded: int, known: int) -> Unscrambled:
    """So many of 1024 words decode, and so many of 64 seeds are known."""
    seeds = tuple(range(1, known + 1)) + (0,) * (64 - known)
    keystreams = LfsrKeystreams(0x1002D, seeds)
    return Unscrambled(
        Recipe(64, LAYOUT, Code(13, 0x201B, 4), Scrambler("after_ecc", "page", keystreams)), decoded, 1024
    )


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ((976, 64), (992, 6)),  # a part of the register, under a few keystreams, with fewer bit errors by accident
        ((1024, 64), (1024, 6)),
        ((1000, 6), (700, 64)),  # seeds that are wrong explain nothing
        ((900, 64), (899, 64)),
    ],
)
def test_what_decodes_as_well_and_explains_more_is_better(first: tuple[int, int], second: tuple[int, int]) -> None:
    one, other = hypothesis(*first), hypothesis(*second)
    assert is_better(one, other)
    assert not is_better(other, one)


def test_of_two_that_decode_alike_the_one_with_fewer_errors_is_better() -> None:
    """A strong code bears a byte of every word under a wrong keystream, four errors in the mean."""
    right, wrong = (replace(hypothesis(1024, 64), errors=errors) for errors in (1.9, 6.0))
    assert is_better(right, wrong)
    assert not is_better(wrong, right)
    assert not is_better(replace(right, errors=1.5), right)
    assert is_better(hypothesis(1024, 64), replace(hypothesis(1000, 64), errors=-2.0))


def under(seeds: dict[int, int], count: int, block: int) -> Recipe:
    """Some seeds of so many keystreams by place."""
    keystreams = LfsrKeystreams(0x1002D, tuple(seeds.get(number, 0) for number in range(count)))
    return Recipe(block, PAGE, CODE, Scrambler("after_ecc", "codeword", keystreams, page_step=1))


def most() -> Recipe:
    """All seeds but one, by the place in a block."""
    return under(dict(enumerate(SEEDS[:7])), len(SEEDS), BLOCK)


def few() -> Recipe:
    """Those that a part of the register shows, as if the keystreams came again after four blocks only."""
    return under({place: SEEDS[place % len(SEEDS)] for place in (1, 4, 18, 35)}, 4 * BLOCK, 4 * BLOCK)


def chip() -> Reread:
    """Packed pages, and blocks that the controller filled in another way, where `few` knows no keystream."""
    rng = np.random.default_rng(3)
    numbers = np.arange(BLOCK * BLOCKS)
    data = rng.integers(0, 256, (len(numbers), PAGE.data_bytes), np.uint8)
    metadata = np.full((len(numbers), PAGE.metadata_bytes), 0xFF, np.uint8)
    pages = under(dict(enumerate(SEEDS)), len(SEEDS), BLOCK).encode(data, metadata, numbers)
    foreign = np.isin(numbers // BLOCK, FOREIGN)
    pages[foreign] = rng.integers(0, 256, pages[foreign].shape, np.uint8)
    return Reread(Survey(pages.reshape(-1), PAGE.page_bytes), PAGE, CODE, 0)


def test_pages_that_fail_under_both_do_not_count_against_the_one_that_knows_them() -> None:
    """Whole blocks fail, not words here and there, and by chance the few keystreams have none of them."""
    found = chip()
    whole, part = better(None, most(), found), better(None, few(), found)
    assert whole is not None
    assert part is not None
    assert (whole.examined, part.decoded) == (part.examined, part.examined)
    assert whole.decoded < 0.9 * whole.examined
    assert better(whole, few(), found) is whole
    taken = better(part, most(), found)
    assert taken == whole  # with the counts of its own pages


def test_of_pages_that_both_know_those_count_that_decode_under_one_alone() -> None:
    """More keystreams explain nothing where pages decode without them, and fail under their seeds."""
    found = chip()
    part = better(None, few(), found)
    wrong = under(dict(enumerate((SEEDS[0], SEEDS[7], *SEEDS[2:7]))), len(SEEDS), BLOCK)
    assert better(None, wrong, found) is not None
    assert better(part, wrong, found) is part
    taken = better(better(None, wrong, found), few(), found)
    assert taken is not None
    assert taken.recipe == few()
