"""A partial recipe made whole: where layout and code are given, only the rest is searched."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError, RecipeError
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler
from deadstick.recipe.translation import Translation
from deadstick.solve.answer.findings import WRONG_DECODES
from deadstick.solve.answer.prove import FEWEST_DECODED, SURE_CHANCE, volume_score
from deadstick.solve.blocks.translation_trials import SURE_VOLUME
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.common.evidence import Finding
from deadstick.solve.hints.hints import Hints
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.register.register import Register
from deadstick.solve.scrambler.coded_pages import Unscrambled, count_decoded, decode_chance, proof_pages
from deadstick.solve.scrambler.find_scrambler import find_scrambler


@dataclass(frozen=True)
class GivenPages:
    """Pages whose layout and code the user gave; implements `coded_pages.CodedPages`."""

    survey: Survey
    layout: PageLayout
    code: Code
    lag: int


def from_parts(
    part: NDArray[np.uint8], hints: Hints, candidates: Sequence[PageCandidate], registers: tuple[Register, ...]
) -> Unscrambled | None:
    """Find the scrambler under a layout and a code that are given, or prove the one that is given, too.

    Args:
        part: `uint8[bytes]`, the surveyed part of the dump.
        hints: with the parts.
        candidates: page sizes with the lags after which bytes come again.
        registers: seen in the dump as read.

    Returns:
        None where layout or code is not given whole: then both are searched, narrowed by the hints.

    Raises:
        HintError: the parts do not go together, or fewer than half of the codewords decode under them.
    """
    known = hints.known
    if known is None or known.layout is None or known.code is None:
        return None
    layout, code = known.layout, known.code
    try:
        recipe = Recipe(hints.pages_per_block or 1, layout, code)
    except RecipeError as error:
        raise HintError(f"layout and code of the recipe file do not go together: {error}") from error
    survey = Survey(part, layout.page_bytes)
    if known.scrambler is not None:
        return _proven(_with_scrambler(recipe, known.scrambler, hints), GivenPages(survey, layout, code, 0))
    best = None
    for lag in _lags(layout.page_bytes, hints, candidates):
        best = find_scrambler(GivenPages(survey, layout, code, lag), registers)
        if best is not None:
            break
    return best or _proven(recipe, GivenPages(survey, layout, code, 0))


def _lags(page_bytes: int, hints: Hints, candidates: Sequence[PageCandidate]) -> Iterator[int]:
    """Pages after which the keystream may come again."""
    if hints.scrambler is not None and hints.scrambler.period is not None:
        yield hints.scrambler.period
    for candidate in candidates:
        if candidate.page_bytes == page_bytes:
            yield from candidate.periods
    yield 0


def _with_scrambler(recipe: Recipe, scrambler: Scrambler, hints: Hints) -> Recipe:
    if hints.pages_per_block is None and (scrambler.block_step or scrambler.page_step != 1):
        raise HintError("the keystreams of the recipe file go by block: give --pages-per-block, too")
    # Without steps by block the keystream goes by the place in the block, which is a number of the page if the block
    # has as many pages as there are keystreams.
    pages = hints.pages_per_block or scrambler.keystreams.count
    return replace(recipe, pages_per_block=pages, scrambler=scrambler)


def _proven(recipe: Recipe, given: GivenPages) -> Unscrambled:
    decoded, examined = count_decoded(recipe, given, proof_pages(given))
    if decoded < max(1, FEWEST_DECODED * examined) or decode_chance(recipe, decoded, examined) > SURE_CHANCE:
        what = "layout and code" if recipe.scrambler is None else "layout, code and scrambler"
        raise HintError(
            f"{what} of the recipe file do not fit the dump: {decoded} of {examined} codewords decode under them"
            + ("" if recipe.scrambler else ", and no scrambler was found under which more do")
        )
    return Unscrambled(recipe, decoded, examined)


def keystream_period(plain: Unscrambled) -> int:
    """Pages after which the keystream comes again, if it goes by the number of the page on the chip; else 0.

    Then the block size is free, and is searched; otherwise the keystreams tie it.
    """
    scrambler = plain.recipe.scrambler
    if scrambler is None or scrambler.page_step != 1:
        return 0
    count = scrambler.keystreams.count
    # The number goes on from one block to the next without a break.
    return count if (plain.recipe.pages_per_block - scrambler.block_step) % count == 0 else 0


def given_parts(plain: Unscrambled) -> Finding:
    """What speaks for the parts that were given."""
    recipe = plain.recipe
    answer = "; ".join(f"{name}: {recipe.describe()[name]}" for name in ("page", "layout", "code", "scrambler"))
    chance = decode_chance(recipe, plain.decoded, plain.examined)
    figure = f"{plain.decoded} of {plain.examined} codewords decode"
    return Finding("given parts", answer, figure, chance, meaning=WRONG_DECODES)


def with_known_translation(
    pages: NDArray[np.uint8] | PageSpace, recipe: Recipe, translation: Translation | None, volume: float
) -> Recipe:
    """The recipe with the translation that was given, unless another makes a far better volume.

    A few facts of a volume may speak for the wrong one of two copies, so small differences refuse nothing.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump; or the pages of several chips.
        recipe: with the translation that was found.
        translation: given; None where none was.
        volume: bits by which the volumes are consistent under what was found.

    Raises:
        HintError: the one that was found makes a volume that is consistent by more than twice the bits.
    """
    if translation is None or translation == recipe.translation:
        return recipe
    changed = replace(recipe, translation=translation)
    score = volume_score(pages, changed)
    if volume >= SURE_VOLUME and 2 * score < volume:
        raise HintError(
            f"the translation of the recipe file ({translation.describe()}) does not fit: volumes are consistent by "
            f"{score:.0f} bits under it, and by {volume:.0f} bits under {recipe.translation.describe()}"
        )
    return changed
