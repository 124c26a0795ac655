"""Versions known but for a constant: every bit that matters must be told by something."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from deadstick.files.judge import Check, Consistency
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.numbering import BlockMetadata, Numbering
from deadstick.solve.open_versions import lowest_constant, ordered

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


@pytest.mark.parametrize("constant", [0, 0x2B, 0x7FFF, 0x1234])
def test_volumes_put_the_copies_in_order(constant: int) -> None:
    versions = np.random.default_rng(1).permutation(len(LOGICAL)) + 1
    found = ordered(NUMBER, metadata(versions, constant), Volumes(versions, ALL))
    assert found is not None
    field = found.translation.version
    assert field is not None
    read = field.read(metadata(versions, constant).values[:, 0] ^ found.offset)
    newest = Volumes(versions, ALL)
    assert all(newest._is_newest(number, read) for number in ALL)


def test_bits_that_nothing_tells_leave_the_copies_equal() -> None:
    """Erase counts far apart, and volumes that show no difference."""
    versions = np.random.default_rng(2).choice(60_000, len(LOGICAL), replace=False)
    assert ordered(NUMBER, metadata(versions, 0x5A5A), Volumes(versions, frozenset({0}))) is None


@given(st.lists(st.integers(0, 4000), min_size=1, max_size=40), st.integers(0, 4095))
def test_the_lowest_constant_is_the_lowest(values: list[int], constant: int) -> None:
    some = np.array(values) ^ constant
    lowest = int((some ^ lowest_constant(some)).max())
    assert lowest == min(int((some ^ other).max()) for other in range(4096))
