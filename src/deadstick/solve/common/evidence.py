"""What a solver answers: a recipe, and for every question the figure that speaks for the answer."""

from dataclasses import dataclass
from typing import Literal

from deadstick.recipe.recipe import Recipe

Outcome = Literal["solved", "unsolved", "encrypted", "unreadable"]


def chance_in_words(log10_chance: float | None) -> str:
    """The probability of an accident, for a person.

    Args:
        log10_chance: its decimal logarithm; None where none can be stated.

    >>> chance_in_words(-52.3), chance_in_words(-2.0), chance_in_words(-0.3), chance_in_words(None)
    ('1 in 10^52', '1 in 100', '50%', 'not stated')
    """
    if log10_chance is None:
        return "not stated"
    if log10_chance > -1:
        return f"{min(1.0, 10**log10_chance):.0%}"
    if log10_chance > -6:
        return f"1 in {10**-log10_chance:,.0f}"
    return f"1 in 10^{-log10_chance:.0f}"


@dataclass(frozen=True, slots=True)
class Rival:
    """A hypothesis that lost.

    Attributes:
        answer: in the words of the finding's answer.
        figure: what speaks for it, comparable with the winner's.
        log10_chance: that an accident gave its figure; None where none can be stated.
    """

    answer: str
    figure: str
    log10_chance: float | None = None

    @property
    def chance(self) -> str:
        """The probability of an accident, for a person; empty where none is stated."""
        return "" if self.log10_chance is None else chance_in_words(self.log10_chance)


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
        meaning: what the figure would be if the answer were wrong; one line, empty where the figure says it.
    """

    question: str
    answer: str
    figure: str
    log10_chance: float | None
    rivals: tuple[Rival, ...] = ()
    meaning: str = ""

    @property
    def chance(self) -> str:
        """The probability of an accident, for a person.

        >>> Finding("code", "BCH", "40 of 40 codewords decode", -52.3).chance
        '1 in 10^52'
        """
        return chance_in_words(self.log10_chance)


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
