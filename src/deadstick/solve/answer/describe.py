"""What are the corrected data: encrypted, or those of volumes that tell where every page belongs?

Page, code and scrambler are known here. The answer is the whole solution: a recipe with the translation, and a doubt
where the volumes or the keystreams leave one.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.progress import Progress
from deadstick.solve.answer import encryption, findings
from deadstick.solve.answer.complete import keystream_period, with_known_translation
from deadstick.solve.answer.doubts import VolumeWitness, place_doubt
from deadstick.solve.answer.endings import ended_encrypted, unless_hidden, whole_pages
from deadstick.solve.answer.rivals import neighbours
from deadstick.solve.blocks.translation_trials import SURE_VOLUME
from deadstick.solve.common.evidence import Finding, Solution
from deadstick.solve.common.noise import SectorTest
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.interleave.find_interleave import FoundInterleave
from deadstick.solve.interleave.several import foreign_chip, spread_over
from deadstick.solve.scrambler.coded_pages import Unscrambled

MOST_RIVAL_BLOCKS, SURE_MARGIN = 4, 16.0
"""Block sizes that are tried where the keystreams leave several, and bits by which the volumes must prefer one."""


def described(chips: ChipSet, plain: Unscrambled, hints: Hints, answers: list[Finding], progress: Progress) -> Solution:
    """What the corrected data are: encrypted, or those of volumes that tell the translation.

    Args:
        chips: all dumps.
        plain: page, code and scrambler, which decode the first chip.
        hints: what is known already.
        answers: findings so far.
        progress: told about every step.

    Raises:
        HintError: a hint is contradicted by the data.
    """
    answers.append(findings.scrambler(plain))
    progress("content", 0, 1)
    pages = whole_pages(chips.first, plain.recipe.layout)
    test = encryption.plaintext_test(pages, plain.recipe)
    if test.is_ciphertext:
        return ended_encrypted(encryption.encrypted(test, pages, plain.recipe.layout), answers)
    if len(chips.groups) > 1:
        finding, is_foreign = foreign_chip(chips, plain.recipe)
        answers.append(finding)
        if is_foreign:
            return Solution("unsolved", f"{finding.answer}: {finding.figure}", None, tuple(answers))
    return _translated(chips, pages, plain, hints, answers, test, progress)


def _translated(
    chips: ChipSet,
    pages: NDArray[np.uint8],
    plain: Unscrambled,
    hints: Hints,
    answers: list[Finding],
    test: SectorTest,
    progress: Progress,
) -> Solution:
    spread, block_is_told = _spread(chips, plain, hints, progress)
    translation = spread.translation
    known = hints.known.translation if hints.known else None
    recipe = with_known_translation(
        chips.space(translation.recipe), translation.recipe, known, translation.volume_score
    )
    reason = "the recipe decodes the dump"
    score = translation.volume_score
    doubt = place_doubt(
        pages, recipe, VolumeWitness(score, spread.share, translation.is_anchored), is_given=known is not None
    )
    if doubt is None and not block_is_told:
        doubt = "the keystreams fit another block size as well"
    if doubt is not None:
        recipe = replace(recipe, interleave=replace(recipe.interleave, sure=False))
        reason += f"; {doubt}, so nothing is called exact"
    answers += [findings.block_size(translation), findings.translation(translation), spread.finding]
    answers.append(findings.proof(plain, translation, neighbours(pages, recipe)))
    solution = Solution("solved", reason, recipe, tuple(answers))
    if translation.volume_score >= SURE_VOLUME:
        return solution
    return unless_hidden(solution, test, pages, translation.recipe.layout)


def _spread(chips: ChipSet, plain: Unscrambled, hints: Hints, progress: Progress) -> tuple[FoundInterleave, bool]:
    """Where the pages belong, and whether the block size is certain.

    Where few pages near the borders of the blocks show their keystream, several block sizes fit. Pages between two such
    borders get the wrong keystream under all of them but one, and the volumes must tell which that is.
    """
    period, rivals = keystream_period(plain), plain.rule.schedule.rivals if plain.rule else ()
    if not rivals or period or hints.pages_per_block is not None:
        return spread_over(chips, plain.recipe, period, hints, progress), True
    spreads, objection = [], None
    for size in (plain.recipe.pages_per_block, *rivals[:MOST_RIVAL_BLOCKS]):
        try:
            recipe = replace(plain.recipe, pages_per_block=size)
            spreads.append(spread_over(chips, recipe, period, hints, progress))
        except HintError as error:  # the interleave of the user does not fit one of the sizes
            objection = objection or error
    if objection is not None and not spreads:
        raise objection
    if len(spreads) == 1:
        return spreads[0], False
    spreads.sort(key=lambda item: item.translation.volume_score, reverse=True)
    margin = spreads[0].translation.volume_score - spreads[1].translation.volume_score
    return spreads[0], margin >= SURE_MARGIN and len(rivals) <= MOST_RIVAL_BLOCKS
