"""Numbers and versions of few blocks under many stored keystreams that meet at the borders of blocks alone."""

import numpy as np
import pytest

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.keystream_groups.group_chances import doubted_with_gaps, doubted_without_gaps
from deadstick.solve.keystream_groups.group_numbers import with_tied_groups
from deadstick.solve.keystream_groups.group_writes import constants_of_writes
from deadstick.solve.scrambler.metadata_table import with_offsets
from deadstick.solve.versions.version_bits import Copied

BLOCK, NUMBERS, BLOCKS, STREAMS = 16, 10, 30, 7
LAYOUT = spare_groups(512 + 64, 1, 512, 8, 28)
PAGES = np.arange(BLOCK * BLOCKS)
GROUPS = np.arange(BLOCKS) % STREAMS
RNG = np.random.default_rng(5)
WRITES = RNG.permutation(BLOCKS)
LOGICAL = np.r_[np.arange(NUMBERS), RNG.permutation(NUMBERS), RNG.permutation(NUMBERS)][WRITES]
"""All blocks of the disk were written once, and twice more in other orders."""
CONSTANTS = RNG.integers(0, 256, STREAMS)
FIRST_WRITE = 0x86


def controller() -> Recipe:
    streams = StoredKeystreams(tuple(RNG.bytes(LAYOUT.page_bytes) for _ in range(STREAMS)))
    scrambler = Scrambler("before_ecc", "column", streams, frozenset({Part.DATA, Part.METADATA}), 0, 1)
    return Recipe(BLOCK, LAYOUT, Code(14, 0x402B, 16), scrambler)


def disk_blocks() -> np.ndarray:
    """Data of all blocks; the end of each was free when it was written first, and a part of it the next time."""
    content = RNG.integers(1, 256, (NUMBERS, BLOCK, 512), np.uint8)
    content[:, 0, 510:] = 0
    content[0, 0, 510:] = 0x55, 0xAA
    data: np.ndarray = content[LOGICAL]
    data[WRITES < 2 * NUMBERS, -1, 384:] = 0
    data[WRITES < NUMBERS, -1, 256:] = 0
    return data.reshape(-1, 512)


class Filled:
    """Copies that say which is the later one; the last number's may say nothing."""

    def __init__(self, *, told: bool = True) -> None:
        self.told = told

    def vote(self, one: int, other: int) -> int:
        if not self.told and LOGICAL[one] == NUMBERS - 1:
            return 0
        return 1 if WRITES[one] < WRITES[other] else -1

    def alike(self, one: int, other: int) -> bool:
        return one == other


def test_copies_tell_numbers_and_versions_of_few_blocks_in_each_of_many_groups() -> None:
    recipe = controller()
    metadata = np.full((len(PAGES), 8), 0xA5, np.uint8)
    metadata[:, 2], metadata[:, 5] = LOGICAL[PAGES // BLOCK], FIRST_WRITE + WRITES[PAGES // BLOCK]
    raw = recipe.encode(disk_blocks(), metadata, PAGES)
    unknown = with_offsets(recipe, RNG.integers(0, 256, (STREAMS, 8), np.uint8))
    tied = next(with_tied_groups(PageSpace.of(raw, BLOCK), unknown), None)
    assert tied is not None
    rows = tied.decode(raw[::BLOCK], PAGES[::BLOCK]).metadata
    assert (rows[:, 2] == LOGICAL).all()
    assert (rows[:, :2] == rows[0, :2]).all()
    # Which versions they are is left to a constant over all.
    assert len(np.unique(rows[:, 5] ^ (FIRST_WRITE + WRITES))) == 1


def versions(copies: Filled) -> dict[int, int] | None:
    values = (FIRST_WRITE + WRITES) ^ CONSTANTS[GROUPS]
    return constants_of_writes(Copied(LOGICAL, values, np.arange(BLOCKS), copies), GROUPS)


def test_of_several_constants_of_numbers_of_writes_those_in_the_order_of_all_copies_are_taken() -> None:
    found = versions(Filled())
    assert found is not None
    assert found[0] == 0
    assert versions(Filled(told=False)) is None


def test_random_bytes_under_as_many_constants_are_no_numbers_of_writes() -> None:
    values = RNG.permutation(256)[:BLOCKS]
    copied = Copied(LOGICAL, values, np.arange(BLOCKS), Filled())
    assert constants_of_writes(copied, GROUPS) is None
    pairwise_groups = np.arange(BLOCKS) // 2
    written = Copied(LOGICAL, FIRST_WRITE + WRITES, np.arange(BLOCKS), Filled())
    assert constants_of_writes(written, pairwise_groups) is None


@pytest.mark.parametrize(("link", "sure"), [(5, True), (1, False)])
def test_groups_that_hang_on_one_pair_of_copies_may_be_wrong_together(link: int, sure: bool) -> None:
    numbers = {0: np.arange(8), 1: np.array([1, 2, 3]), 2: np.array([2, 3, 4])}
    ties = [(0, 1)] * link + [(1, 2)] * 6
    assert (doubted_without_gaps(numbers, ties, 0, {0, 1, 2}, width=6) is None) == sure


def test_a_constant_that_was_looked_for_needs_more_than_one_that_copies_name() -> None:
    numbers = {0: np.array([0, 1, 2, 3, 5, 6]), 1: np.array([1, 4, 2])}
    ties = [(0, 1)] * 4
    assert doubted_without_gaps(numbers, ties, 0, {0, 1}, width=6) is None
    assert doubted_without_gaps(numbers, ties, 0, {0}, width=6) is not None


@pytest.mark.parametrize(("found", "sure"), [((4, 7, 9, 12), True), ((4, 7), False), ((4, 7, 9, 31), False)])
def test_groups_that_ties_name_may_leave_few_numbers_missing(found: tuple[int, ...], sure: bool) -> None:
    """Of 4, 7, 9, 12, 14 and 17 the last two are lost."""
    numbers = {0: np.setdiff1d(np.arange(19), [4, 7, 9, 12, 14, 17]), 1: np.array(found)}
    assert (doubted_with_gaps(numbers, [(0, 1)], 0, width=6) is None) == sure


def test_a_constant_that_is_wrong_in_low_bits_alone_is_doubted() -> None:
    """Numbers stay in their range then, and hardly any of them is missing that was not."""
    rng, taken = np.random.default_rng(3), 0
    for _ in range(200):
        group = rng.permutation(30) % 5
        numbers = {g: np.flatnonzero((group == g) & ~np.isin(np.arange(30), [11, 23])) for g in range(5)}
        numbers[1] = numbers[1] ^ int(rng.integers(1, 32))
        numbers[0] = np.union1d(numbers[0], [0])
        taken += doubted_with_gaps(numbers, [(0, g) for g in range(1, 5)], 0, width=6) is None
    assert taken == 0
