"""Pages whose code is known, and how well a hypothesis on the scrambler decodes them."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.certainty import chances_of
from deadstick.recipe.code import LOST, Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly, evenly_of
from deadstick.solve.keystream.keystream import SeedRule
from deadstick.solve.keystream.stored_keystreams import StoredTable
from deadstick.solve.register.register import Register

PROOF_PAGES = 64
FIRST_PAGES = 8
CONVINCING = -6.0
CONVINCING_SHARE = 0.5
"""Share of codewords that must decode before a hypothesis is taken up; a wrong one decodes about 1/t! of them."""
ALIKE = 3.0
"""Standard deviations of the words that fail, by which two hypotheses may differ though both are right."""
FEWER_ERRORS = 1.0
"""Errors in a word by which one hypothesis must be better: a byte under a wrong keystream has four."""


class CodedPages(Protocol):
    """Pages whose layout and code are known, found or given."""

    @property
    def survey(self) -> Survey:
        """Pages of the right size."""

    @property
    def layout(self) -> PageLayout:
        """Of one page."""

    @property
    def code(self) -> Code:
        """With its bit order; inversion and mask may be unknown yet."""

    @property
    def lag(self) -> int:
        """Pages apart whose differences are codewords; 0 where the pages themselves are."""


@dataclass(frozen=True)
class Reread:
    """Implements `CodedPages`: the same pages and code under another layout.

    Attributes:
        survey: see `CodedPages`.
        layout: the other one.
        code: see `CodedPages`.
        lag: see `CodedPages`.
    """

    survey: Survey
    layout: PageLayout
    code: Code
    lag: int

    @classmethod
    def of(cls, found: CodedPages, layout: PageLayout) -> "Reread":
        """Pages with another layout."""
        return cls(found.survey, layout, found.code, found.lag)


@dataclass(frozen=True)
class Unscrambled:
    """A recipe that decodes, as far as the code and the scrambler go.

    Attributes:
        recipe: with identity translation.
        decoded: codewords of the proof pages that decode.
        examined: codewords of the proof pages.
        register: the shift register, where there is a scrambler.
        rule: where it restarts, where there is a scrambler.
        derived: keystreams whose seed came from the code's equations, or that are not known.
        table: keystreams without a register.
        errors: mean number in a codeword that decodes.
    """

    recipe: Recipe
    decoded: int
    examined: int
    register: Register | None = None
    rule: SeedRule | None = None
    derived: int = 0
    table: StoredTable | None = None
    errors: float = 0.0

    @property
    def wrong(self) -> float:
        """Mean number of errors in a codeword; one more than the code bears in those that do not decode."""
        lost = self.recipe.code.t + 1 if self.recipe.code is not None else 0
        return (self.decoded * self.errors + (self.examined - self.decoded) * lost) / max(1, self.examined)


def proof_pages(found: CodedPages, most: int = PROOF_PAGES) -> NDArray[np.int64]:
    """Pages on which hypotheses are tested."""
    return found.survey.some_written(most)


def count_decoded(recipe: Recipe, found: CodedPages, pages: NDArray[np.int64]) -> tuple[int, int]:
    """(codewords that decode, codewords) in some pages."""
    decoded, examined, _ = _decoded_words(recipe, found, pages)
    return decoded, examined


def _decoded_words(recipe: Recipe, found: CodedPages, pages: NDArray[np.int64]) -> tuple[int, int, float]:
    """The same, and the mean number of errors in a codeword that decodes."""
    return _counted(recipe.decode(found.survey.pages[pages], pages).errors)


def _counted(errors: NDArray[np.int16]) -> tuple[int, int, float]:
    """The same of the errors of codewords."""
    good = errors >= 0
    return int(good.sum()), int((errors >= LOST).sum()), float(errors[good].mean()) if good.any() else 0.0


def better(best: Unscrambled | None, recipe: Recipe, found: CodedPages) -> Unscrambled | None:
    """The better of two hypotheses; a few pages are enough to dismiss one.

    Only pages count whose keystream is known under the hypothesis.
    """
    pages = known_pages(recipe, np.flatnonzero(found.survey.written))
    for most in (FIRST_PAGES, PROOF_PAGES):
        decoded, examined, errors = _decoded_words(recipe, found, pages[evenly(len(pages), most)])
        if decoded < CONVINCING_SHARE * examined or decode_chance(recipe, decoded, examined) > CONVINCING:
            return best
    found_one = Unscrambled(recipe, decoded, examined, errors=errors)
    return found_one if best is None or is_better(*_on_same_pages(found_one, best, found)) else best


def _on_same_pages(one: Unscrambled, other: Unscrambled, found: CodedPages) -> tuple[Unscrambled, Unscrambled]:
    """Two hypotheses with the counts of pages that both know, where each knows others.

    All words of a block that a controller filled in another way fail, under any hypothesis. How many such pages lie
    under a few keystreams is chance, and tells nothing of these. So words that fail under both do not count: what is
    left differs by the keystreams alone (a paired comparison: Q. McNemar, Psychometrika 12, 1947).
    """
    written = np.flatnonzero(found.survey.written)
    known, others = known_pages(one.recipe, written), known_pages(other.recipe, written)
    both = evenly_of(np.intersect1d(known, others, assume_unique=True), PROOF_PAGES)
    if np.array_equal(known, others) or not len(both):
        return one, other
    pair = [each.recipe.decode(found.survey.pages[both], both).errors for each in (one, other)]
    telling = (pair[0] >= 0) | (pair[1] >= 0)
    if not telling.any():
        return one, other
    counts = [_counted(errors[telling]) for errors in pair]
    first, second = (
        replace(each, decoded=decoded, examined=examined, errors=errors)
        for each, (decoded, examined, errors) in zip((one, other), counts, strict=True)
    )
    return first, second


def is_better(one: Unscrambled, other: Unscrambled) -> bool:
    """Whether more decodes; of two that decode alike, one a part of the other, that which explains more keystreams.

    Words with too many bit errors fail under both, and the pages under a few keystreams may have fewer of them. Where
    that leaves two alike, a byte of each word may lie under a wrong keystream, and the code bears it.
    """
    more = _unknown(other.recipe) - _unknown(one.recipe)
    failed = one.examined - one.decoded + other.examined - other.decoded
    if more and abs(one.decoded - other.decoded) < ALIKE * np.sqrt(failed):
        return more > 0
    if (one.decoded, more) == (other.decoded, 0):
        return one.errors < other.errors - FEWER_ERRORS
    return (one.decoded, more) > (other.decoded, 0)


def _unknown(recipe: Recipe) -> int:
    return int(recipe.scrambler.keystreams.unknown.sum()) if recipe.scrambler is not None else 0


def known_pages(recipe: Recipe, pages: NDArray[np.int64]) -> NDArray[np.int64]:
    """Those of some pages whose keystream is known."""
    scrambler = recipe.scrambler
    if scrambler is None:
        return pages
    return pages[~scrambler.keystreams.unknown[scrambler.index(pages, recipe.pages_per_block)]]


def decode_chance(recipe: Recipe, decoded: int, examined: int) -> float:
    """Logarithm of the chance that so many words which are no codewords decode.

    A word falls into a decoding sphere by accident with the chance of the spheres' share of all words, about 1/t!.
    """
    code = recipe.code
    if code is None:
        return 0.0
    share = min(1.0, float(chances_of(code, recipe.layout.codewords[0].message_bits).sum()))
    return log10_tail(examined, decoded, share)


def variants(code: Code) -> Iterator[Code]:
    """Stored forms of a code that look alike in differences of pages."""
    for inverted in (False, True):
        for masked in (False, True):
            yield replace(code, inverted=inverted, erased_is_codeword=masked)
