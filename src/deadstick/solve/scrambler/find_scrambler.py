"""The search for the scrambler, once pages and code are known."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.solve.page.marker import with_moved_marker
from deadstick.solve.register.register import Register, find_hits
from deadstick.solve.scrambler.changed_marker import with_next
from deadstick.solve.scrambler.coded_pages import (
    FEWER_ERRORS,
    CodedPages,
    Reread,
    Unscrambled,
    better,
    known_pages,
    variants,
)
from deadstick.solve.scrambler.metadata_order import readings, settled, with_clearest_cover, with_right_cover
from deadstick.solve.scrambler.rule_by_seeds import rule_by_seeds
from deadstick.solve.scrambler.scrambler_after_code import best_register, completed
from deadstick.solve.scrambler.scrambler_before_code import before_code
from deadstick.solve.scrambler.seed_trials import with_rule_by_code
from deadstick.solve.scrambler.stored_after_code import stored_after_code, told_by_code

WHOLE = 0.8
"""Share of the codewords that decode from which on another reading of the layout must leave fewer errors: of two
codewords one may lack metadata that are zero in differences."""
MOST_REGISTERS = 3
"""Seen in the dump as read; the first has been seen most often."""


def find_scrambler(found: CodedPages, registers: tuple[Register, ...]) -> Unscrambled | None:
    """Find what was added to the codewords, or to the data before the code saw them.

    Args:
        found: pages and code.
        registers: seen in the dump as read.

    Returns:
        None where the code is known but the keystream is not.
    """
    as_stored = _best_of((_best_plain(read), read) for read in _rereads(found))
    if as_stored is not None:
        plain, read = as_stored
        return before_code(read, plain) or _settled(plain, read)
    seen = [(register, find_hits(found.survey.data, register)) for register in registers[:MOST_REGISTERS]]
    # A keystream that leaves out the metadata tells where they lie, which the code alone does not.
    best = _best_of((best_register(read, seen), read) for read in _rereads(found))
    if best is None and any(len(hits.positions) for _, hits in seen):
        # Where it shows in too few pages for a rule of its seeds, the code tells which pages share a keystream.
        told = told_by_code(found)
        best = _best_of((best_register(read, seen, told), read) for read in _rereads(found)) if told else None
        # Nor does the code tell that of pages whose keystreams have few seeds between them, but it tells the seeds.
        best = best or _best_of((rule_by_seeds(read, seen), read) for read in _rereads(found))
    if best is None:
        return stored_after_code(found)
    best = with_rule_by_code(*best), best[1]
    return completed(_settled(*best), best[1])


def _rereads(found: CodedPages) -> Iterator[CodedPages]:
    return (Reread.of(found, layout) for layout in readings(found.layout))


def _best_of(tried: Iterable[tuple[Unscrambled | None, CodedPages]]) -> tuple[Unscrambled, CodedPages] | None:
    """The reading of the layout under which the most codewords decode, or nearly all with clearly the fewest errors.

    A strong code also bears data and metadata in the wrong order where a keystream leaves out the metadata: half of the
    bits of a few bytes are wrong in every word then. The bit errors of the pages are the same under all readings, and
    the others have as many bits or more, so neither chance nor shorter words make errors fewer.
    """
    best: tuple[Unscrambled, CodedPages] | None = None
    for one, read in tried:
        if one is not None and (best is None or _reads_better(one, best[0])):
            best = one, read
        if best is not None and _is_whole(best[0]) and best[0].errors <= FEWER_ERRORS:
            break
    return best


def _reads_better(one: Unscrambled, best: Unscrambled) -> bool:
    """Whether a reading is to be taken instead of one that was asked before it, and is the likelier of equals."""
    if _is_whole(best):
        return one.wrong < best.wrong - FEWER_ERRORS
    return one.decoded > best.decoded


def _is_whole(one: Unscrambled) -> bool:
    return one.decoded >= WHOLE * one.examined


def _settled(best: Unscrambled, found: CodedPages) -> Unscrambled:
    """With what the code does not tell of the metadata."""
    pages = known_pages(best.recipe, np.flatnonzero(found.survey.written))
    some = with_next(pages)
    recipe = _with_moved_marker(best.recipe, found.survey.pages[some], some)
    recipe = with_clearest_cover(recipe, found.survey.pages[some], some)
    # A keystream that leaves out the metadata tells where they lie, but for the marker's byte.
    by_order = recipe.scrambler is None or recipe.scrambler.covers == frozenset(Part)
    recipe = settled(recipe, found.survey.pages[some], some, by_order=by_order)
    return replace(best, recipe=with_right_cover(recipe, found.survey.pages[some], some))


def _with_moved_marker(recipe: Recipe, pages: NDArray[np.uint8], numbers: NDArray[np.int64]) -> Recipe:
    """The recipe with the marker's byte in place, under the first reading of the layout that has one."""
    read = (replace(recipe, layout=layout) for layout in readings(recipe.layout))
    moved = (other for one in read if (other := with_moved_marker(one, pages, numbers)) is not one)
    return next(moved, recipe)


def _best_plain(found: CodedPages) -> Unscrambled | None:
    best: Unscrambled | None = None
    for code in variants(found.code):
        best = better(best, Recipe(1, found.layout, code), found)
    return best
