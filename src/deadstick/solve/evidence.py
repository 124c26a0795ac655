"""What a solver answers: a recipe, and for every question the figure that speaks for the answer."""

from dataclasses import dataclass
from typing import Literal

from deadstick.recipe.recipe import Recipe

Outcome = Literal["solved", "unsolved", "encrypted", "unreadable"]


@dataclass(frozen=True, slots=True)
class Rival:
    """A hypothesis that lost.

    Attributes:
        answer: in the words of the finding's answer.
        figure: what speaks for it, comparable with the winner's.
    """

    answer: str
    figure: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One question answered.

    Attributes:
        question: for instance "page size".
        answer: one line.
        figure: the number that speaks for it, with its meaning, one line.
        log10_chance: decimal logarithm of the probability that an accident gave such a figure; None where none can be
            stated.
        rivals: what else was looked at, strongest first.
    """

    question: str
    answer: str
    figure: str
    log10_chance: float | None
    rivals: tuple[Rival, ...] = ()

    @property
    def chance(self) -> str:
        """The probability of an accident, for a person.

        >>> Finding("code", "BCH", "40 of 40 codewords decode", -52.3).chance
        '1 in 10^52'
        """
        if self.log10_chance is None:
            return "not stated"
        if self.log10_chance > -1:
            return f"{min(1.0, 10**self.log10_chance):.0%}"
        if self.log10_chance > -6:
            return f"1 in {10**-self.log10_chance:,.0f}"
        return f"1 in 10^{-self.log10_chance:.0f}"


@dataclass(frozen=True, slots=True)
class Hints:
    """What the user knows already; None where nothing is known. A hint narrows the search and must fit the data.

    Attributes:
        page_bytes: data bytes of a page.
        spare_bytes: spare bytes of a page.
        pages_per_block: pages in a block.
        recipe: a whole recipe to prove instead of searching.
    """

    page_bytes: int | None = None
    spare_bytes: int | None = None
    pages_per_block: int | None = None
    recipe: Recipe | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """What came out of the search.

    Attributes:
        outcome: whether there is a recipe, and if not, why.
        reason: one line for a person.
        recipe: present when the outcome is `solved`.
        findings: in the order in which they were found.
    """

    outcome: Outcome
    reason: str
    recipe: Recipe | None
    findings: tuple[Finding, ...]
