"""What an examination of the reads has to say: one sentence, with its figure and the chance of an accident."""

from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that was noticed.

    Attributes:
        question: for instance "contacts".
        answer: one sentence for a person, with what to do.
        figure: the number that speaks for it, with its meaning.
        log10_chance: decimal logarithm of the probability that an accident gave such a figure; None where none can be
            stated.
        place: the byte of the read from which on it holds, where that says something.
        hides: whether parts of the chip may be missing from what goes on, unseen.
    """

    question: str
    answer: str
    figure: str
    log10_chance: float | None = None
    place: int | None = None
    hides: bool = False

    def with_page(self, page_bytes: int) -> "Notice":
        """The same, with the page in which it begins.

        >>> Notice("contacts", "line 3 is stuck", "all ones", place=9000).with_page(4320).answer
        'line 3 is stuck (from page 2 on)'
        """
        if self.place is None:
            return self
        return replace(self, answer=f"{self.answer} (from page {self.place // page_bytes:,} on)", place=None)

    def to_dict(self) -> dict[str, Any]:
        """As plain values."""
        return {name: getattr(self, name) for name in self.__slots__}
