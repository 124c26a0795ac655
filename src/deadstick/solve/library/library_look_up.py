"""The library is tried first on a dump: the recipes that look likeliest, each proven like any other hypothesis.

A fingerprint only says which recipes are tried first. Jobs of several chips have a look-up of their own,
`library_several`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.progress import Progress, silent
from deadstick.solve.answer import findings
from deadstick.solve.answer.prove import Proof, given_finding, weigh
from deadstick.solve.common.evidence import Finding, Rival, Solution
from deadstick.solve.hints.check_hints import contradictions
from deadstick.solve.hints.hints import Hints
from deadstick.solve.library.fingerprint import fingerprint, similarity
from deadstick.solve.library.library import Entry, entries

SECONDS = 20.0
"""No further recipe is measured or tried after so long; the search would do as well."""
MOST_PROVEN = 12


@dataclass(frozen=True)
class LookUp:
    """What a library had to say.

    Attributes:
        solution: of the first recipe that was proven; None where none was.
        finding: which recipes were tried, with their figures; None for an empty library.
    """

    solution: Solution | None
    finding: Finding | None

    def noted(self, solution: Solution) -> Solution:
        """What the search found instead, with what the library had to say."""
        return solution if self.finding is None else replace(solution, findings=(self.finding, *solution.findings))


def look_up(data: NDArray[np.uint8], hints: Hints, progress: Progress = silent) -> LookUp:
    """Try the recipes of `hints.library`, those of a similar fingerprint first, until one is proven.

    Args:
        data: `uint8[bytes]`, the dump.
        hints: with the folder; recipes that contradict the hints are left out.
        progress: told about `library`.
    """
    if hints.library is None:
        return LookUp(None, None)
    known, unusable = entries(hints.library)
    # A recipe for several chips says nothing of one alone.
    fitting = [entry for entry in known if entry.recipe.interleave.dumps == 1]
    fitting = [entry for entry in fitting if not any(contradictions(entry.recipe, hints))]
    if not known and not unusable:
        return LookUp(None, None)
    deadline = monotonic() + SECONDS
    ranked = _ranked(data, fitting, deadline)
    tried: list[Rival] = []
    for number, (likeness, entry) in enumerate(ranked[:MOST_PROVEN]):
        if monotonic() > deadline and number:
            break
        progress("library", number, len(ranked))
        proof = weigh(data, entry.recipe, is_trusted=False)
        if proof.is_sure:
            return _solved(entry, proof, likeness, tried)
        tried.append(Rival(entry.path.name, f"{proof.figure()}; fingerprint {likeness:.0%} alike", proof.log10_chance))
    return LookUp(None, none_fits(known, unusable, tried))


def _ranked(data: NDArray[np.uint8], known: Sequence[Entry], deadline: float) -> list[tuple[float, Entry]]:
    """The recipes, the most similar first; those without a fingerprint, or beyond the time, last."""
    ranked = []
    for entry in known:
        likeness = 0.0
        fits = len(data) >= entry.recipe.layout.page_bytes
        if fits and monotonic() < deadline:
            likeness = alike(data, entry)
        if fits:
            ranked.append((likeness, entry))
    return sorted(ranked, key=lambda pair: (-pair[0], pair[1].path.name))


def alike(data: NDArray[np.uint8], entry: Entry) -> float:
    """How alike a dump looks to the one on which a recipe was solved, 0 to 1; 0 where nobody noted how that looked.

    Args:
        data: `uint8[bytes]`, a chip.
        entry: with the recipe.
    """
    if entry.fingerprint is None:
        return 0.0
    seen = fingerprint(data, entry.recipe)
    noted = entry.fingerprint
    return similarity(seen, replace(seen, excess=noted.excess, steady=tuple(noted.steady), shown=noted.shown))


def _solved(entry: Entry, proof: Proof, likeness: float, tried: list[Rival]) -> LookUp:
    figure = f"{proof.figure()}; its fingerprint is {likeness:.0%} alike"
    if proof.refound is not None:
        figure += f"; its own translation gave {proof.own_volume:.0f} bits and was replaced"
    meaning = "a wrong recipe decodes one codeword in t! and makes no volume; the fingerprint proves nothing"
    chance = proof.log10_chance if proof.recipe.code else -proof.volume * float(np.log10(2))
    found = Finding("library", f"from the library, file {entry.path.name}", figure, chance, tuple(tried), meaning)
    answers = [found, given_finding(proof)]
    if proof.refound is not None:
        answers += [findings.block_size(proof.refound), findings.translation(proof.refound)]
    reason = f"the recipe {entry.path.name} of the library decodes the dump"
    return LookUp(Solution("solved", reason, proof.recipe, tuple(answers)), found)


def none_fits(known: Sequence[Entry], unusable: Sequence[str], tried: list[Rival]) -> Finding:
    """What is said where no recipe was proven.

    Args:
        known: all recipes of the library.
        unusable: a line for each file that is none.
        tried: recipes with what was seen under them.
    """
    figure = f"{len(tried)} of {len(known)} recipes were tried, none was proven"
    if unusable:
        figure += f"; {len(unusable)} files cannot be used: {unusable[0]}"
    return Finding("library", "none of its recipes fits", figure, None, tuple(tried))
