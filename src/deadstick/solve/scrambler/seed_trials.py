"""Which page has which keystream, asked of the code: every seed that is known, tried on the pages that fail.

Where the register shows in few pages, several rules explain their seeds, and that with the fewest keystreams may be
wrong for pages that show nothing. A codeword decodes under its own keystream and no other, so these do not decode
though their neighbours do. One that decodes under the seed of another keystream refutes the rule. Then the code tells
the seeds of all pages, and a rule is looked for that explains them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.certainty import chances_of
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.spread import evenly_of, scattered
from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.keystream import alike_in_a_row
from deadstick.solve.page_size.seed_votes import majority
from deadstick.solve.scrambler.coded_pages import CodedPages, Unscrambled, known_pages
from deadstick.solve.seeds.seed_orbit import beside_on_orbits
from deadstick.solve.seeds.seeded import block_of

CHANCE = 1e-6
"""Of a single page that decodes under a wrong seed, over all that are tried."""
LOOKED_AT = 256
"""Pages that are decoded to see whether any fail."""
FIRST_TRIALS, MOST_TRIALS = 4096, 65_536
"""Pages times seeds that are tried to see whether the rule is wrong, and to learn the seeds of the other pages."""
REFUTING = 2
"""Different seeds of other keystreams under which pages must decode; a block that was filled in another way may have
one."""
MOST_PAGES = 8192
TRIED_PAGES = 4
"""Pages under a missing keystream that are asked about a seed of it."""


@dataclass(frozen=True)
class Trials:
    """Pages, and the seeds that are tried on them.

    Attributes:
        recipe: with the rule that is asked about.
        pages: `uint8[pages, page_bytes]`, as read; those of a rule from page 0 on.
        seeds: `uint64[seeds]`, each once.
        words: codewords of a page that must all decode.
    """

    recipe: Recipe
    pages: NDArray[np.uint8]
    seeds: NDArray[np.uint64]
    words: int

    def decoding(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which pages decode under the keystreams that the rule says: `int64[pages]` -> `bool[pages]`."""
        return self._decode(self.recipe, self.pages[numbers], numbers)

    def seed_of(self, number: int) -> int:
        """The one seed under which a page decodes; 0 where there is none, or more than one."""
        scrambler = self.recipe.scrambler
        if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
            return 0
        keystreams = replace(scrambler.keystreams, seeds=tuple(self.seeds.tolist()))
        in_turn = replace(scrambler, keystreams=keystreams, page_step=0, block_step=1)
        recipe = replace(self.recipe, scrambler=in_turn, pages_per_block=1)
        raw = np.repeat(self.pages[number : number + 1], len(self.seeds), axis=0)
        good = np.flatnonzero(self._decode(recipe, raw, np.arange(len(raw))))
        return int(self.seeds[good[0]]) if len(good) == 1 else 0

    def labels(self, numbers: NDArray[np.int64]) -> NDArray[np.uint64]:
        """The same for many pages: `int64[pages]` -> `uint64[pages]`."""
        scrambler, raw = self.recipe.scrambler, self.pages[numbers]
        label, ways = np.zeros(len(numbers), np.uint64), np.zeros(len(numbers), np.int64)
        if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
            return label
        for seed in self.seeds.tolist():
            one = replace(scrambler, keystreams=replace(scrambler.keystreams, seeds=(seed,)))
            good = self._decode(replace(self.recipe, scrambler=one, pages_per_block=1), raw, numbers)
            label[good] = seed
            ways += good
        label[ways > 1] = 0
        return label

    def _decode(self, recipe: Recipe, raw: NDArray[np.uint8], numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        good = np.ones(len(raw), np.bool_)
        for slot in range(self.words):
            left = np.flatnonzero(good)
            if recipe.code is not None and len(left):
                words = recipe.words(raw[left], numbers[left], slot)
                message_bytes = recipe.layout.codewords[slot].message_bits // 8
                good[left] = recipe.code.codec.decode(words, message_bytes).errors >= 0
        return good


def with_rule_by_code(best: Unscrambled, found: CodedPages) -> Unscrambled:
    """The recipe with a rule for its keystreams that the code does not refute.

    Args:
        best: with a register over the stored codewords.
        found: pages and code.

    Returns:
        The same where no page decodes under the seed of another keystream, or no rule explains the seeds better.
    """
    trials = _trials(best, found)
    written = np.flatnonzero(found.survey.written)[:MOST_PAGES]
    if trials is None or not _is_refuted(trials, known_pages(best.recipe, written)):
        return best
    pages, seeds = _labelled(trials, written)
    kept = ~np.isin(pages, alike_in_a_row(pages, seeds))
    return _with_rule(best, pages[kept], seeds[kept])


def seeds_beside(
    recipe: Recipe, raw: NDArray[np.uint8], pages: NDArray[np.int64], missing: Sequence[int]
) -> dict[int, int]:
    """Missing seeds that lie on the orbits of those beside them, as far as the code says which.

    Args:
        recipe: with a register over the stored codewords; a seed of 0 where it is missing.
        raw: `uint8[pages, page_bytes]`, as read.
        pages: `int64[pages]`, their numbers.
        missing: numbers of the keystreams.

    Returns:
        Number -> seed.
    """
    scrambler, words = recipe.scrambler, words_that_tell(recipe)
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams) or not words:
        return {}
    keystreams, found = scrambler.keystreams, dict[int, int]()
    under = scrambler.index(pages, recipe.pages_per_block)
    # Each seed that is found may lead to the next one.
    for _ in missing:
        seeds = tuple(found.get(number, seed) for number, seed in enumerate(keystreams.seeds))
        asked = beside_on_orbits(replace(keystreams, seeds=seeds))
        new = {}
        for number in asked.keys() & set(missing):
            trials = Trials(recipe, raw, np.array(asked[number], np.uint64), words)
            rows = np.flatnonzero(under == number)
            told = {trials.seed_of(row) for row in evenly_of(rows, TRIED_PAGES).tolist()} - {0}
            new.update({number: told.pop()} if len(told) == 1 else {})
        if not new:
            break
        found.update(new)
    return found


def _trials(best: Unscrambled, found: CodedPages) -> Trials | None:
    """What is to be tried; None where the code is too weak to tell, or there is nothing to choose from."""
    scrambler = best.recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return None
    seeds = np.unique(np.array([seed for seed in scrambler.keystreams.seeds if seed], np.uint64))
    words = words_that_tell(best.recipe)
    return Trials(best.recipe, found.survey.pages, seeds, words) if words and len(seeds) > 1 else None


def words_that_tell(recipe: Recipe) -> int:
    """Codewords of a page that must all decode; 0 where a page has too few."""
    if recipe.code is None:
        return 0
    share = float(chances_of(recipe.code, recipe.layout.codewords[0].message_bits).sum())
    words = int(np.ceil(np.log(CHANCE / MOST_TRIALS) / np.log(share))) if share < 1 else 0
    return words if words <= len(recipe.layout.codewords) else 0


def _is_refuted(trials: Trials, pages: NDArray[np.int64]) -> bool:
    """Whether some pages that should decode do so under other seeds."""
    some = pages[scattered(len(pages), LOOKED_AT)]
    failing = some[~trials.decoding(some)]
    failing = failing[scattered(len(failing), max(REFUTING, FIRST_TRIALS // len(trials.seeds)))]
    return len({trials.seed_of(number) for number in failing.tolist()} - {0}) >= REFUTING


def _labelled(trials: Trials, written: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Pages whose seed the code tells, `int64[labelled]`, ascending, and the seed of each, `uint64[labelled]`."""
    seeds = _seeds_of(trials.recipe, written)
    seeds[~trials.decoding(written)] = 0
    failing = np.flatnonzero(seeds == 0)
    failing = failing[scattered(len(failing), MOST_TRIALS // len(trials.seeds))]
    seeds[failing] = np.array([trials.seed_of(number) for number in written[failing].tolist()], np.uint64)
    return written[seeds != 0], seeds[seeds != 0]


def _seeds_of(recipe: Recipe, pages: NDArray[np.int64]) -> NDArray[np.uint64]:
    """`uint64[pages]`: the seed that the rule says for each page."""
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return np.zeros(len(pages), np.uint64)
    return np.array(scrambler.keystreams.seeds, np.uint64)[scrambler.index(pages, recipe.pages_per_block)]


def _with_rule(best: Unscrambled, pages: NDArray[np.int64], seeds: NDArray[np.uint64]) -> Unscrambled:
    """The recipe with the rule that the seeds of pages obey, if it explains more of them than that which it has."""
    scrambler, rule = best.recipe.scrambler, best.rule
    schedule = find_schedule(pages, seeds)
    if schedule is None or scrambler is None or rule is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return best
    # Pages that are alone under a keystream put no rule to the test.
    if schedule.agreeing <= int((_seeds_of(best.recipe, pages) == seeds).sum()):
        return best
    winners, _, _ = majority(schedule.index(pages), seeds)
    rule = replace(rule, schedule=schedule, seeds=winners, ones=frozenset())
    keystreams = replace(scrambler.keystreams, seeds=tuple(winners.get(number, 0) for number in range(rule.period)))
    scrambler = replace(scrambler, keystreams=keystreams, page_step=schedule.page_step, block_step=schedule.block_step)
    return replace(best, recipe=replace(best.recipe, scrambler=scrambler, pages_per_block=block_of(rule)), rule=rule)
