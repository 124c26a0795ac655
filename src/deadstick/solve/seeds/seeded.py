"""A rule with its seeds as the scrambler of a recipe."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Place, Scrambler
from deadstick.solve.keystream.keystream import SeedRule, is_mixture
from deadstick.solve.register.register import Register
from deadstick.solve.register.register_states import complemented
from deadstick.solve.seeds.seed_orbit import on_one_orbit


def with_orbit(scrambler: Scrambler) -> Scrambler:
    """With the seeds that follow from the others, where the register runs on from one to the next."""
    keystreams = scrambler.keystreams
    if not isinstance(keystreams, LfsrKeystreams):
        return scrambler
    return replace(scrambler, keystreams=on_one_orbit(keystreams))


def with_seeds(recipe: Recipe, scrambler: Scrambler, rule: LfsrKeystreams, seeds: NDArray[np.uint64]) -> Recipe:
    """The recipe with other seeds, `uint64[count]`, 0 where one is not known."""
    return replace(recipe, scrambler=replace(scrambler, keystreams=replace(rule, seeds=tuple(seeds.tolist()))))


def block_of(rule: SeedRule) -> int:
    """Pages of a block, so that the recipe's numbers of keystreams are those of the rule."""
    return rule.schedule.pages_per_block or rule.period


def is_mixed(rule: SeedRule) -> bool:
    """Whether some keystreams are the register's output and some its complement, for which it takes a longer one."""
    return is_mixture(len(rule.ones), len(rule.seeds))


def scrambler_of(
    rule: SeedRule, register: Register, place: Place, *, mixed: bool = False, complement: bool = False
) -> Scrambler:
    """The rule as a scrambler.

    Args:
        rule: with its seeds.
        register: the shift register.
        place: before or after the code.
        mixed: the keystreams in `rule.ones` are the complement of the register's output. A register with a stage more,
            whose polynomial has the factor x + 1, gives both; one that has them without it needs no other.
        complement: all keystreams are the complement.
    """
    seeds = np.array([rule.seeds.get(number, 0) for number in range(rule.period)], np.uint64)
    polynomial = register.polynomial
    known, ones = seeds != 0, np.zeros(len(seeds), np.bool_)
    ones[list(rule.ones)] = True
    if register.has_complements:
        seeds = np.where(known & ones, complemented(seeds, register), seeds)
    elif mixed:
        newest = Lfsr(polynomial).advance(seeds, 1) >> np.uint64(register.width - 1)
        longer = seeds | newest << np.uint64(register.width)
        longer[ones] ^= np.uint64((2 << register.width) - 1)
        seeds, polynomial = np.where(known, longer, np.uint64(0)), polynomial ^ polynomial << 1
    keystreams = LfsrKeystreams(polynomial, tuple(seeds.tolist()), register.bit_order, complement)
    schedule = rule.schedule
    return Scrambler(place, rule.restart, keystreams, rule.covers, schedule.page_step, schedule.block_step)
