"""The rule of the keystreams from the seed of every page, each of which the code tells.

The register may show in too few pages for a rule, and differences of pages tell which share a seed, not which share a
keystream: a short register has few seeds, and one that runs on from keystream to keystream may have a handful. But
those that show anywhere are all that is to be tried. A codeword decodes under its own seed and no other, so the code
names the seed of every page, and then all of them can be asked for the rule.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.spread import scattered
from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.keystream import SeedRule, alike_in_a_row
from deadstick.solve.keystream.schedule import MOST_KEYSTREAMS, Schedule
from deadstick.solve.keystream.shown_seeds import ShownSeeds, shown_seeds
from deadstick.solve.page_size.seed_votes import majority
from deadstick.solve.register.register import Hits, Register
from deadstick.solve.scrambler.coded_pages import CodedPages, Unscrambled, better, variants
from deadstick.solve.scrambler.seed_trials import MOST_TRIALS, Trials, words_that_tell
from deadstick.solve.seeds.seeded import block_of, scrambler_of

FIRST_PAGES, FEWEST = 16, 2
"""Pages on which restarts, covers and stored forms are tried, and those that must decode."""


@dataclass(frozen=True)
class _Form:
    """What the code is to decide.

    Attributes:
        found: pages and code.
        register: that was added.
        shown: where it restarts, over what it runs, and its seeds.
        code: in one of its stored forms.
        complement: all keystreams are complements of the register's output.
    """

    found: CodedPages
    register: Register
    shown: ShownSeeds
    code: Code
    complement: bool

    def recipe(self, schedule: Schedule, seeds: dict[int, int]) -> Recipe:
        """The recipe with some keystreams."""
        rule = self.rule(schedule, seeds)
        scrambler = scrambler_of(rule, self.register, "after_ecc", complement=self.complement)
        return Recipe(block_of(rule), self.found.layout, self.code, scrambler)

    def rule(self, schedule: Schedule, seeds: dict[int, int]) -> SeedRule:
        """The same as a rule, and in how many of the pages that show a seed it is that one."""
        shown = self.shown
        numbers = schedule.index(np.array(list(shown.pages), np.int64)).tolist()
        right = sum(seeds.get(number) in may_be for number, may_be in zip(numbers, shown.pages.values(), strict=True))
        return SeedRule(shown.restart, shown.covers, schedule, seeds, right, len(numbers))


def rule_by_seeds(found: CodedPages, seen: list[tuple[Register, Hits]]) -> Unscrambled | None:
    """The best recipe with a register over the stored codewords and a rule that the seeds of all pages obey.

    Args:
        found: pages and code.
        seen: registers with the places in the surveyed part where each shows.

    Returns:
        None where nothing decodes under the seeds that show, or those of the pages obey no rule.
    """
    best: Unscrambled | None = None
    # Several forms tell the same seeds, and to look for their rule takes seconds.
    rules: dict[bytes, Schedule | None] = {}
    for form in _forms(found, seen):
        told = _seeds_of_pages(form)
        if told is None:
            continue
        pages, seeds = told
        key = pages.tobytes() + seeds.tobytes()
        schedule = rules[key] = rules[key] if key in rules else find_schedule(pages, seeds, may_come_twice=True)
        if schedule is None:
            continue
        winners, _, _ = majority(schedule.index(pages), seeds)
        winner = better(best, form.recipe(schedule, winners), found)
        if winner is not best and winner is not None:
            best = replace(winner, register=form.register, rule=form.rule(schedule, winners))
    return best


def _forms(found: CodedPages, seen: list[tuple[Register, Hits]]) -> Iterator[_Form]:
    for register, hits in seen:
        page, column = np.divmod(hits.positions, found.layout.page_bytes)
        inside = page < len(found.survey.pages)
        inside[inside] &= found.survey.written[page[inside]]
        for shown in shown_seeds(hits.take(inside), page[inside], column[inside], register, found.layout):
            # Over a whole page the complement of the keystream is an inverted page.
            for complement in (False, True) if shown.covers != frozenset(Part) else (False,):
                for code in variants(found.code):
                    yield _Form(found, register, shown, code, complement)


def _seeds_of_pages(form: _Form) -> tuple[NDArray[np.int64], NDArray[np.uint64]] | None:
    """Pages whose seed the code tells, `int64[pages]`, and the seed of each, `uint64[pages]`; None for none."""
    seeds = form.shown.seeds
    if not 0 < len(seeds) <= MOST_KEYSTREAMS:
        return None
    recipe = form.recipe(Schedule(len(seeds), 1, 0, 0, 0, 0), dict(enumerate(seeds.tolist())))
    trials = Trials(recipe, form.found.survey.pages, seeds, words_that_tell(recipe))
    written = np.flatnonzero(form.found.survey.written)
    first = written[scattered(len(written), FIRST_PAGES)]
    if not trials.words or int((trials.labels(first) != 0).sum()) < FEWEST:
        return None
    pages = written[scattered(len(written), MOST_TRIALS // len(seeds))]
    labels = trials.labels(pages)
    pages, labels = pages[labels != 0], labels[labels != 0]
    kept = ~np.isin(pages, alike_in_a_row(pages, labels))
    return pages[kept], labels[kept]
