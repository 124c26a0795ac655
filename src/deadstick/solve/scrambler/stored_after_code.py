"""A table of keystreams that was added to the stored codewords.

First it is read off the data as they are, see `stored_keystreams`. Where that leaves something open, the code comes
before the data: it tells which pages share a keystream, and the keystreams up to a codeword each. Under these all pages
decode, to data that are scrambled still, but free of errors: from them the rest is read.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.word_fit import with_content
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.stored_keystreams import find_table, schedules
from deadstick.solve.scrambler.changed_marker import changed_markers, is_steady, with_changed_marker, with_next
from deadstick.solve.scrambler.code_schedule import schedule_by_code, unlike_neighbours
from deadstick.solve.scrambler.coded_pages import CodedPages, Reread, Unscrambled, better, known_pages
from deadstick.solve.scrambler.metadata_order import orders
from deadstick.solve.scrambler.metadata_table import with_aligned_metadata
from deadstick.solve.seeds.table_recipes import (
    alike_pieces,
    data_as_read,
    table_after_code,
    with_data_keystreams,
    without_keystreams,
)

WHOLE = 0.9
"""Share of the codewords that decode from which on no other rule of the table is asked."""


def stored_after_code(found: CodedPages) -> Unscrambled | None:
    """A table of keystreams over the stored codewords.

    Args:
        found: pages and code.

    Returns:
        None where no keystreams repeat, or nothing decodes under them.
    """
    return _with_steady_metadata(found, _of_layout(found))


def _of_layout(found: CodedPages) -> Unscrambled | None:
    """The same under the layout as it was found."""
    every, plain = np.flatnonzero(found.survey.written), _plain(found)
    raw = found.survey.pages[every]
    best = _with_table(found, plain, raw, every)
    # The majority of a few pages as read may leave a bit wrong, and with it one bit of all data under a keystream.
    sure = best if best is not None and best.table is not None and not best.table.by_few.any() else None
    if best is None or best.table is None or best.decoded < WHOLE * best.examined:
        best = _by_exact_rows(found, plain, raw, every, told_by_code(found), sure)
    elif best.table.unknown or sure is None:
        best = _by_exact_rows(found, plain, raw, every, best.table.schedule, sure)
    if best is None:
        return None
    return replace(best, recipe=with_aligned_metadata(best.recipe, found.survey.pages, every))


def told_by_code(found: CodedPages) -> Schedule | None:
    """Which page has which keystream, by the code alone; None where it does not tell."""
    every = np.flatnonzero(found.survey.written)
    every = every[unlike_neighbours(found.survey.pages[every])]
    return schedule_by_code(_plain(found), found.survey.pages[every], every, found.lag)


def _plain(found: CodedPages) -> Recipe:
    return Recipe(1, found.layout, replace(found.code, inverted=False, erased_is_codeword=False))


def _with_steady_metadata(found: CodedPages, best: Unscrambled | None) -> Unscrambled | None:
    """The table, or the one under which the marker's byte was changed, or metadata stand on the other side of the data.

    A table over the stored codewords fits either way, and metadata are known but for a constant under each of its
    keystreams. So it is read off anew: then the first metadata byte must stay the same from page to page as it did not
    before, and no keystream may be lost, since data show theirs. Numbers taken for data show few keystreams, or none.
    """
    for layout in _other_layouts(found, best):
        other = _of_layout(Reread.of(found, layout))
        if other is None or (best is not None and _unknown(other) > _unknown(best)):
            continue
        if is_steady(other.recipe, *_telling(found, other.recipe)):
            return other
    return best


def _other_layouts(found: CodedPages, best: Unscrambled | None) -> Iterator[PageLayout]:
    """The layout with the marker's byte changed, and with metadata elsewhere, if what is known leaves that open."""
    if best is None:
        changed = with_changed_marker(found.layout)
        yield from [changed] if changed is not None else []
        yield from list(orders(found.layout))[1:]
        return
    pages, numbers = _telling(found, best.recipe)
    if not best.recipe.layout.metadata_bits or is_steady(best.recipe, pages, numbers):
        return
    yield from changed_markers(best.recipe, pages, numbers)
    yield from list(orders(found.layout))[1:]


def _telling(found: CodedPages, recipe: Recipe) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Some pages with content whose keystream is known, and their numbers: free space stays the same, too."""
    numbers = with_next(known_pages(recipe, np.flatnonzero(found.survey.written)))
    pages = found.survey.pages[numbers]
    some = with_content(recipe.decode(pages, numbers).data)
    return pages[some], numbers[some]


def _with_table(
    found: CodedPages, plain: Recipe, raw: NDArray[np.uint8], written: NDArray[np.int64]
) -> Unscrambled | None:
    """The recipe with a table that the data show as they are read."""
    data, pieces = data_as_read(plain, raw), alike_pieces(found.layout)
    best: Unscrambled | None = None
    for rule in schedules(data, written, found.lag, may_be_plain=False):
        table = find_table(data, written, found.lag, pieces, may_be_plain=False, rule=rule)
        recipe = table_after_code(plain, table, raw, written) if table is not None else None
        one = better(None, recipe, found) if recipe is not None else None
        if one is not None and table is not None and (best is None or one.decoded > best.decoded):
            best = replace(one, table=table, derived=table.unknown)
        if best is not None and best.decoded >= WHOLE * best.examined:
            break
    return best


def _by_exact_rows(
    found: CodedPages,
    plain: Recipe,
    raw: NDArray[np.uint8],
    written: NDArray[np.int64],
    rule: Schedule | None,
    best: Unscrambled | None,
) -> Unscrambled | None:
    """The recipe with a table that the data show once the code has corrected them, or the one that was known before."""
    if rule is None:
        return best
    # Pages of a trial block are equal under all keystreams.
    telling = unlike_neighbours(raw, rule.index(written))
    raw, written = raw[telling], written[telling]
    bare = without_keystreams(plain, rule, raw, written)
    if bare is None:
        return best
    decoded = bare.decode(raw, written)
    good = (decoded.errors >= 0).all(axis=1) & np.isin(written, known_pages(bare, written))
    table = find_table(
        decoded.data[good],
        written[good],
        0,
        alike_pieces(found.layout),
        may_be_plain=False,
        rule=rule,
        exact=True,
    )
    other = better(None, with_data_keystreams(bare, table), found) if table is not None else None
    if other is None or table is None or (best is not None and _known(best) > _known(other)):
        return best
    return replace(other, table=table, derived=table.unknown)


def _known(one: Unscrambled) -> float:
    """Share of the keystreams that are known, times that of the codewords that decode under them."""
    return (1 - _unknown(one)) * one.decoded / max(1, one.examined)


def _unknown(one: Unscrambled) -> float:
    """Share of the keystreams that are not known."""
    scrambler = one.recipe.scrambler
    return float(scrambler.keystreams.unknown.mean()) if scrambler is not None else 0.0
