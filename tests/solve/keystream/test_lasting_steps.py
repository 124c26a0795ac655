"""Rules for keystreams that are more than their seeds."""

import numpy as np
import pytest

from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.lasting_steps import Labelled, lasting_steps, rules_of_lasting
from deadstick.solve.keystream.schedule import Schedule, judged

RULES = [
    Schedule(128, 65, 86, 722, 0, 0),
    Schedule(85, 82, 40, 626, 0, 0),
    Schedule(59, 46, 3, 300, 0, 0),
    Schedule(150, 2, 53, 384, 0, 0),
]


def labelled(rule: Schedule, orbit: int) -> Labelled:
    """Four in five of the pages, under a register that is back at its first seed after so many keystreams."""
    pages = np.flatnonzero(np.random.default_rng(1).random(9000) < 0.8)
    return Labelled(pages, rule.index(pages) % orbit, 0.985)


@pytest.mark.parametrize("orbit", [3, 5, 15])
@pytest.mark.parametrize("rule", RULES)
def test_the_steps_of_an_affine_rule_under_few_seeds(rule: Schedule, orbit: int) -> None:
    known = labelled(rule, orbit)
    rules = [judged(known.pages, known.labels, one) for one in rules_of_lasting(known, rule.pages_per_block)]
    right = [one for one in rules if one.agreeing == one.counted and 2 * one.counted >= len(known.pages)]
    assert right
    best = min(right, key=lambda one: one.count)
    assert best.count <= rule.count
    # Every page has a seed that its number tells, also those that were not asked.
    every = np.arange(9000)
    pairs = np.unique(np.stack([best.index(every), rule.index(every) % orbit]), axis=1)
    assert len(np.unique(pairs[0])) == pairs.shape[1]


def test_five_seeds_under_128_keystreams_leave_one_block_size() -> None:
    known = labelled(RULES[0], 5)
    found = find_schedule(known.pages, known.labels.astype(np.uint64), may_come_twice=True)
    assert found is not None
    assert (found.count, found.pages_per_block, found.rivals) == (128, 722, ())
    assert found.agreeing == found.counted


def test_few_seeds_without_a_rule_have_no_lasting_steps() -> None:
    labels = np.random.default_rng(2).integers(0, 5, 6000)
    assert not any(lasting_steps(Labelled(np.arange(6000), labels, 0.985), size) for size in range(64, 512, 16))
