"""A scrambler that ran over the data before the code saw them: the code says nothing of its rule.

The codewords decode as they stand. Register and seeds show where the corrected data are constant, and the metadata
decide what both leave open: where they lie, and whether the keystream runs over them.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.codeword.survey import SURVEY_BYTES
from deadstick.solve.common.spread import evenly
from deadstick.solve.keystream.keystream import SeedRule, is_mixture, seed_rules
from deadstick.solve.keystream.stored_keystreams import find_table
from deadstick.solve.register.register import LONGEST_REGISTER, Hits, Register, find_hits, find_registers, merged
from deadstick.solve.register.text_hits import find_text_hits
from deadstick.solve.scrambler.changed_marker import PAGES, changed_markers, is_steady, with_next
from deadstick.solve.scrambler.coded_pages import CodedPages, Unscrambled, known_pages
from deadstick.solve.scrambler.metadata_order import CLEARLY, TIED_CLEARNESS, clearness, orders, settled
from deadstick.solve.scrambler.metadata_table import with_aligned_metadata
from deadstick.solve.scrambler.stray_bytes import data_columns, with_told_restart
from deadstick.solve.seeds.biased_bits import seeds_by_bias
from deadstick.solve.seeds.copied_seeds import seeds_by_copies
from deadstick.solve.seeds.metadata_seeds import seeds_by_metadata
from deadstick.solve.seeds.seeded import block_of, is_mixed, scrambler_of, with_orbit, with_seeds
from deadstick.solve.seeds.table_recipes import alike_pieces, table_before_code

MOST_REGISTERS = 3
"""Seen in the corrected data."""
DECODED_BYTES = 48 << 20
TIED_RULES = 0.99
"""Share of the most hits that agree from which on a rule for the restarts is as good."""


def before_code(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    """Whether the data in codewords that decode as they are stored are scrambled, and how.

    Args:
        found: pages and code.
        plain: decodes the codewords.

    Returns:
        None where the data are not scrambled, or nothing repeats.
    """
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
        # The byte of the marker may be part of a version, which is another in every block and no clearer than data.
        beside = with_next(written)
        layout = settled(best.recipe, found.survey.pages[beside], beside, by_order=False).layout
        if layout != best.recipe.layout:
            # Data have other places in it, and the register other seeds.
            clearest = -1.0
            clearer([layout])
        best = replace(best, recipe=with_told_restart(best.recipe, found.survey.pages[written], written))
    return _with_further_seeds(best, found) if best is not None else _stored_before_code(found, plain)


def _with_further_seeds(best: Unscrambled, found: CodedPages) -> Unscrambled:
    scrambler = best.recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return best
    seeds = np.array(scrambler.keystreams.seeds, np.uint64)
    solved = seeds_by_metadata(best.recipe, found.survey.pages, np.flatnonzero(found.survey.written))
    for number, seed in solved.items():
        seeds[number] = seed
    recipe = with_seeds(best.recipe, scrambler, scrambler.keystreams, seeds)
    missing = np.flatnonzero(seeds == 0)
    if len(missing):
        pages, data = _corrected(found, replace(recipe, scrambler=None))
        for number, seed in seeds_by_copies(recipe, data, pages).items():
            seeds[number] = seed
        recipe, missing = with_seeds(recipe, scrambler, scrambler.keystreams, seeds), np.flatnonzero(seeds == 0)
        for number, seed in seeds_by_bias(recipe, data, pages, missing.tolist()).items():
            seeds[number] = seed
    return replace(best, recipe=with_seeds(best.recipe, scrambler, scrambler.keystreams, seeds))


def _under_register(found: CodedPages, plain: Unscrambled) -> Iterator[Unscrambled]:
    """Recipes with a register before the code; the code says nothing of its rule."""
    layout = plain.recipe.layout
    pages, data = _corrected(found, plain.recipe)
    columns_of = data_columns(layout)
    for register in find_registers(data.reshape(-1))[:MOST_REGISTERS]:
        bare = find_hits(data.reshape(-1), register)
        hits = merged(bare, _text_hits(data.reshape(-1), register, bare))
        row, column = np.divmod(hits.positions, layout.data_bytes)
        covers = (frozenset({Part.DATA}), frozenset({Part.DATA, Part.METADATA}))
        rules = seed_rules(hits, pages[row], columns_of[column], register, layout, 0, covers=covers)
        rules = [rule for rule in rules if _is_whole(rule, found) and _has_stages(rule, register)]
        if rules:
            tied = [rule for rule in rules if rule.agreeing >= TIED_RULES * rules[0].agreeing]
            yield from (_with_rule(plain, rule, register) for rule in tied)
            return


def _text_hits(data: NDArray[np.uint8], register: Register, bare: Hits) -> Hits:
    """Text, which must hold words where the register's output and its complement are told apart by nothing else."""
    if is_mixture(int(bare.ones.sum()), len(bare.ones)):
        return find_text_hits(data, register, complement=None, by_words=True)
    inverse = bool(2 * bare.ones.sum() > len(bare.ones))
    return find_text_hits(data, register, complement=inverse, by_words=register.has_complements)


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


def _has_stages(rule: SeedRule, register: Register) -> bool:
    """Whether one register gives all keystreams: outputs and complements of another take a stage more than it has."""
    return register.has_complements or register.width < LONGEST_REGISTER or not is_mixed(rule)


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
    best = _of_clearest_order(found, plain)
    if best is None:
        return None
    written = np.flatnonzero(found.survey.written)
    some = with_next(written)
    pages = found.survey.pages[some]
    for layout in changed_markers(best.recipe, pages, some):
        other = _with_table(found, replace(plain, recipe=replace(plain.recipe, layout=layout)))
        if other is None or not _is_seen(other):
            continue
        mine, others = (clearness(one.recipe, pages, some, is_tabled=True) for one in (best, other))
        is_clearer = others > mine + TIED_CLEARNESS
        if is_clearer or (is_steady(other.recipe, pages, some) and not is_steady(best.recipe, pages, some)):
            best = other
    return best


def _of_clearest_order(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    """A table under the order of data and metadata that makes the metadata clear; None where no keystream is seen.

    Under keystreams over both, columns do not tell the order. The wrong one moves the borders of sectors, too, at which
    the votes for a keystream part, and many keystreams are not seen. With numbers of blocks among the data it may be
    all: an order that shows no keystream says nothing of metadata, so any order that shows some takes its place. Nor is
    that one clear where groups of keystreams are open, each of which has a row of metadata of its own.
    """
    best, clearest = None, 0.0
    for layout in _telling_orders(found, plain):
        other = _with_table(found, replace(plain, recipe=replace(plain.recipe, layout=layout)))
        if other is None:
            # Nothing comes again, and so it does in no other order.
            break
        # Under keystreams that are unknown no metadata are clear, whichever order is right.
        some = with_next(known_pages(other.recipe, np.flatnonzero(found.survey.written)))
        clear = clearness(other.recipe, found.survey.pages[some], some, is_tabled=True) if len(some) else 0.0
        is_first_seen = _is_seen(other) and (best is None or not _is_seen(best))
        if best is None or is_first_seen or clear > clearest + CLEARLY:
            best, clearest = other, clear
        if clearest >= 1 - CLEARLY:
            break
    return best if best is not None and _is_seen(best) else None


def _telling_orders(found: CodedPages, plain: Unscrambled) -> list[PageLayout]:
    """Orders of data and metadata, but those in which votes show no keystream where they show all in another.

    The two orders have all but a few columns in common, and the wrong one has metadata there. Copies would be looked
    for under all of its keystreams, which takes a minute and more where there are 256.
    """
    layouts, shares = list(orders(found.layout)), []
    for layout in layouts if len(layouts) > 1 else ():
        tabled = _with_table(found, replace(plain, recipe=replace(plain.recipe, layout=layout)), by_copies=False)
        if tabled is None or tabled.table is None:
            return layouts
        shares.append(float(tabled.table.known.mean()))
    if max(shares, default=0.0) < 1:
        return layouts
    return [layout for layout, share in zip(layouts, shares, strict=True) if share]


def _is_seen(tabled: Unscrambled) -> bool:
    return tabled.table is not None and bool(tabled.table.known.any())


def _with_table(found: CodedPages, plain: Unscrambled, *, by_copies: bool = True) -> Unscrambled | None:
    """A table, of which no keystream may be known; None where nothing comes again.

    Args:
        found: pages and code.
        plain: decodes the codewords.
        by_copies: keystreams that votes do not show may follow from copies of pages.
    """
    pages, data = _corrected(found, plain.recipe)
    table = find_table(data, pages, 0, alike_pieces(plain.recipe.layout), exact=by_copies)
    if table is None:
        return None
    recipe = table_before_code(plain.recipe, table)
    recipe = with_aligned_metadata(recipe, found.survey.pages, np.flatnonzero(found.survey.written))
    return replace(plain, recipe=recipe, table=table, derived=table.unknown)
