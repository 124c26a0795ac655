"""Versions of several groups, each with an unknown constant, where copies tell which of them is newer."""

import numpy as np

from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.keystream_groups.group_orders import version_by_copies

LOGICAL = np.array([0, 1, 2, 3, 4, 5, 0, 2, 3, 3])
VERSIONS = np.array([41, 42, 41, 41, 41, 41, 42, 42, 43, 42])
GROUPS = np.array([0, 1, 0, 1, 0, 1, 1, 0, 0, 1])
NUMBER = BitField(0, 1)


def metadata(constants: tuple[int, int]) -> BlockMetadata:
    rows = np.stack([LOGICAL, VERSIONS ^ np.array(constants)[GROUPS], np.full(10, 0xFF)], axis=1).astype(np.uint8)
    return BlockMetadata(np.arange(10), np.repeat(rows[:, None], 4, axis=1), np.ones((10, 4), np.bool_))


class Told:
    """Copies that tell which is the later one, but for those of some blocks; some hold the same data."""

    def __init__(self, silent: frozenset[int] = frozenset(), same: frozenset[int] = frozenset()) -> None:
        self.silent, self.same = silent, same

    def vote(self, one: int, other: int) -> int:
        return 0 if LOGICAL[one] in self.silent else int(np.sign(VERSIONS[other] - VERSIONS[one]))

    def alike(self, one: int, other: int) -> bool:
        return LOGICAL[one] == LOGICAL[other] and LOGICAL[one] in self.same


class Circle(Told):
    """Of three copies each is later than the one before: no versions do that."""

    def vote(self, one: int, other: int) -> int:
        return -1 if (one, other) == (3, 8) else super().vote(one, other)


def test_constants_put_all_copies_in_the_order_that_their_data_tell() -> None:
    for constants in ((0, 0), (0x17, 0xE2), (0x80, 3)):
        told = version_by_copies(NUMBER, metadata(constants), GROUPS, Told(), 16)
        assert told is not None
        field, found = told
        versions = field.read(metadata(constants).first_good) ^ np.array([found[0], found[1]])[GROUPS]
        for number in (0, 2, 3):
            copies = np.flatnonzero(number == LOGICAL)
            assert (np.argsort(versions[copies]) == np.argsort(VERSIONS[copies])).all()


def test_nothing_is_told_where_one_pair_of_copies_is_silent_unless_it_holds_the_same_data() -> None:
    some = frozenset({2})
    assert version_by_copies(NUMBER, metadata((9, 200)), GROUPS, Told(some), 16) is None
    assert version_by_copies(NUMBER, metadata((9, 200)), GROUPS, Told(some, some), 16) is not None


def test_nothing_is_told_without_a_copy_or_by_copies_that_contradict_each_other() -> None:
    assert version_by_copies(NUMBER, metadata((9, 200)), GROUPS, Told(same=frozenset({0, 2, 3})), 16) is None
    assert version_by_copies(NUMBER, metadata((9, 200)), GROUPS, Circle(), 16) is None


def test_numbers_of_writes_across_a_power_of_two_are_told_under_one_group_of_keystreams() -> None:
    """From 123 to 132 all bits change, so the values share none of their higher bits under any constant."""
    versions = np.array([123, 125, 124, 126, 127, 128, 129, 130, 131, 132])
    rows = np.stack([LOGICAL, versions ^ 0x85, np.full(10, 0xFF)], axis=1).astype(np.uint8)
    some = BlockMetadata(np.arange(10), np.repeat(rows[:, None], 4, axis=1), np.ones((10, 4), np.bool_))

    class Later(Told):
        def vote(self, one: int, other: int) -> int:
            return int(np.sign(versions[other] - versions[one]))

    told = version_by_copies(NUMBER, some, np.zeros(10, np.int64), Later(), 16)
    assert told is not None
    field, found = told
    turned = field.read(rows) ^ found[0]
    for number in (0, 2, 3):
        copies = np.flatnonzero(number == LOGICAL)
        assert (np.argsort(turned[copies]) == np.argsort(versions[copies])).all()
