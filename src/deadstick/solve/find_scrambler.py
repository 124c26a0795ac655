"""The search for the scrambler, once pages and code are known."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.coded_pages import (
    CodedPages,
    Reread,
    Unscrambled,
    better,
    count_decoded,
    known_pages,
    proof_pages,
    variants,
)
from deadstick.solve.keystream import SeedRule, seed_rules
from deadstick.solve.marker import with_moved_marker
from deadstick.solve.metadata_order import (
    PAGES,
    TIED_CLEARNESS,
    changed_markers,
    clearness,
    orders,
    readings,
    settled,
    with_clearest_cover,
)
from deadstick.solve.metadata_seeds import seeds_by_metadata
from deadstick.solve.metadata_table import with_aligned_metadata
from deadstick.solve.missing_seeds import missing_seeds
from deadstick.solve.register import LONGEST_REGISTER, Hits, Register, find_hits, find_registers, find_text_hits, merged
from deadstick.solve.seed_orbit import on_one_orbit
from deadstick.solve.seeded import block_of, is_mixed, scrambler_of, with_orbit, with_seeds
from deadstick.solve.spread import evenly
from deadstick.solve.stored_keystreams import (
    StoredTable,
    alike_pieces,
    data_as_read,
    find_table,
    table_after_code,
    table_before_code,
)
from deadstick.solve.survey import SURVEY_BYTES
from deadstick.solve.text_seeds import seeds_by_text

MOST_REGISTERS = 3
TRIED_PAGES = 4
"""Pages under each keystream that are decoded to see whether its seed is right."""
DECODED_BYTES = 48 << 20
TIED_RULES = 0.99
"""Share of the most hits that agree from which on a rule for the restarts is as good."""


def find_scrambler(found: CodedPages, registers: tuple[Register, ...]) -> Unscrambled | None:
    """Find what was added to the codewords, or to the data before the code saw them.

    Args:
        found: pages and code.
        registers: seen in the dump as read.

    Returns:
        None where the code is known but the keystream is not.
    """
    for layout in readings(found.layout):
        read = Reread.of(found, layout)
        plain = _best_plain(read)
        if plain is not None:
            return _before_code(read, plain) or _settled(plain, read)
    seen = [(register, find_hits(found.survey.data, register)) for register in registers[:MOST_REGISTERS]]
    for layout in readings(found.layout):
        # A keystream that leaves out the metadata tells where they lie, which the code alone does not.
        read = Reread.of(found, layout)
        best = _best_register(read, seen)
        if best is not None:
            return _completed(_settled(best, read), read)
    return _stored_after_code(found)


def _settled(best: Unscrambled, found: CodedPages) -> Unscrambled:
    """With what the code does not tell of the metadata."""
    pages = known_pages(best.recipe, np.flatnonzero(found.survey.written))
    first = evenly(len(pages), PAGES // 2)
    some = pages[np.union1d(first, np.minimum(first + 1, len(pages) - 1))]
    recipe = _with_moved_marker(best.recipe, found.survey.pages[some], some)
    recipe = with_clearest_cover(recipe, found.survey.pages[some], some)
    if recipe.scrambler is None or recipe.scrambler.covers == frozenset(Part):
        recipe = settled(recipe, found.survey.pages[some], some)
    return replace(best, recipe=recipe)


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


def _before_code(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    """The codewords are as stored; is the data in them scrambled?"""
    written = np.flatnonzero(found.survey.written)
    some = written[evenly(len(written), PAGES)]
    best, clearest = None, -1.0

    def clearer(layouts: Iterable[PageLayout]) -> None:
        nonlocal best, clearest
        for layout in layouts:
            turned = replace(plain, recipe=replace(plain.recipe, layout=layout))
            for hypothesis in _under_register(found, turned):
                clear = clearness(hypothesis.recipe, found.survey.pages[some], some)
                # Of equals the first: its rule has the most support.
                if clear > clearest + TIED_CLEARNESS:
                    best, clearest = hypothesis, clear

    clearer(orders(found.layout))
    if best is not None:
        clearer(changed_markers(best.recipe, found.survey.pages[some], some))
    return _with_metadata_seeds(best, found) if best is not None else _stored_before_code(found, plain)


def _with_metadata_seeds(best: Unscrambled, found: CodedPages) -> Unscrambled:
    scrambler = best.recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return best
    seeds = np.array(scrambler.keystreams.seeds, np.uint64)
    solved = seeds_by_metadata(best.recipe, found.survey.pages, np.flatnonzero(found.survey.written))
    for number, seed in solved.items():
        seeds[number] = seed
    return replace(best, recipe=with_seeds(best.recipe, scrambler, scrambler.keystreams, seeds))


def _under_register(found: CodedPages, plain: Unscrambled) -> Iterator[Unscrambled]:
    """Recipes with a register before the code; the code says nothing of its rule."""
    layout = plain.recipe.layout
    pages, data = _corrected(found, plain.recipe)
    columns_of = _data_columns(layout)
    for register in find_registers(data.reshape(-1))[:MOST_REGISTERS]:
        bare = find_hits(data.reshape(-1), register)
        inverse = bool(2 * bare.ones.sum() > len(bare.ones))
        hits = merged(bare, find_text_hits(data.reshape(-1), register, complement=inverse))
        row, column = np.divmod(hits.positions, layout.data_bytes)
        covers = (frozenset({Part.DATA}), frozenset({Part.DATA, Part.METADATA}))
        rules = seed_rules(hits, pages[row], columns_of[column], register, layout, 0, covers=covers)
        rules = [rule for rule in rules if _is_whole(rule, found)]
        if rules:
            tied = [rule for rule in rules if rule.agreeing >= TIED_RULES * rules[0].agreeing]
            yield from (_with_rule(plain, rule, register) for rule in tied)
            return


def _corrected(found: CodedPages, recipe: Recipe) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Numbers and data, `uint8[pages, data_bytes]`, of pages that decode."""
    pages = np.flatnonzero(found.survey.written)[: DECODED_BYTES // found.layout.page_bytes]
    batch = recipe.decode(found.survey.pages[pages], pages)
    good = (batch.errors >= 0).all(axis=1)
    return pages[good], np.ascontiguousarray(batch.data[good])


def _is_whole(rule: SeedRule, found: CodedPages) -> bool:
    """Whether enough of a rule was seen to make it one."""
    enough = 2 * len(rule.missing) <= rule.period
    return enough and not (rule.schedule.is_open and len(found.survey.data) >= SURVEY_BYTES)


def _with_rule(plain: Unscrambled, rule: SeedRule, register: Register) -> Unscrambled:
    mixed = is_mixed(rule)
    scrambler = with_orbit(scrambler_of(rule, register, "before_ecc", mixed=mixed))
    code = plain.recipe.code
    if code is not None and not mixed and not register.has_complements and 2 * len(rule.ones) > len(rule.seeds):
        # Constant data are mostly zeros. The code cannot tell data and mask from their complements.
        code = replace(code, inverted=not code.inverted, erased_is_codeword=not code.erased_is_codeword)
    recipe = replace(plain.recipe, pages_per_block=block_of(rule), code=code, scrambler=scrambler)
    return replace(plain, recipe=recipe, register=register, rule=rule, derived=len(rule.missing))


def _stored_before_code(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    """A table of keystreams over the data, before the code saw them."""
    best = _with_table(found, plain)
    if best is None:
        return None
    written = np.flatnonzero(found.survey.written)
    some = written[evenly(len(written), PAGES)]
    pages = found.survey.pages[some]
    for layout in changed_markers(best.recipe, pages, some):
        other = _with_table(found, replace(plain, recipe=replace(plain.recipe, layout=layout)))
        if other and clearness(other.recipe, pages, some) > clearness(best.recipe, pages, some) + TIED_CLEARNESS:
            best = other
    return best


def _with_table(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    pages, data = _corrected(found, plain.recipe)
    table = find_table(data, pages, 0, alike_pieces(plain.recipe.layout))
    if table is None or not table.known.any():
        return None
    recipe = table_before_code(plain.recipe, table)
    recipe = with_aligned_metadata(recipe, found.survey.pages, np.flatnonzero(found.survey.written))
    return replace(plain, recipe=recipe, table=table, derived=_unknown(table))


def _unknown(table: StoredTable) -> int:
    return int((~table.known).sum())


def _stored_after_code(found: CodedPages) -> Unscrambled | None:
    """A table of keystreams over the stored codewords."""
    written = np.flatnonzero(found.survey.written)
    plain = Recipe(1, found.layout, replace(found.code, inverted=False, erased_is_codeword=False))
    raw = found.survey.pages[written]
    table = find_table(data_as_read(plain, raw), written, found.lag, alike_pieces(found.layout))
    recipe = table_after_code(plain, table, raw, written) if table is not None else None
    best = better(None, recipe, found) if recipe is not None else None
    if best is None or table is None:
        return None
    recipe = with_aligned_metadata(best.recipe, found.survey.pages, written)
    return replace(best, recipe=recipe, table=table, derived=_unknown(table))


def _best_register(found: CodedPages, seen: list[tuple[Register, Hits]]) -> Unscrambled | None:
    """The best recipe with a register over the stored codewords."""
    best: Unscrambled | None = None
    for register, hits in seen:
        page, column = np.divmod(hits.positions, found.layout.page_bytes)
        inside = page < len(found.survey.pages)
        inside[inside] &= found.survey.written[page[inside]]
        # The code checks every seed: one hit is enough to try it.
        rules = seed_rules(hits.take(inside), page[inside], column[inside], register, found.layout, found.lag, fewest=1)
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


def _completed(best: Unscrambled, found: CodedPages) -> Unscrambled | None:
    """With the seeds that follow from the code's equations."""
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


def _data_columns(layout: PageLayout) -> NDArray[np.int64]:
    """`int64[data_bytes]`: the column of the page that holds each byte of data, or its first bits."""
    columns = np.zeros(layout.data_bytes, np.int64)
    for codeword, targets in zip(layout.codewords, layout.targets, strict=False):
        for span, target in zip(codeword.message, targets, strict=True):
            if span.part is Part.DATA:
                first, last = target.first // 8, -(-(target.first + span.bits) // 8)
                columns[first:last] = span.start // 8 + np.arange(last - first)
    return columns
