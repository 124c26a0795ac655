"""Counts of the writes of each block under many groups of keystreams tell the order of copies whose data do not."""

import numpy as np

from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.keystream_groups.group_orders import version_by_copies

GROUPS, NUMBERS, MOST_WRITES, FIRST = 10, 32, 4, 0x85
TURNS = [np.arange(NUMBERS)[np.arange(NUMBERS) % MOST_WRITES >= turn] for turn in range(MOST_WRITES)]
LOGICAL = np.concatenate(TURNS)
"""Every number was written once to four times."""
VERSIONS = FIRST + np.repeat(np.arange(MOST_WRITES), [len(turn) for turn in TURNS])
CHANGING = 16
"""Copies of smaller numbers hold different data; the others were written with the same data each time."""
SILENT = 7
"""Its copies do not tell which of them is the later one."""
RNG = np.random.default_rng(3)
PLACES = RNG.permutation(len(LOGICAL)) % GROUPS
CONSTANTS = RNG.integers(0, 256, GROUPS + 1)


class Told:
    """Copies that tell which is the later one, but for those of one number."""

    def vote(self, one: int, other: int) -> int:
        return 0 if LOGICAL[one] == SILENT else int(np.sign(VERSIONS[other] - VERSIONS[one]))

    def alike(self, one: int, other: int) -> bool:
        return bool(LOGICAL[one] == LOGICAL[other] >= CHANGING)


def told(versions: np.ndarray, groups: np.ndarray) -> np.ndarray | None:
    """The versions that are found of those given, but for constants; None where they are not told."""
    values = versions ^ CONSTANTS[groups]
    rows = np.stack([LOGICAL, values, np.full(len(LOGICAL), 0xFF)], axis=1).astype(np.uint8)
    blocks = BlockMetadata(np.arange(len(rows)), np.repeat(rows[:, None], 4, axis=1), np.ones((len(rows), 4), np.bool_))
    found = version_by_copies(BitField(0, 1), blocks, groups, Told(), NUMBERS)
    if found is None:
        return None
    field, constants = found
    assert field == BitField(1, 1)
    turned: np.ndarray = values ^ np.array([constants[group] for group in groups.tolist()])
    return turned


def test_counts_tell_the_order_of_copies_that_do_not() -> None:
    found = told(VERSIONS, PLACES)
    assert found is not None
    for number in range(NUMBERS):
        copies = np.flatnonzero(number == LOGICAL)
        assert (np.argsort(found[copies]) == np.argsort(VERSIONS[copies])).all()


def test_versions_of_a_few_lost_copies_may_be_missing() -> None:
    versions = VERSIONS.copy()
    versions[(LOGICAL == CHANGING + 2) & (VERSIONS == FIRST + 2)] += 1
    found = told(versions, PLACES)
    assert found is not None
    assert (np.argsort(found[LOGICAL == SILENT]) == np.argsort(VERSIONS[LOGICAL == SILENT])).all()


def test_nothing_is_told_where_a_silent_copy_lies_alone_in_its_group() -> None:
    groups = np.where((LOGICAL == SILENT) & (VERSIONS == FIRST + MOST_WRITES - 1), GROUPS, PLACES)
    assert told(VERSIONS, groups) is None


def test_nothing_is_told_where_versions_are_no_counts_of_the_writes_of_each_block() -> None:
    """Many are missing between copies: each of them says little of the constants."""
    assert told(FIRST + 3 * (VERSIONS - FIRST) + LOGICAL % 2, PLACES) is None
