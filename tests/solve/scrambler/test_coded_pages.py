"""Which of two hypotheses explains the pages better."""

from dataclasses import replace

import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.scrambler.coded_pages import Unscrambled, is_better

LAYOUT = spare_groups(528, 1, 512, 4, 7)


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
