"""The whole search, question by question, from a dump to a recipe with its evidence."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.flash.dump import Dump
from deadstick.progress import Progress, silent
from deadstick.solve import encryption, findings
from deadstick.solve.check_hints import check_hints
from deadstick.solve.complete import from_parts, given_parts, keystream_period, with_known_translation
from deadstick.solve.endings import (
    ended_encrypted,
    nothing_to_read,
    unless_hidden,
    whole_pages,
    without_code,
    without_keystream,
)
from deadstick.solve.evidence import Finding, Hints, Solution
from deadstick.solve.find_code import find_code
from deadstick.solve.find_scrambler import Unscrambled, find_scrambler
from deadstick.solve.find_translation import SURE_VOLUME, find_translation
from deadstick.solve.geometry import PageCandidate, page_candidates
from deadstick.solve.library import look_up
from deadstick.solve.noise import SectorTest
from deadstick.solve.prove import prove
from deadstick.solve.register import find_registers
from deadstick.solve.rivals import neighbours
from deadstick.solve.survey import surveyed

REGISTER_BYTES = 32 << 20
NO_HINTS = Hints()


def solve(dump: Dump | NDArray[np.uint8], hints: Hints = NO_HINTS, progress: Progress = silent) -> Solution:
    """Find out what the controller did, from one dump and nothing else.

    Args:
        dump: one read of one chip, or its bytes as `uint8[bytes]`.
        hints: what is known already; each must fit the data.
        progress: told about `register`, `geometry`, `code`, `scrambler` and `translation`.

    Returns:
        A recipe with its evidence, or the reason why there is none.

    Raises:
        HintError: a hint is contradicted by the data.
    """
    data = dump.array if isinstance(dump, Dump) else dump
    if hints.recipe is not None:
        return _checked(prove(data, hints.recipe, progress), hints)
    nothing = nothing_to_read(data)
    if nothing is not None:
        return nothing
    shelf = look_up(data, hints, progress)
    solution = shelf.solution or _searched(data, hints, progress)
    if shelf.solution is None and shelf.finding is not None:
        solution = replace(solution, findings=(shelf.finding, *solution.findings))
    return _checked(solution, hints)


def _checked(solution: Solution, hints: Hints) -> Solution:
    """The solution, unless a hint contradicts it."""
    if solution.recipe is not None:
        check_hints(solution.recipe, hints, solution.findings)
    return solution


def _searched(data: NDArray[np.uint8], hints: Hints, progress: Progress) -> Solution:
    part = surveyed(data)
    progress("register", 0, 1)
    registers = find_registers(part[:REGISTER_BYTES])
    progress("geometry", 0, 1)
    candidates = _with_hints(page_candidates(part), hints)
    given = from_parts(part, hints, candidates, registers)
    if given is not None:
        return _described(data, given, hints, [given_parts(given)], progress)
    found = find_code(part, candidates, progress)
    if found is None:
        return without_code(part, candidates, hints)
    answers = [findings.page_size(found, candidates), findings.layout(found), findings.code(found)]
    progress("scrambler", 0, 1)
    plain = find_scrambler(found, registers)
    if plain is None:
        return without_keystream(data, found.layout, found.lag, answers)
    return _described(data, plain, hints, answers, progress)


def _described(
    data: NDArray[np.uint8], plain: Unscrambled, hints: Hints, answers: list[Finding], progress: Progress
) -> Solution:
    """What the corrected data are: encrypted, or those of volumes that tell the translation."""
    answers.append(findings.scrambler(plain))
    progress("content", 0, 1)
    pages = whole_pages(data, plain.recipe.layout)
    test = encryption.plaintext_test(pages, plain.recipe)
    if test.is_ciphertext:
        return ended_encrypted(encryption.encrypted(test, pages, plain.recipe.layout), answers)
    return _translated(pages, plain, hints, answers, test, progress)


def _translated(
    pages: NDArray[np.uint8],
    plain: Unscrambled,
    hints: Hints,
    answers: list[Finding],
    test: SectorTest,
    progress: Progress,
) -> Solution:
    translation = find_translation(pages, plain.recipe, keystream_period(plain), hints.pages_per_block, progress)
    known = hints.known.translation if hints.known else None
    recipe = with_known_translation(pages, translation.recipe, known, translation.volume_score)
    answers += [findings.block_size(translation), findings.translation(translation)]
    answers.append(findings.proof(plain, translation, neighbours(pages, recipe)))
    solution = Solution("solved", "the recipe decodes the dump", recipe, tuple(answers))
    if translation.volume_score >= SURE_VOLUME:
        return solution
    return unless_hidden(solution, test, pages, translation.recipe.layout)


def _with_hints(candidates: tuple[PageCandidate, ...], hints: Hints) -> tuple[PageCandidate, ...]:
    if hints.page_bytes is None and hints.spare_bytes is None:
        return candidates
    if hints.page_bytes is not None and hints.spare_bytes is not None:
        page = hints.page_bytes + hints.spare_bytes
        same = tuple(item for item in candidates if item.page_bytes == page)
        return (*same, PageCandidate(page, (), 0.0, "given by the user"))
    kept = tuple(item for item in candidates if _fits(item.page_bytes, hints))
    if not kept:
        seen = ", ".join(str(item.page_bytes) for item in candidates[:6]) or "none"
        raise HintError(f"no page size seen in the dump fits the hint; data and spare bytes together: {seen}")
    return kept


def _fits(page: int, hints: Hints) -> bool:
    if hints.page_bytes is not None:
        return hints.page_bytes < page <= 2 * hints.page_bytes
    return hints.spare_bytes is not None and (page - hints.spare_bytes).bit_count() == 1
