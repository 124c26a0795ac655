"""The whole search, question by question, from a dump to a recipe with its evidence."""

from collections.abc import Sequence
from contextlib import ExitStack
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.flash.dump import Dump
from deadstick.progress import Progress, silent
from deadstick.solve.answer import findings
from deadstick.solve.answer.complete import from_parts, given_parts
from deadstick.solve.answer.describe import described
from deadstick.solve.answer.doubts import doubted
from deadstick.solve.answer.endings import nothing_to_read, without_code, without_keystream
from deadstick.solve.answer.prove import prove
from deadstick.solve.answer.without_code import find_without_code
from deadstick.solve.codeword.survey import SURVEY_BYTES, surveyed
from deadstick.solve.common.evidence import Finding, Solution
from deadstick.solve.common.noise import may_hold_parity
from deadstick.solve.hints.check_hints import check_hints, check_number
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.interleave.several import prove_several, solve_several
from deadstick.solve.library.library_look_up import look_up
from deadstick.solve.library.library_several import look_up_several
from deadstick.solve.other_codes.find_other_code import FoundOther, OtherCodeSearch
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page_size import sector_ends
from deadstick.solve.page_size.geometry import PageCandidate, page_candidates
from deadstick.solve.page_size.page_lags import with_page_lags
from deadstick.solve.page_size.restarts import candidates_by_register
from deadstick.solve.register.register import Register, find_registers, with_known
from deadstick.solve.scrambler.coded_pages import CodedPages, Unscrambled
from deadstick.solve.scrambler.find_scrambler import find_scrambler
from deadstick.solve.whole_page.multiple import Multiple
from deadstick.solve.whole_page.whole_page import (
    larger_page,
    pages_of_lag,
    whole_other_page,
    whole_page,
    with_larger_pages,
)

REGISTER_BYTES, ENDS_BYTES = 32 << 20, 16 << 20
SEARCH_SECONDS, OTHER_SECONDS = 130.0, 25.0
"""No step of the search for a code begins after so long, and the last part of it is for codes that are not BCH: an
honest "not found" in minutes is worth more than a hope for hours."""
NO_HINTS = Hints()


def solve(
    dump: Dump | NDArray[np.uint8] | Sequence[Dump | NDArray[np.uint8]],
    hints: Hints = NO_HINTS,
    progress: Progress = silent,
) -> Solution:
    """Find out what the controller did, from one dump of each chip and nothing else.

    Args:
        dump: one read of one chip, or its bytes as `uint8[bytes]`; of several chips one each, in any order.
        hints: what is known already; each must fit the data.
        progress: told about `register`, `geometry`, `code`, `scrambler`, `translation` and `interleave`.

    Returns:
        A recipe with its evidence, or the reason why there is none.

    Raises:
        HintError: a hint is contradicted by the data.
    """
    dumps = [dump] if isinstance(dump, Dump | np.ndarray) else dump
    check_number(hints.interleave, len(dumps))
    with ExitStack() as reading:
        for one in dumps:
            if isinstance(one, Dump):
                reading.enter_context(one.read_here_and_there(SURVEY_BYTES))
        return _solved([one.array if isinstance(one, Dump) else one for one in dumps], hints, progress)


def _solved(arrays: list[NDArray[np.uint8]], hints: Hints, progress: Progress) -> Solution:
    """The same with the bytes of the dumps."""
    if len(arrays) > 1:
        return _checked(_solved_several(arrays, hints, progress), hints)
    data = arrays[0]
    if hints.recipe is not None:
        return _checked(prove(data, hints.recipe, progress), hints)
    nothing = nothing_to_read(data)
    if nothing is not None:
        return nothing
    shelf = look_up(data, hints, progress)
    if shelf.solution is not None:
        return _checked(doubted(data, shelf.solution, progress), hints)
    return _checked(shelf.noted(_searched(ChipSet((data,)), hints, progress)), hints)


def _solved_several(dumps: Sequence[NDArray[np.uint8]], hints: Hints, progress: Progress) -> Solution:
    if hints.recipe is not None:
        return prove_several(dumps, hints.recipe)
    shelf = look_up_several(dumps, hints, progress, described)
    return shelf.solution or shelf.noted(solve_several(dumps, hints, progress, _searched))


def _checked(solution: Solution, hints: Hints) -> Solution:
    """The solution, unless a hint contradicts it."""
    if solution.recipe is not None:
        check_hints(solution.recipe, hints, solution.findings)
    return solution


def _searched(chips: ChipSet, hints: Hints, progress: Progress) -> Solution:
    data = chips.first
    part = surveyed(data)
    progress("register", 0, 1)
    known = hints.scrambler.polynomial if hints.scrambler else None
    registers = with_known(part, find_registers(part[:REGISTER_BYTES]), known)
    progress("geometry", 0, 1)
    likeliest = (*candidates_by_register(part, registers), *sector_ends.page_sizes(part[:ENDS_BYTES]))
    candidates = _with_hints(with_page_lags(part, page_candidates(part, likeliest)), hints)
    given = from_parts(part, hints, candidates, registers)
    if given is not None:
        return described(chips, given, hints, [given_parts(given)], progress)
    if hints.code is not None and hints.code.family == "none":
        readable = _codeless(data, part, candidates, hints, progress)
        if readable.recipe is not None:
            return readable
    coded = _coded(part, candidates, registers, hints, progress) if may_hold_parity(part) else None
    if coded is None:
        return _codeless(data, part, candidates, hints, progress)
    pages, answers = coded
    progress("scrambler", 0, 1)
    plain, larger = _unscrambled(pages, registers)
    if plain is None:
        return without_keystream(data, pages.layout, pages.code, pages.lag, answers)
    if larger is not None:
        answers = findings.with_page(answers, plain.recipe.layout, larger)
    return described(chips, plain, hints, answers, progress)


def _unscrambled(pages: CodedPages, registers: tuple[Register, ...]) -> tuple[Unscrambled | None, Multiple | None]:
    """The scrambler, and how many pages are one, where it or the metadata under it told that."""
    plain = find_scrambler(pages, registers)
    if plain is not None:
        larger = larger_page(plain, pages.survey)
        return (with_larger_pages(plain, larger.times), larger) if larger is not None else (plain, None)
    read = ((larger, find_scrambler(joined, registers)) for larger, joined in pages_of_lag(pages))
    return next(((plain, larger) for larger, plain in read if plain is not None), (None, None))


def _coded(
    part: NDArray[np.uint8],
    candidates: tuple[PageCandidate, ...],
    registers: tuple[Register, ...],
    hints: Hints,
    progress: Progress,
) -> tuple[CodedPages, list[Finding]] | None:
    """Pages under a code, with the answers; the family that the user names is asked first."""
    codes = CodeSearch(part, candidates, registers, progress)
    others = OtherCodeSearch(part, candidates, registers, progress)
    deadline = monotonic() + SEARCH_SECONDS

    def bch(found: FoundPage | None) -> tuple[CodedPages, list[Finding]] | None:
        if found is None:
            return None
        found = whole_page(found, registers)
        return found, [findings.page_size(found, candidates), findings.layout(found), findings.code(found)]

    def other(found: FoundOther | None) -> tuple[CodedPages, list[Finding]] | None:
        if found is None:
            return None
        found = whole_other_page(found)
        return found, findings.other_code(found, candidates)

    if hints.code is not None and hints.code.family not in {"bch", "none"}:
        named = other(others.named(hints.code.family, deadline))
        if named is not None:
            return named
    return (
        bch(codes.first(hints.code, hints.bit_order))
        or other(others.first(codes.rows.chip_rate(candidates[0]) if candidates else None))
        or bch(codes.later(deadline - OTHER_SECONDS))
        or other(others.later(deadline))
    )


def _codeless(
    data: NDArray[np.uint8],
    part: NDArray[np.uint8],
    candidates: tuple[PageCandidate, ...],
    hints: Hints,
    progress: Progress,
) -> Solution:
    """No code was found; are the data readable all the same?"""
    readable = find_without_code(data, candidates, progress) if candidates else None
    if readable is None:
        return without_code(part, candidates, hints)
    reason = "no code was found; the data are readable as they stand, and nothing checks them"
    return Solution("solved", reason, readable.recipe, tuple(findings.codeless(readable)))


def _with_hints(candidates: tuple[PageCandidate, ...], hints: Hints) -> tuple[PageCandidate, ...]:
    if hints.page_bytes is None and hints.spare_bytes is None:
        return candidates
    if hints.page_bytes is not None and hints.spare_bytes is not None:
        page = hints.page_bytes + hints.spare_bytes
        same = tuple(item for item in candidates if item.page_bytes == page)
        return (*same, PageCandidate(page, (), 0.0, "given by the user"))
    kept = tuple(item for item in candidates if _fits(item.page_bytes, hints))
    if not kept:
        seen = ", ".join(f"{item.page_bytes} ({item.figure:.0f} standard deviations)" for item in candidates[:6])
        raise HintError(f"no page size seen in the dump fits the hint; data and spare bytes together: {seen or 'none'}")
    return kept


def _fits(page: int, hints: Hints) -> bool:
    if hints.page_bytes is not None:
        return hints.page_bytes < page <= 2 * hints.page_bytes
    return hints.spare_bytes is not None and (page - hints.spare_bytes).bit_count() == 1
