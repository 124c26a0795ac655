"""Which of several hypotheses on the copies of blocks is taken."""

import numpy as np
import pytest
from states_kit import volume_states

from deadstick.files.check import Check
from deadstick.files.judge import Consistency
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.translation_trials import (
    TIED_SHARE,
    TranslationTrial,
    consistency,
    is_no_better_backwards,
)
from deadstick.solve.blocks.trial_disk import PageCache

LAYOUT = PageLayout(1024, (Codeword((Span.of_bytes(Part.DATA, 0, 512),), ()),))
VERSIONED = Recipe(16, LAYOUT, None, translation=Translation("block", BitField(0, 2), BitField(2, 1)))


def trial(share: float, *, proven: bool) -> TranslationTrial:
    return TranslationTrial(3800.0, VERSIONED, None, share, counted=True, is_proven=proven)


def test_an_order_that_the_copies_prove_bears_a_volume_of_which_a_part_is_missing() -> None:
    """Any copies at all may hold a bit better there than the newest ones."""
    bare = Consistency(968.0, (Check("facts", 968, 1000, 1.0),))
    assert trial(0.965, proven=True).is_in_order(bare)
    assert not trial(0.965, proven=False).is_in_order(bare)
    assert not trial(0.95, proven=True).is_in_order(bare)


BLOCK_BYTES, NUMBERS = 64 * 2048, 24
PLAIN = spare_groups(2048 + 128, 2, 1024, 8, 28)
COPIED = Recipe(64, PLAIN, Code(14, 0x402B, 16), translation=Translation("block", BitField(0, 1), BitField(1, 1)))


def in_order(lost: tuple[int, ...], turned: tuple[int, ...]) -> tuple[bool, float]:
    """Whether the order holds, and how much larger a share of all promises does with the oldest copies.

    Args:
        lost: numbers whose newest copy is lost, counted from the last one of those that changed.
        turned: numbers whose versions are the wrong way round, of those that changed.
    """
    old, new = (
        state.reshape(NUMBERS, -1) for state in volume_states(NUMBERS * BLOCK_BYTES, NUMBERS * BLOCK_BYTES // 2)
    )
    changed = np.flatnonzero((old != new).any(axis=1))
    kept = np.setdiff1d(np.arange(NUMBERS), changed[list(lost)])
    logical = np.r_[kept, changed]
    version = np.r_[np.full(len(kept), 41), np.full(len(changed), 40)]
    for number in changed[list(turned)]:
        version[logical == number] ^= 1
    pages = np.arange(len(logical) * 64)
    metadata_bytes = np.zeros((len(pages), PLAIN.metadata_bytes), np.uint8)
    metadata_bytes[:, 0], metadata_bytes[:, 1] = np.repeat(logical, 64), np.repeat(version, 64)
    raw = COPIED.encode(np.concatenate([new[kept], old[changed]]).reshape(len(pages), -1), metadata_bytes, pages)
    space = PageSpace.of(raw, 64)
    metadata = block_metadata(space, COPIED)
    newest, oldest = (
        consistency(space, COPIED, metadata, PageCache(), oldest=oldest).share for oldest in (False, True)
    )
    return is_no_better_backwards(space, COPIED, metadata), oldest - newest


def test_files_that_no_copy_holds_speak_for_no_order() -> None:
    """The newest directories promise them, and the older ones do not."""
    holds, ahead = in_order(lost=(-1,), turned=())
    assert holds
    assert ahead > TIED_SHARE


@pytest.mark.parametrize("lost", [(), (-1,)])
def test_tables_and_files_older_than_their_directories_are_in_no_order(lost: tuple[int, ...]) -> None:
    """The newer copy of the files is there, and the tables contradict the directories."""
    holds, _ = in_order(lost, turned=(0, -2))
    assert not holds
