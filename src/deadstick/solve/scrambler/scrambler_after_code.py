"""A scrambler that ran over the stored codewords: the code checks every keystream.

Under a wrong rule for the restarts nothing decodes, so every rule that the hits suggest is tried; and seeds that show
nowhere follow from the code's equations.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.common.spread import evenly, evenly_of
from deadstick.solve.keystream.keystream import SeedRule, seed_rules
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.register.register import LONGEST_REGISTER, Hits, Register
from deadstick.solve.scrambler.coded_pages import (
    CodedPages,
    Unscrambled,
    better,
    count_decoded,
    known_pages,
    proof_pages,
    variants,
)
from deadstick.solve.scrambler.seed_trials import seeds_beside
from deadstick.solve.seeds.biased_bits import seeds_by_bias
from deadstick.solve.seeds.missing_seeds import missing_seeds
from deadstick.solve.seeds.seed_orbit import on_one_orbit
from deadstick.solve.seeds.seeded import block_of, scrambler_of, with_seeds
from deadstick.solve.seeds.short_parity_seeds import short_parity_seeds
from deadstick.solve.seeds.table_recipes import data_as_read
from deadstick.solve.seeds.text_seeds import seeds_by_text

Shows = Callable[[Recipe, NDArray[np.uint8], NDArray[np.int64], list[int]], dict[int, int]]
"""What pages as read show of missing seeds: recipe, `uint8[pages, page_bytes]`, `int64[pages]`, numbers -> seeds."""

KNOWN_PAGES = 512
TRIED_PAGES = 4
"""Pages under each keystream that are decoded to see whether its seed is right."""


def best_register(
    found: CodedPages, seen: list[tuple[Register, Hits]], told: Schedule | None = None
) -> Unscrambled | None:
    """The best recipe with a register over the stored codewords.

    Args:
        found: pages and code.
        seen: registers with the places in the surveyed part where each shows.
        told: which page has which keystream, for where the register shows in too few pages to tell.

    Returns:
        None where nothing decodes under any of them.
    """
    best: Unscrambled | None = None
    for register, hits in seen:
        page, column = np.divmod(hits.positions, found.layout.page_bytes)
        inside = page < len(found.survey.pages)
        inside[inside] &= found.survey.written[page[inside]]
        # The code checks every seed: one hit is enough to try it.
        page, column, shown = page[inside], column[inside], hits.take(inside)
        rules = seed_rules(shown, page, column, register, found.layout, told or found.lag, fewest=1)
        for rule in rules:
            for recipe in _hypotheses(rule, register, found):
                winner = better(best, recipe, found)
                if winner is not best and winner is not None:
                    best = replace(winner, register=register, rule=rule)
    return best


def _hypotheses(rule: SeedRule, register: Register, found: CodedPages) -> Iterator[Recipe]:
    """What the code has to decide under one rule."""
    # Over a whole page the complement of the keystream is an inverted page.
    partly = rule.covers != frozenset(Part)
    mixtures = (False, True) if rule.ones and register.width < LONGEST_REGISTER else (False,)
    for mixed in (True,) if register.has_complements else mixtures:
        for code in variants(found.code):
            signed = _signed(rule, register, code, found) if mixed else rule
            for complement in (False, True) if partly else (False,):
                scrambler = scrambler_of(signed, register, "after_ecc", mixed=mixed, complement=complement)
                yield Recipe(block_of(rule), found.layout, code, scrambler)


def _signed(rule: SeedRule, register: Register, code: Code, found: CodedPages) -> SeedRule:
    """The rule with those keystreams as complements of the output under which more decodes so.

    Constant data may be zeros under one keystream and ones under another, so what stood there does not tell.
    """
    written = np.flatnonzero(found.survey.written)
    good, outputs = [], replace(rule, ones=frozenset())
    for complement in (False, True):
        scrambler = scrambler_of(outputs, register, "after_ecc", complement=complement)
        recipe = Recipe(block_of(rule), found.layout, code, scrambler)
        good.append(_decoding(recipe, scrambler, found, written)[1])
    ones = set(rule.ones) - set(np.flatnonzero(good[0] > good[1]).tolist())
    return replace(rule, ones=frozenset(ones | set(np.flatnonzero(good[1] > good[0]).tolist())))


def completed(best: Unscrambled, found: CodedPages) -> Unscrambled | None:
    """The recipe with the seeds that follow from others, from text, from the code's equations, or from most data.

    Args:
        best: from `best_register`.
        found: pages and code.
    """
    scrambler, rule = best.recipe.scrambler, best.rule
    if scrambler is None or rule is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return best
    written = np.flatnonzero(found.survey.written)
    seeds = np.array(scrambler.keystreams.seeds, np.uint64)
    seeds[_refuted(best.recipe, found, written)] = 0
    # A register that runs on from keystream to keystream tells what no code need be asked.
    keystreams = on_one_orbit(replace(scrambler.keystreams, seeds=tuple(seeds.tolist())))
    seeds = np.array(keystreams.seeds, np.uint64)
    recipe = with_seeds(best.recipe, scrambler, keystreams, seeds)
    recipe, seeds = _with_text_seeds(replace(best, recipe=recipe), keystreams, seeds, found)
    solved = missing_seeds(recipe, found.survey.pages, written, np.flatnonzero(seeds == 0).tolist())
    for number, seed in solved.items():
        seeds[number] = seed
    for shows in (seeds_beside, short_parity_seeds, _by_bias):
        now = with_seeds(recipe, scrambler, keystreams, seeds)
        seeds = _with_shown_seeds(now, keystreams, seeds, found, shows)
    recipe = with_seeds(recipe, scrambler, keystreams, seeds)
    decoded, examined = count_decoded(recipe, found, proof_pages(found))
    return replace(best, recipe=recipe, decoded=decoded, examined=examined, derived=len(solved))


def _with_text_seeds(
    best: Unscrambled, keystreams: LfsrKeystreams, seeds: NDArray[np.uint64], found: CodedPages
) -> tuple[Recipe, NDArray[np.uint64]]:
    """With those of the missing seeds that text shows and the code does not refute."""
    scrambler, register, seeds = best.recipe.scrambler, best.register, seeds.copy()
    if scrambler is None or register is None:
        return best.recipe, seeds
    shown = seeds_by_text(best.recipe, register, found.survey, np.flatnonzero(seeds == 0).tolist())
    for number, seed in shown.items():
        seeds[number] = seed
    recipe = with_seeds(best.recipe, scrambler, keystreams, seeds)
    if shown:
        seeds[_refuted(recipe, found, np.flatnonzero(found.survey.written))] = 0
        recipe = with_seeds(recipe, scrambler, keystreams, seeds)
    return recipe, seeds


def _with_shown_seeds(
    recipe: Recipe, keystreams: LfsrKeystreams, seeds: NDArray[np.uint64], found: CodedPages, shows: Shows
) -> NDArray[np.uint64]:
    """With those of the missing seeds that pages under them show and the code does not refute."""
    missing = np.flatnonzero(seeds == 0)
    if not len(missing):
        return seeds
    chosen = _pages_around(recipe, missing, found)
    shown = shows(recipe, found.survey.pages[chosen], chosen, missing.tolist())
    return _unless_refuted(recipe, keystreams, seeds, shown, found)


def _by_bias(recipe: Recipe, raw: NDArray[np.uint8], pages: NDArray[np.int64], missing: list[int]) -> dict[int, int]:
    return seeds_by_bias(recipe, data_as_read(replace(recipe, scrambler=None), raw), pages, missing)


def _pages_around(recipe: Recipe, missing: NDArray[np.int64], found: CodedPages) -> NDArray[np.int64]:
    """Numbers of all pages under missing keystreams, and of some under the others, which show what data are like."""
    written = np.flatnonzero(found.survey.written)
    if recipe.scrambler is None:
        return written
    is_missing = np.isin(recipe.scrambler.index(written, recipe.pages_per_block), missing)
    return np.union1d(written[is_missing], evenly_of(written[~is_missing], KNOWN_PAGES))


def _unless_refuted(
    recipe: Recipe,
    keystreams: LfsrKeystreams,
    seeds: NDArray[np.uint64],
    shown: dict[int, int],
    found: CodedPages,
) -> NDArray[np.uint64]:
    """The seeds with others that were shown, as far as anything decodes under them."""
    scrambler = recipe.scrambler
    if not shown or scrambler is None:
        return seeds
    seeds = seeds.copy()
    seeds[list(shown)] = list(shown.values())
    seeds[_refuted(with_seeds(recipe, scrambler, keystreams, seeds), found, np.flatnonzero(found.survey.written))] = 0
    return seeds


def _refuted(recipe: Recipe, found: CodedPages, written: NDArray[np.int64]) -> NDArray[np.int64]:
    """`int64[]`: keystreams under which nothing decodes, though others show what the code can do."""
    if recipe.scrambler is None:
        return written[:0]
    tried, good = _decoding(recipe, recipe.scrambler, found, written)
    return np.flatnonzero(tried & (good == 0))


def _decoding(
    recipe: Recipe, scrambler: Scrambler, found: CodedPages, written: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Keystreams under which some pages were tried, `bool[count]`, and how many of these decode, `int64[count]`."""
    pages = known_pages(recipe, written)
    under = scrambler.index(pages, recipe.pages_per_block)
    order = np.argsort(under, kind="stable")
    begins = np.flatnonzero(np.r_[True, np.diff(under[order]) != 0]) if len(order) else order
    sizes = np.diff(np.r_[begins, len(order)])
    picks = [order[first + evenly(size, TRIED_PAGES)] for first, size in zip(begins.tolist(), sizes, strict=True)]
    chosen = pages[np.concatenate([*picks, order[:0]])]
    errors = recipe.decode(found.survey.pages[chosen], chosen).errors
    good = np.bincount(
        scrambler.index(chosen, recipe.pages_per_block),
        weights=(errors >= 0).any(axis=1),
        minlength=scrambler.keystreams.count,
    )
    tried = np.zeros(scrambler.keystreams.count, np.bool_)
    tried[under[order[begins]]] = True
    return tried, good.astype(np.int64)
