"""Numbers of writes that follow sequential writes are believed, whatever an incomplete volume says."""

import numpy as np
import pytest
from copies_kit import PAGES, RECIPE, block, written

from deadstick.files.check import Check
from deadstick.files.judge import Consistency
from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.translation_trials import best_of
from deadstick.solve.translation import every_trial
from deadstick.solve.versions.sequential_writes import sequential_by_accident

FIRST, REWRITTEN = 32, (3, 9, 12, 20, 21, 22)
LOST = 35
"""Blocks that are filled one after the other, those that are filled further later, and the write that is lost."""


def rewritten() -> tuple[np.ndarray, np.ndarray]:
    """`int64[blocks]` each: logical numbers and numbers of writes, without the one that is lost."""
    logical = np.r_[np.arange(FIRST), REWRITTEN]
    return np.delete(logical, LOST), np.delete(100 + np.arange(len(logical)), LOST)


def best_version(monkeypatch: pytest.MonkeyPatch, numbers: np.ndarray, logical: np.ndarray) -> BitField | None:
    """The version that is taken where the volumes hold 3 % better with copies in no order."""

    def consistency(_space: object, recipe: object, *_: object, **__: object) -> Consistency:
        held = 950 if recipe.translation.version else 980  # type: ignore[attr-defined]
        return Consistency(float(held), (Check("facts", held, 1000, 1.0),))

    monkeypatch.setattr(every_trial, "consistency", consistency)
    blocks = [
        block(written(0.3 if place < FIRST else 0.9), number, version)
        for place, (number, version) in enumerate(zip(logical.tolist(), numbers.tolist(), strict=True))
    ]
    order = np.random.default_rng(5).permutation(len(blocks))
    space = PageSpace.of(np.concatenate([blocks[k] for k in order]), PAGES)
    trials = [trial for trial in every_trial.every_trial(space, RECIPE, silent) if trial.numbering is not None]
    return best_of(trials).recipe.translation.version


def test_numbers_of_writes_are_taken_though_older_copies_agree_better(monkeypatch: pytest.MonkeyPatch) -> None:
    logical, numbers = rewritten()
    assert best_version(monkeypatch, numbers, logical) == BitField(2, 1)


def test_numbers_without_sequential_writes_must_still_suit_the_volume(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first copies are numbered in no order: the field may be anything that differs from block to block."""
    logical, numbers = rewritten()
    numbers[:FIRST] = np.random.default_rng(6).permutation(numbers[:FIRST])
    assert best_version(monkeypatch, numbers, logical) is None


def test_random_numbers_hardly_ever_follow_sequential_writes() -> None:
    logical, numbers = rewritten()
    rng = np.random.default_rng(7)
    assert min(sequential_by_accident(logical, rng.permutation(numbers)) for _ in range(500)) > -3
    assert sequential_by_accident(logical, numbers) < -6


def test_numbers_that_fall_or_come_again_or_lie_apart_do_not_follow_the_order_of_writing() -> None:
    logical, numbers = rewritten()
    assert sequential_by_accident(logical, -numbers) == 0.0
    assert sequential_by_accident(logical, numbers % 8) == 0.0
    apart = numbers.copy()
    apart[FIRST:] += 10
    assert sequential_by_accident(logical, apart) == 0.0


def test_neither_direction_is_told_where_as_many_steps_go_down_as_up() -> None:
    logical = np.r_[np.arange(20), np.arange(40, 19, -1)]
    assert sequential_by_accident(logical, np.arange(len(logical))) > -1
