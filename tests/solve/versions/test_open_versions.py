"""Versions known but for a constant: every bit that matters must be told by something."""

import numpy as np
import pytest

from deadstick.files.judge import Check, Consistency
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import BlockMetadata
from deadstick.solve.blocks.numbering import Numbering
from deadstick.solve.versions.open_versions import Ordered, ordered
from deadstick.solve.versions.version_bits import Copied, bit_by_bit
from deadstick.solve.versions.write_counts import constants_in_turn, order_of_counts

NUMBER = Numbering(BitField(0, 1), 10.0, "", -20.0, 1.0)
LOGICAL = np.array([*range(40), *range(0, 40, 2)])


def metadata(versions: np.ndarray, constant: int) -> BlockMetadata:
    values = np.zeros((len(LOGICAL), 1, 3), np.uint8)
    values[:, 0, 0] = LOGICAL
    values[:, 0, 1:] = (versions ^ constant).astype("<u2").view(np.uint8).reshape(-1, 2)
    return BlockMetadata(np.arange(len(LOGICAL)), values, np.ones((len(LOGICAL), 1), np.bool_))


class Volumes:
    """Count for how many logical blocks the newest copy is taken, of those that show it."""

    def __init__(self, versions: np.ndarray, showing: frozenset[int]) -> None:
        self.versions, self.showing = versions, showing

    def __call__(self, translation: Translation, blocks: BlockMetadata) -> Consistency:
        field = translation.version
        age = field.read(blocks.values[:, 0]) if field else np.zeros(len(LOGICAL), np.int64)
        right = sum(self._is_newest(number, age) for number in self.showing)
        return Consistency(float(right), (Check("newest copies", right, max(1, len(self.showing)), 1.0),))

    def _is_newest(self, number: int, age: np.ndarray) -> bool:
        copies = np.flatnonzero(number == LOGICAL)
        return int(copies[np.argmax(age[copies])]) == int(copies[np.argmax(self.versions[copies])])


ALL = frozenset(range(0, 40, 2))


def check_newest(found: Ordered | None, versions: np.ndarray, constant: int) -> None:
    """The version that was found is highest in the newest copy of every block."""
    assert found is not None
    field = found.translation.version
    assert field is not None
    read = field.read(metadata(versions, constant).values[:, 0] ^ found.offset)
    newest = Volumes(versions, ALL)
    assert all(newest._is_newest(number, read) for number in ALL)


@pytest.mark.parametrize("constant", [0, 0x2B, 0x7FFF, 0x1234])
def test_volumes_put_the_copies_in_order(constant: int) -> None:
    versions = np.random.default_rng(1).permutation(len(LOGICAL)) + 1
    found = ordered(NUMBER, metadata(versions, constant), Volumes(versions, ALL))
    check_newest(found, versions, constant)


@pytest.mark.parametrize("constant", [0x62, 0x9D])
def test_numbers_of_writes_that_a_constant_tears_apart_are_versions(constant: int) -> None:
    """In one byte, the only one that changes, they take all its range."""
    versions = 98 + np.random.default_rng(1).permutation(len(LOGICAL))
    torn = metadata(versions, constant)
    assert np.ptp(torn.values[:, 0, 1]) == 255
    check_newest(ordered(NUMBER, torn, Volumes(versions, ALL)), versions, constant)


def test_values_that_take_all_the_range_of_a_byte_are_no_versions() -> None:
    values = np.random.default_rng(1).permutation(256)[: len(LOGICAL)]
    assert ordered(NUMBER, metadata(values, 0), Volumes(values, ALL)) is None


def test_bits_that_nothing_tells_leave_the_copies_equal() -> None:
    """Erase counts far apart, and volumes that show no difference."""
    versions = np.random.default_rng(2).choice(60_000, len(LOGICAL), replace=False)
    assert ordered(NUMBER, metadata(versions, 0x5A5A), Volumes(versions, frozenset({0}))) is None


class Silent:
    """Copies that differ, and do not tell which is the later one."""

    def vote(self, one: int, other: int) -> int:
        return 0 * (one + other)

    def alike(self, one: int, other: int) -> bool:
        return one == other


@pytest.mark.parametrize(("other_facts", "is_told"), [(0, True), (1_000, True), (100_000, False)])
def test_a_difference_that_an_older_state_may_make_is_no_order(other_facts: int, is_told: bool) -> None:
    """The newest copies are those that are taken without a version, so that the volumes are no better off with it."""
    versions = np.where(np.arange(len(LOGICAL)) < 40, 2, 1)
    volumes = Volumes(versions, ALL)

    def judge(translation: Translation, blocks: BlockMetadata) -> Consistency:
        right = int(volumes(translation, blocks).score)
        return Consistency(float(right), (Check("facts", other_facts + right, other_facts + len(ALL), 1.0),))

    found = ordered(NUMBER, metadata(versions, 3), judge, Silent())
    assert (found is not None) == is_told


class Filled:
    """Copies that were filled later where their versions differ in some bits, and hold the same data elsewhere."""

    def __init__(self, versions: np.ndarray, bits: int) -> None:
        self.versions, self.bits = versions, bits

    def vote(self, one: int, other: int) -> int:
        if self.alike(one, other):
            return 0
        return 1 if self.versions[one] < self.versions[other] else -1

    def alike(self, one: int, other: int) -> bool:
        highest = int(self.versions[one] ^ self.versions[other]).bit_length() - 1
        return not self.bits >> highest & 1


@pytest.mark.parametrize("constant", [0, 0x2B, 0x7FFF, 0x1234])
def test_copies_that_are_equal_follow_the_row_of_all_numbers(constant: int) -> None:
    """Two of three numbers of writes are left, and the volumes show nothing."""
    versions = np.r_[941, 1030, np.random.default_rng(1).choice(np.arange(942, 1030), len(LOGICAL) - 2, replace=False)]
    copies = Filled(versions, 0b11111100000)
    found = ordered(NUMBER, metadata(versions, constant), Volumes(versions, frozenset()), copies)
    check_newest(found, versions, constant)


def equal_copies(*, outermost: tuple[int, int]) -> np.ndarray:
    """Half of the blocks were written again; copies with 44 and 45 hold the same data, those with 45 and 46 do not."""
    newest: np.ndarray = np.where(np.arange(40) % 2, 45, 45 + np.arange(40) // 2 % 2)
    newest[1], newest[3] = outermost
    versions: np.ndarray = np.r_[newest, newest[::2] - 1]
    return versions


@pytest.mark.parametrize("constant", [0, 1, 0x2A, 0x2B, 0x7FFE, 0x7FFF])
@pytest.mark.parametrize("outermost", [(44, 47), (42, 49)])
def test_copies_that_are_equal_follow_each_other_as_others_do(outermost: tuple[int, int], constant: int) -> None:
    """Counts have the same span with the last bit turned round, or a shorter one; but copies would leave some out."""
    versions = equal_copies(outermost=outermost)
    copies = Filled(versions, 0b10)
    found = ordered(NUMBER, metadata(versions, constant), Volumes(versions, frozenset()), copies)
    check_newest(found, versions, constant)


class Partly:
    """Copies that all differ, and show which was filled later where their versions differ in some bits."""

    def __init__(self, versions: np.ndarray, bits: int) -> None:
        self.versions, self.bits = versions, bits

    def vote(self, one: int, other: int) -> int:
        highest = int(self.versions[one] ^ self.versions[other]).bit_length() - 1
        if not self.bits >> highest & 1:
            return 0
        return 1 if self.versions[one] < self.versions[other] else -1

    def alike(self, one: int, other: int) -> bool:
        return one == other


def counts_of_writes(lost: int = 0) -> np.ndarray:
    """Half of the blocks were written again, and the copy before is still there; of some the one before that is."""
    newest: np.ndarray = np.where(np.arange(40) % 2, 41, 42 + np.arange(40) // 2 % 3)
    older = newest[::2] - 1
    older[:lost] -= 1
    versions: np.ndarray = np.r_[newest, older]
    return versions


@pytest.mark.parametrize("constant", [0, 0x2B, 0x7FFF, 0x1234])
def test_counts_that_follow_each_other_tell_a_bit_that_nothing_else_tells(constant: int) -> None:
    """Copies with 42 and 43 say nothing of the bit in which these differ; what others say leaves no other order."""
    versions = counts_of_writes()
    copies = Partly(versions, 0b110)
    found = ordered(NUMBER, metadata(versions, constant), Volumes(versions, frozenset()), copies)
    check_newest(found, versions, constant)


@pytest.mark.parametrize("constant", [0, 0x2B, 0x7FFF])
def test_counts_of_which_one_is_lost_tell_nothing_of_the_rest(constant: int) -> None:
    versions = counts_of_writes(lost=1)
    copies = Partly(versions, 0b110)
    assert ordered(NUMBER, metadata(versions, constant), Volumes(versions, frozenset()), copies) is None


def test_one_pair_of_copies_with_two_between_them_lost_turns_no_other_round() -> None:
    """Counts of 40 and 43 follow each other under a wrong constant, as do those of all others, which differ by one."""
    versions = np.r_[np.where(np.arange(40) % 2, 40, 41), np.full(20, 40)]
    versions[0] = 43
    assert constants_in_turn(LOGICAL, versions) == [1, 2]
    some = Copied(LOGICAL, versions, np.arange(len(LOGICAL)), Partly(versions, 0b001))
    assert order_of_counts(some, lambda _: Consistency(0.0, ())) is None


def test_few_values_that_do_not_follow_each_other_are_no_counts() -> None:
    """Erase counts in a narrow range: some copies tell their order, and that says nothing of the others."""
    rng = np.random.default_rng(3)
    newest = rng.integers(40, 44, 40)
    versions = np.r_[newest, (newest[::2] - 40 + rng.integers(1, 4, 20)) % 4 + 40]
    copies = Partly(versions, 0b010)
    assert ordered(NUMBER, metadata(versions, 0x2B), Volumes(versions, frozenset()), copies) is None


class HalfSilent(Filled):
    """Copies that differ; of those with 84 and 85 all are silent but those of some blocks."""

    def __init__(self, versions: np.ndarray, heard: frozenset[int]) -> None:
        super().__init__(versions, 0b111)
        self.heard = heard

    def vote(self, one: int, other: int) -> int:
        is_silent = {int(self.versions[one]), int(self.versions[other])} == {84, 85} and not self.heard & {one, other}
        return 0 if is_silent else super().vote(one, other)


@pytest.mark.parametrize("heard", [frozenset(), frozenset({7})])
def test_volumes_do_not_settle_a_bit_of_which_a_copy_says_the_opposite(heard: frozenset[int]) -> None:
    """In a dump that ends early an older state may be the more consistent one: with 84 and 85 in the wrong order."""
    logical = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 7, 8, 0, 1, 2])
    versions = np.array([84, 84, 84, 83, 83, 83, 83, 85, 85, 85, 84, 84, 83, 83, 83])
    some = Copied(logical, versions, np.arange(len(logical)), HalfSilent(versions, heard))

    def found(constant: int) -> Consistency:
        facts = 900 + 5 * ((84 ^ constant) > (85 ^ constant))
        return Consistency(float(facts), (Check("facts", facts, 1000, 1.0),))

    assert (bit_by_bit(some, found) is None) == bool(heard)
