"""The page itself, where two were taken for one, or one codeword of it for all."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice

from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.places import telling
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.codeword.word_fit import decoding_share
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.other_codes.found import FoundOther, loose_metadata
from deadstick.solve.page.code import code_view
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page.marker import with_marker_found
from deadstick.solve.page.row_view import RowView
from deadstick.solve.register.register import Register
from deadstick.solve.scrambler.coded_pages import CodedPages, Reread, Unscrambled
from deadstick.solve.scrambler.metadata_order import orders
from deadstick.solve.whole_page import multiple
from deadstick.solve.whole_page.differences import by_differences, smallest_part
from deadstick.solve.whole_page.equal_words import by_equal_words
from deadstick.solve.whole_page.multiple import Multiple
from deadstick.solve.whole_page.shifted_words import by_parity, joined

MOST_OF_LAG = 2
"""Larger pages that are asked for a scrambler, each of which takes as long as all pages before."""
REST_SHARE = 0.5
"""Of the words that the rest of a page would be, those that may fail though it is no rest."""


def whole_page(found: FoundPage, registers: tuple[Register, ...]) -> FoundPage:
    """The page, where pages in a row, or codewords that fill it without a rest, were taken for pages.

    Args:
        found: from `find_code`.
        registers: seen in the dump as read.
    """
    page = _repeated(found, registers)
    return page if page.layout == found.layout else _with_marker(page)


def larger_page(plain: Unscrambled, survey: Survey) -> Multiple | None:
    """How many pages are one, by their metadata, where a register that starts anew at every codeword hid them.

    Nothing but the metadata tells single codewords from a page of several, if they fill it without a rest and all pages
    of a block have one keystream; and they can be read once that is known.

    Args:
        plain: of the smaller pages.
        survey: of the smaller pages.

    Returns:
        None where the metadata tell no larger page.
    """
    recipe = plain.recipe
    scrambler, layout = recipe.scrambler, recipe.layout
    if scrambler is None or scrambler.restart != "codeword" or scrambler.page_step % scrambler.keystreams.count:
        return None
    larger = multiple.by_metadata(survey.pages, recipe) if multiple.is_filled(layout) else None
    if larger is None or recipe.pages_per_block % larger.times or not multiple.plausible(layout, larger.times):
        return None
    return larger


def with_larger_pages(plain: Unscrambled, times: int) -> Unscrambled:
    """The same with so many pages as one, all of which have one keystream."""
    recipe = plain.recipe
    layout = multiple.repeated(recipe.layout, times)
    rule = plain.rule and replace(plain.rule, schedule=_of_larger_pages(plain.rule.schedule, times))
    recipe = replace(recipe, pages_per_block=recipe.pages_per_block // times, layout=layout)
    return replace(plain, recipe=recipe, rule=rule)


def pages_of_lag(found: CodedPages) -> Iterator[tuple[Multiple, Reread]]:
    """Larger pages in which what were taken for pages have different keystreams each.

    Where a keystream starts anew at the page and all pages of a block have one, its pieces come again after as many
    codewords as a page has, at no shorter distance, and after a block no more. No rule of single codewords holds that,
    since their keystreams go neither by place nor by block.

    Args:
        found: pages under which no scrambler was found.

    Returns:
        The largest first.
    """
    if not found.lag or not multiple.is_filled(found.layout):
        return
    likely = (n for n in multiple.MULTIPLES[::-1] if found.lag % n == 0 and multiple.plausible(found.layout, n))
    for times in islice(likely, MOST_OF_LAG):
        layout, lag = multiple.repeated(found.layout, times), found.lag // times
        words = f"the keystream of one in {times} equal parts comes again in every page"
        yield Multiple(times, words), Reread(Survey(found.survey.data, layout.page_bytes), layout, found.code, lag)


def _of_larger_pages(schedule: Schedule, times: int) -> Schedule:
    rivals = tuple(size // times for size in schedule.rivals if size % times == 0)
    return replace(schedule, pages_per_block=schedule.pages_per_block // times, rivals=rivals)


def _repeated(found: FoundPage, registers: tuple[Register, ...]) -> FoundPage:
    found = _without_rest(found)
    half = _half(found.layout)
    while half is not None:
        found = _with_layout(found, half, 2 * found.lag, found.candidate.witness)
        half = _half(half)
    layout = found.layout
    together = by_parity(found)
    if together is not None:
        return _joined(found, together)
    if not multiple.is_filled(layout):
        return found
    smaller = _fewer_codewords(found, registers)
    if smaller is not None:
        return smaller
    larger = multiple.by_register(found.survey.data, layout, registers)
    if larger is None and found.lag:
        return _told_by_differences(found)
    if larger is None:
        larger = _told_by_words(found)
    if larger is None or not multiple.plausible(layout, larger.times):
        return found
    lag = found.lag // larger.times if found.lag % larger.times == 0 else found.lag
    return _with_layout(found, multiple.repeated(layout, larger.times), lag, larger.figure)


def _told_by_words(found: FoundPage) -> Multiple | None:
    """What metadata tell, in the open or under the keystreams of equal words."""
    # A complement is all that the window knows of inversion and mask; for the metadata either will do.
    code = replace(found.code, inverted=found.window.complement)
    pages = found.survey.pages
    told = multiple.by_metadata(pages, Recipe(1, found.layout, code))
    if told is not None:
        return told
    # Under a keystream over both, columns do not tell whether metadata stand before the data or behind them.
    under = (by_equal_words(pages, Recipe(1, layout, code)) for layout in orders(found.layout))
    return next((equal for equal in under if equal is not None), None)


def _told_by_differences(found: FoundPage) -> FoundPage:
    """The page of as many of its smallest parts as the metadata of differences tell."""
    # Columns of differences may leave open whether metadata stand before the data or behind them.
    for layout in orders(found.layout):
        part = smallest_part(layout)
        parts = layout.page_bytes // part.page_bytes
        survey = Survey(found.survey.data, part.page_bytes)
        told = by_differences(survey, part, found.code, parts * found.lag, parts)
        if told is not None and told.times != parts:
            page = multiple.repeated(smallest_part(found.layout), told.times)
            return _with_layout(found, page, parts * found.lag // told.times, told.figure)
        if told is not None:
            break
    return found


def whole_other_page(found: FoundOther) -> FoundOther:
    """The page under a code that is no BCH code, where several pages were taken for one, or one for several.

    Args:
        found: from `find_other_code`.
    """
    if not found.lag:
        return found  # a register, or none: its pages are read as they are
    part = smallest_part(found.layout)
    parts = found.layout.page_bytes // part.page_bytes
    survey = Survey(found.survey.data, part.page_bytes)
    told = by_differences(survey, part, found.code, parts * found.lag, parts)
    if told is None or told.times == parts:
        return found
    lag, layout = parts * found.lag // told.times, multiple.repeated(part, told.times)
    kind = f"differences of pages {lag} apart"
    return replace(
        found,
        survey=Survey(found.survey.data, layout.page_bytes),
        layout=layout,
        lag=lag,
        candidate=replace(found.candidate, page_bytes=layout.page_bytes, witness=told.figure),
        kind=kind,
        figure=found.figure.replace(found.kind, kind),
    )


def _joined(found: FoundPage, together: Multiple) -> FoundPage:
    """The page of several parts, with metadata behind its codewords if there are any."""
    layout, lag = joined(found.layout, together.times), found.lag // together.times
    page = _with_layout(found, layout, lag, together.figure)
    rows = code_view(RowView(page.survey, page.way).rows, page.window)
    return replace(page, layout=replace(layout, loose=loose_metadata(rows, layout.codewords)))


def _without_rest(found: FoundPage) -> FoundPage:
    """A page of one codeword, where an odd number of them was taken for a page with something unused behind."""
    unit = multiple.unit_with_rest(found.layout)
    if unit is None:
        return found
    times = found.layout.page_bytes // unit.page_bytes
    smaller = _with_layout(found, unit, times * found.lag, found.candidate.witness)
    rows = code_view(RowView(smaller.survey, times * found.lag if found.lag else found.way).rows, found.window)
    share, _ = decoding_share(rows, found.words.bch, unit)
    # The rest of the larger page would be a word that never decodes, one of ten or fewer.
    return smaller if share >= found.share * (1 - REST_SHARE / times) else found


def _fewer_codewords(found: FoundPage, registers: tuple[Register, ...]) -> FoundPage | None:
    """A page of fewer codewords, where several pages that are filled were taken for one and the register tells."""
    layout, count = found.layout, len(found.layout.codewords)
    if layout.page_bytes % count:
        return None  # codewords that end inside a byte make no pages
    unit = PageLayout(layout.page_bytes // count, layout.codewords[:1])
    if count == 1 or multiple.repeated(unit, count).codewords != layout.codewords:
        return None
    told = multiple.by_register(found.survey.data, unit, registers)
    if told is None or told.times >= count or count % told.times or not multiple.plausible(unit, told.times):
        return None
    return _with_layout(found, multiple.repeated(unit, told.times), found.lag * count // told.times, told.figure)


def _with_marker(found: FoundPage) -> FoundPage:
    """The page with the byte of its bad-block marker in place, which lies at another column than before."""
    view = RowView(found.survey, found.way)
    rows = code_view(view.rows, found.window)
    differences = in_code_order(view.differences, found.window.bit_order)
    return replace(found, layout=with_marker_found(rows[telling(rows)], differences, found.words.bch, found.layout))


def _half(layout: PageLayout) -> PageLayout | None:
    return None if multiple.is_filled(layout) else multiple.halved(layout)


def _with_layout(found: FoundPage, layout: PageLayout, lag: int, witness: str) -> FoundPage:
    survey = Survey(found.survey.data, layout.page_bytes)
    candidate = replace(found.candidate, page_bytes=layout.page_bytes, witness=witness)
    window = replace(found.window, kind=f"differences of pages {lag} apart") if lag else found.window
    way = lag or found.way
    return replace(found, survey=survey, layout=layout, window=window, way=way, candidate=candidate)
