"""The library for a job of several chips.

Page, code and scrambler of a recipe that was solved before are held against every chip. Where they decode, the rest is
asked as if they had just been found: how pages go over chips and planes, which metadata number the blocks, and what of
that is beyond doubt. So nothing of the old job's order is trusted, and the dumps may be given in any order. What the
recipe says of the order itself is a hypothesis more: if it makes better volumes than all that the search thinks of, it
is taken, and not called proven.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.answer.complete import given_parts
from deadstick.solve.answer.prove import FEW_DECODED, FIRST_PAGES, volume_score
from deadstick.solve.blocks.translation_trials import SURE_VOLUME
from deadstick.solve.common.evidence import Finding, Rival, Solution
from deadstick.solve.hints.check_hints import contradictions
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.interleave.interleave_orders import MOST_PERMUTED, Chips, unmixed
from deadstick.solve.interleave.several import PAGES, count_in, said
from deadstick.solve.library.library import Entry, entries
from deadstick.solve.library.library_look_up import MOST_PROVEN, SECONDS, LookUp, alike, none_fits
from deadstick.solve.scrambler.coded_pages import Unscrambled, decode_chance

Bytes = NDArray[np.uint8]
Finish = Callable[[ChipSet, Unscrambled, Hints, list[Finding], Progress], Solution]
"""The questions that are left once pages decode, see `describe`."""


@dataclass(frozen=True)
class _Fit:
    """A recipe with one way of taking the dumps together.

    Attributes:
        entry: the recipe.
        chips: the dumps, taken together as its bus needs them.
        likeness: of the fingerprints, 0 to 1.
    """

    entry: Entry
    chips: ChipSet
    likeness: float


def look_up_several(dumps: Sequence[Bytes], hints: Hints, progress: Progress, finish: Finish) -> LookUp:
    """Try the recipes of `hints.library` that are for as many dumps, until one is proven.

    Args:
        dumps: `uint8[bytes]` each, at least two, in any order.
        hints: with the folder; recipes that contradict the hints are left out.
        progress: told about `library`, and about the questions that are left.
        finish: answers these.
    """
    if hints.library is None:
        return LookUp(None, None)
    known, unusable = entries(hints.library)
    if not known and not unusable:
        return LookUp(None, None)
    deadline = monotonic() + SECONDS
    fits = _ranked(dumps, known, hints, deadline)
    tried: list[Rival] = []
    for number, fit in enumerate(fits[:MOST_PROVEN]):
        if monotonic() > deadline and number:
            break
        progress("library", number, len(fits))
        solution, figure, chance = _weighed(fit, hints, progress, finish)
        figure += f"; fingerprint {fit.likeness:.0%} alike"
        if solution is None:
            tried.append(Rival(f"{fit.entry.path.name}, {said(fit.chips.groups)}", figure, chance))
            continue
        meaning = "a wrong recipe decodes one codeword in t! and makes no volume; the fingerprint proves nothing"
        answer = f"from the library, file {fit.entry.path.name}"
        finding = Finding("library", answer, figure, chance, tuple(tried), meaning)
        return LookUp(replace(solution, findings=(finding, *solution.findings)), finding)
    return LookUp(None, none_fits(known, unusable, tried))


def groupings(dumps: int, lanes: int, hints: Hints) -> Iterator[Chips]:
    """Every way of taking dumps together, so many to a chip.

    Args:
        dumps: how many there are.
        lanes: of them on one bus.
        hints: the user may know it.

    >>> list(groupings(2, 2, Hints()))
    [((0, 1),), ((1, 0),)]
    """
    natural = tuple(range(dumps))
    orders = permutations(natural) if lanes > 1 and dumps <= MOST_PERMUTED else iter([natural])
    groups = (tuple(sorted(order[first : first + lanes] for first in range(0, dumps, lanes))) for order in orders)
    known = hints.interleave.chips if hints.interleave else None
    yield from (group for group in dict.fromkeys(groups) if known in {None, group})


def _ranked(dumps: Sequence[Bytes], known: Sequence[Entry], hints: Hints, deadline: float) -> list[_Fit]:
    """What may be tried, the most similar first; what is beyond the time last."""
    # How chips and planes go together is asked anew, and held against the hints there.
    others = replace(hints, known=replace(hints.known, interleave=None)) if hints.known else hints
    fits = []
    for entry in known:
        interleave, page = entry.recipe.interleave, entry.recipe.layout.page_bytes
        if interleave.dumps != len(dumps) or not interleave.sure or any(contradictions(entry.recipe, others)):
            continue
        if page % interleave.lanes or min(map(len, dumps)) * interleave.lanes < page:
            continue
        for groups in groupings(len(dumps), interleave.lanes, hints):
            chips = ChipSet(tuple(dumps), groups)
            fits.append(_Fit(entry, chips, alike(chips.first, entry) if monotonic() < deadline else 0.0))
    return sorted(fits, key=lambda fit: (-fit.likeness, fit.entry.path.name))


def _weighed(fit: _Fit, hints: Hints, progress: Progress, finish: Finish) -> tuple[Solution | None, str, float | None]:
    """The solution, if code and volumes together leave no doubt of the recipe; its figure and chance."""
    recipe = fit.entry.recipe
    decoded, examined = _decoded(fit, FIRST_PAGES)
    if decoded:  # a few pages are enough to dismiss a recipe
        decoded, examined = _decoded(fit, PAGES)
    chance = decode_chance(recipe, decoded, examined)
    figure = f"{decoded} of {examined} codewords decode"
    if decoded < max(1, FEW_DECODED * examined):
        return None, figure, chance
    plain = replace(recipe, translation=IDENTITY, interleave=unmixed(fit.chips.groups))
    parts = Unscrambled(plain, decoded, examined)
    bus = Finding("bus", said(fit.chips.groups), figure, chance)
    try:
        solution = finish(fit.chips, parts, hints, [bus, given_parts(parts)], progress)
    except HintError as error:
        return None, f"{figure}; {error}", chance
    if solution.outcome != "solved" or solution.recipe is None:
        return None, f"{figure}; {solution.reason}", chance
    found, volume = _better(fit, solution.recipe, hints)
    figure += f"; volumes consistent by {volume:.0f} bits"
    if volume < SURE_VOLUME:
        return None, figure, chance
    doubt = solution.reason.removeprefix("the recipe decodes the dump")
    if found is not solution.recipe and solution.recipe.interleave.sure and not found.interleave.sure:
        doubt += "; its own order makes better volumes than any that was searched, so nothing is called exact"
    reason = f"the recipe {fit.entry.path.name} of the library decodes the dumps{doubt}"
    return replace(solution, reason=reason, recipe=found), figure, chance


def _decoded(fit: _Fit, most: int) -> tuple[int, int]:
    """(codewords that decode, codewords) in some pages of every chip."""
    recipe = replace(fit.entry.recipe, interleave=unmixed(fit.chips.groups))
    counts = [count_in(source, recipe, most) for source in fit.chips.space(recipe).chips]
    return sum(decoded for decoded, _ in counts), sum(examined for _, examined in counts)


def _better(fit: _Fit, found: Recipe, hints: Hints) -> tuple[Recipe, float]:
    """What was found, or the recipe's own order and translation if its volumes are better; with their bits."""
    known = hints.interleave
    best, most = found, volume_score(PageSpace.of_dumps(fit.chips.dumps, found), found)
    interleave = fit.entry.recipe.interleave
    natural = tuple(range(interleave.dumps))
    orders = permutations(natural) if len(natural) <= MOST_PERMUTED else iter([natural])
    for order in orders:
        turned = replace(interleave, chips=tuple(tuple(order[dump] for dump in lanes) for lanes in interleave.chips))
        if turned.normal.chips != fit.chips.groups or (known is not None and not known.fits(turned)):
            continue
        # The search has to come to the same order by itself for it to be proven.
        is_same = turned.normal == found.interleave and fit.entry.recipe.pages_per_block == found.pages_per_block
        own = replace(fit.entry.recipe, interleave=replace(turned.normal, sure=is_same))
        score = volume_score(PageSpace.of_dumps(fit.chips.dumps, own), own)
        if score > most:
            best, most = own, score
    return best, most
