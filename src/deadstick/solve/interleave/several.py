"""Several dumps, one of each chip: which of them form one chip, and the search on the first with the others in mind.

Page, code and scrambler are those of one chip; the others must decode under them too. A dump that does not is of
another device, or was read in another way, and it is named.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.progress import Progress
from deadstick.rebuild.page_source import PageSource
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.translation_trials import SURE_VOLUME, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.common.evidence import Finding, Rival, Solution
from deadstick.solve.common.spread import evenly
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.interleave.find_interleave import FoundInterleave, find_interleave
from deadstick.solve.interleave.find_joined import find_joined, joined_as
from deadstick.solve.interleave.interleave_orders import MOST_PERMUTED, Chips, unmixed
from deadstick.solve.interleave.interleave_trials import NOTHING_KNOWN, SpreadSearch
from deadstick.solve.scrambler.coded_pages import decode_chance
from deadstick.solve.translation.find_translation import find_translation

Bytes = NDArray[np.uint8]

PAGES = 128
"""Pages of each chip that are decoded to see whether it is of the same make."""
FEWEST_DECODED = 0.05
"""Share of codewords that must decode: a worn chip loses many, a foreign one all."""


def solve_several(
    dumps: Sequence[Bytes],
    hints: Hints,
    progress: Progress,
    search: Callable[[ChipSet, Hints, Progress], Solution],
) -> Solution:
    """Find out what the controller did, from one dump of each chip.

    Args:
        dumps: `uint8[bytes]` each, at least two, in any order.
        hints: what is known already.
        progress: told about every step.
        search: the search on one set of chips.

    Returns:
        The first solution, or what the likeliest set of chips ended with.

    Raises:
        HintError: a hint is contradicted by the data, however the dumps are taken together.
    """
    progress("bus", 0, 1)
    joined = joined_as(find_joined(dumps), hints.interleave)
    ends: list[Solution] = []
    objection: HintError | None = None
    for groups in joined.choices:
        try:
            solution = search(ChipSet(tuple(dumps), groups), hints, progress)
        except HintError as error:
            objection = objection or error
            continue
        bus = replace(joined.finding, answer=said(groups)) if len(joined.choices) > 1 else joined.finding
        solution = replace(solution, findings=(bus, *solution.findings))
        if solution.outcome in {"solved", "encrypted"}:
            return solution
        ends.append(replace(solution, findings=(joined.finding, *solution.findings[1:])))
    if objection is not None:
        raise objection
    return ends[0]


def said(groups: Chips) -> str:
    """How the dumps are taken together, where decoding told it."""
    if len(groups[0]) == 1:
        return "each dump is a chip of its own; so the code says"
    return "; ".join(f"dumps {' and '.join(map(str, lanes))} byte by byte" for lanes in groups) + "; so the code says"


def spread_over(chips: ChipSet, recipe: Recipe, period: int, hints: Hints, progress: Progress) -> FoundInterleave:
    """Find translation and interleave, once pages can be decoded.

    Args:
        chips: all dumps.
        recipe: decodes pages of each chip.
        period: pages after which the keystream comes again; 0 for none.
        hints: pages per block, and the interleave as far as the user knows it.
        progress: told about every hypothesis.

    Raises:
        HintError: a hint is contradicted by the data.
    """
    recipe = replace(recipe, interleave=unmixed(chips.groups))
    space = chips.space(recipe)
    size = hints.pages_per_block
    plain = find_translation(space, recipe, period, size, progress)
    return find_interleave(SpreadSearch(space, plain, period, size, progress, hints.interleave or NOTHING_KNOWN))


def foreign_chip(chips: ChipSet, recipe: Recipe) -> tuple[Finding, bool]:
    """Whether every chip decodes under the recipe of the first.

    Returns:
        The figures, and whether a chip does not.
    """
    space = chips.space(recipe)
    lines, foreign, decoded, examined = [], [], 0, 0
    for number, source in enumerate(space.chips):
        good, count = count_in(source, recipe, PAGES)
        decoded, examined = decoded + good, examined + count
        lines.append(f"{good} of {count} codewords of chip {number} decode")
        if count and good < FEWEST_DECODED * count:
            foreign.append(number)
    answer = f"one recipe for all {len(space.chips)} chips"
    if foreign:
        names = ", ".join(str(dump) for number in foreign for dump in chips.groups[number])
        answer = f"dump {names} does not decode under the recipe of the first chip"
    return Finding("chips", answer, "; ".join(lines), decode_chance(recipe, decoded, examined)), bool(foreign)


def count_in(source: PageSource, recipe: Recipe, most: int) -> tuple[int, int]:
    """(codewords that decode, codewords) in some pages of a chip, without erased and constant ones."""
    numbers = evenly(len(source), most)
    rows = source.take(numbers)
    telling = (rows != rows[:, :1]).any(axis=1)
    batch = recipe.decode(rows[telling], numbers[telling])
    errors = batch.errors[~batch.erased]
    return int((errors >= 0).sum()), int(errors.size)


def prove_several(dumps: Sequence[Bytes], recipe: Recipe) -> Solution:
    """Prove a whole recipe for several chips; dumps that were given in another order than the recipe's are put right.

    Args:
        dumps: `uint8[bytes]` each.
        recipe: the hypothesis.

    Raises:
        HintError: the recipe is for another number of dumps, or its code does not correct their pages.
    """
    interleave = recipe.interleave
    if interleave.dumps != len(dumps):
        raise HintError(f"the recipe is for {interleave.dumps} chip dumps, and {len(dumps)} were given")
    natural = tuple(range(len(dumps)))
    orders = list(permutations(natural)) if len(dumps) <= MOST_PERMUTED else [natural]
    trials = []
    for order in orders:
        turned = tuple(tuple(order[dump] for dump in lanes) for lanes in interleave.chips)
        hypothesis = replace(recipe, interleave=replace(interleave, chips=turned))
        space = PageSpace.of_dumps(dumps, hypothesis)
        counts = [count_in(source, hypothesis, PAGES) for source in space.chips]
        decoded, examined = (sum(column) for column in zip(*counts, strict=True))
        volume = 0.0
        if decoded:
            volume = consistency(space, hypothesis, block_metadata(space, hypothesis), PageCache()).score
        trials.append((volume, decoded, examined, hypothesis))
        if volume >= SURE_VOLUME and order == natural:
            break
    volume, decoded, examined, best = max(trials, key=lambda trial: trial[:2])
    if recipe.code is not None and 2 * decoded < examined and volume < SURE_VOLUME:
        raise HintError(f"the recipe does not fit: only {decoded} of {examined} codewords decode under it")
    answer = best.interleave.describe()
    if best is not trials[0][3]:
        answer += "; the dumps were given in another order than the recipe has them, which is put right"
    if volume < SURE_VOLUME:
        answer += "; no volume was recognised, so keystream and order of pages are not proven"
        best = replace(best, interleave=replace(best.interleave, sure=False))
    rivals = tuple(
        Rival(trial.interleave.describe(), f"volumes consistent by {score:.0f} bits")
        for score, _, _, trial in trials
        if trial is not best
    )
    figure = f"{decoded} of {examined} codewords decode; volumes consistent by {volume:.0f} bits"
    finding = Finding("given recipe", answer, figure, decode_chance(recipe, decoded, examined), rivals[:6])
    return Solution("solved", "the given recipe decodes the dumps", best, (finding,))
