"""A recipe that somebody brings is proven like any other hypothesis, never trusted."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.progress import Progress, silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import LOST
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import Translation
from deadstick.solve.answer import findings
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.translation_trials import SURE_VOLUME, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.common.evidence import Finding, Solution
from deadstick.solve.common.noise import constant_rows
from deadstick.solve.common.spread import evenly
from deadstick.solve.scrambler.coded_pages import decode_chance
from deadstick.solve.translation.find_translation import FoundTranslation, find_translation

PAGES = 256
FIRST_PAGES = 12
FEWEST_DECODED = 0.5
FEW_DECODED = 0.02
"""Share of codewords that is enough where a volume speaks for the recipe, too: a worn chip loses most of them."""
SURE_CHANCE = -6.0


@dataclass(frozen=True)
class Proof:
    """A recipe held against a dump.

    Attributes:
        recipe: the hypothesis; with another translation where its own did not fit and one was found that does.
        decoded: codewords that decode, of those examined.
        examined: codewords of written pages that are not constant.
        volume: bits by which the volumes on the disk are consistent.
        own_volume: the same under the hypothesis' own translation.
        refound: the translation that was found instead of the hypothesis' own; None where that fits.
    """

    recipe: Recipe
    decoded: int
    examined: int
    volume: float
    own_volume: float
    refound: FoundTranslation | None = None

    @property
    def log10_chance(self) -> float:
        """That words which are no codewords decode as often."""
        return decode_chance(self.recipe, self.decoded, self.examined)

    @property
    def is_decoding(self) -> bool:
        """Whether the code speaks for the recipe; without a code it cannot."""
        enough = self.decoded >= max(1, FEWEST_DECODED * self.examined)
        return self.recipe.code is not None and enough and self.log10_chance < SURE_CHANCE

    @property
    def is_sure(self) -> bool:
        """Whether code and volume together leave no doubt."""
        few = self.recipe.code is None or self.decoded >= FEW_DECODED * self.examined
        return (self.is_decoding or few) and self.volume >= SURE_VOLUME

    def figure(self) -> str:
        """What speaks for the recipe, in a line."""
        words = f"{self.decoded} of {self.examined} codewords decode; " if self.recipe.code else "no code; "
        return words + f"volumes consistent by {self.volume:.0f} bits"


def prove(data: NDArray[np.uint8], recipe: Recipe, progress: Progress = silent) -> Solution:
    """Prove a whole recipe that the user brings.

    Args:
        data: `uint8[bytes]`, the dump.
        recipe: the hypothesis.
        progress: told about `proof`.

    Returns:
        A solution with the recipe.

    Raises:
        HintError: the code corrects fewer than half of the codewords and no volume speaks for the recipe; another
            translation makes a volume where the recipe's own makes none; or there is no whole page.
    """
    proof = weigh(data, recipe, progress)
    if recipe.code is not None and not proof.is_decoding and not proof.is_sure:
        raise HintError(f"the recipe does not fit: only {proof.decoded} of {proof.examined} codewords decode under it")
    if proof.refound is not None:
        raise HintError(
            f"the recipe's translation ({recipe.translation.describe()}) does not fit: volumes are consistent by "
            f"{proof.own_volume:.0f} bits under it, and by {proof.volume:.0f} bits under another "
            f"({_translation(proof.recipe)}); take the translation out of the file to have it searched"
        )
    return Solution("solved", "the given recipe decodes the dump", recipe, (given_finding(proof),))


def given_finding(proof: Proof) -> Finding:
    """What speaks for a recipe that was brought along."""
    code = proof.recipe.code
    answer = code.describe() if code else "no code"
    chance = proof.log10_chance if code else -proof.volume * float(np.log10(2))
    if proof.volume < SURE_VOLUME:
        answer += "; no volume was recognised, so keystream and order of blocks are not proven"
    return Finding("given recipe", answer, proof.figure(), chance, meaning=findings.WRONG_DECODES)


def weigh(data: NDArray[np.uint8], recipe: Recipe, progress: Progress = silent, *, is_trusted: bool = True) -> Proof:
    """Hold a recipe against a dump: by its code, then by the volumes that it makes.

    Args:
        data: `uint8[bytes]`, the dump.
        recipe: the hypothesis.
        progress: told about `proof`.
        is_trusted: the translation is searched only if the recipe's own makes no volume. Otherwise it is always
            searched, and the recipe's own stands only if it is at least as good: a controller of the same make with
            another version field makes a volume, too, but with older copies in it.

    Raises:
        HintError: there is no whole page.
    """
    pages = _pages(data, recipe)
    decoded, examined = 0, 0
    for most in (FIRST_PAGES, PAGES):
        progress("proof", 0, 2)
        decoded, examined = count_decoded(pages, recipe, most)
        if recipe.code is not None and not decoded:
            break  # a few pages are enough to dismiss a recipe
    proof = Proof(recipe, decoded, examined, 0.0, 0.0)
    if recipe.code is not None and not proof.is_decoding and decoded < FEW_DECODED * examined:
        return proof
    progress("proof", 1, 2)
    own = volume_score(pages, recipe)
    proof = replace(proof, volume=own, own_volume=own)
    if own >= SURE_VOLUME and is_trusted:
        return proof
    refound = _refound(pages, recipe, progress)
    if refound is None or refound.volume_score < max(SURE_VOLUME, 2 * own if is_trusted else own):
        return proof
    if _places(refound.recipe) == _places(recipe):
        return replace(proof, volume=max(own, refound.volume_score))
    return replace(proof, recipe=refound.recipe, volume=refound.volume_score, refound=refound)


def count_decoded(pages: NDArray[np.uint8], recipe: Recipe, most: int) -> tuple[int, int]:
    """(codewords that decode, codewords) in some pages, without erased and constant pages."""
    numbers = evenly(len(pages), most)
    numbers = numbers[~constant_rows(pages[numbers])]
    errors = recipe.decode(pages[numbers], numbers).errors
    return int((errors >= 0).sum()), int((errors >= LOST).sum())


def volume_score(pages: NDArray[np.uint8] | PageSpace, recipe: Recipe) -> float:
    """Bits by which the volumes are consistent that a whole recipe makes of a dump.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump; or the pages of several chips.
        recipe: with its translation and interleave.
    """
    space = PageSpace.of(pages, recipe.pages_per_block)
    if len(space) < recipe.pages_per_block:
        return 0.0
    return consistency(space, recipe, block_metadata(space, recipe, with_cut=True), PageCache()).score


def _refound(pages: NDArray[np.uint8], recipe: Recipe, progress: Progress) -> FoundTranslation | None:
    """Search the translation, and the block size where the keystream does not depend on it."""
    scrambler, size = recipe.scrambler, recipe.pages_per_block
    by_page = scrambler is None or (
        scrambler.page_step == 1 and scrambler.block_step == size % scrambler.keystreams.count
    )
    period = scrambler.keystreams.count if scrambler is not None and by_page else 0
    try:
        # Blocks that go together look like one of twice the size: with planes the recipe's own size is kept.
        is_open = by_page and recipe.interleave.is_none
        return find_translation(pages, recipe, period, None if is_open else size, progress)
    except HintError:
        # The metadata contradict the block size that the keystreams of this recipe need: nothing can be found under it.
        return None


def _pages(data: NDArray[np.uint8], recipe: Recipe) -> NDArray[np.uint8]:
    size = recipe.layout.page_bytes
    count = len(data) // size
    if not count:
        raise HintError(f"the recipe's page of {size} bytes is longer than the dump")
    return data[: count * size].reshape(count, -1)


def _places(recipe: Recipe) -> tuple[Translation, int, bool]:
    """What decides where the blocks go, and whether the data come out as their complement."""
    return recipe.translation, recipe.pages_per_block, recipe.code is not None and recipe.code.inverted


def _translation(recipe: Recipe) -> str:
    return f"{recipe.translation.describe()}; {recipe.pages_per_block} pages a block"
