"""Numbers of all writes under an unknown constant: few orders are left, and volumes and copies tell the right one."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from deadstick.files.judge import Check, Consistency
from deadstick.solve.versions.write_numbers import numbers_of_writes, orders_of_copies, told_order, turned_to_sequence


def share(of: float) -> Consistency:
    """Volumes of whose promises so much holds."""
    right = round(of * 100_000)
    return Consistency(float(right), (Check("facts", right, 100_000, 1.0),))


@given(st.integers(0, 1900), st.integers(30, 120), st.integers(0, 2047), st.integers(0, 1 << 30))
@example(0, 30, 0, 75426)  # 1 and 28 are missing, and under a constant of 1 the others are 0 to 27
def test_the_right_constant_is_among_those_that_are_left(first: int, count: int, constant: int, seed: int) -> None:
    """Fewer than a tenth of the numbers are missing."""
    lost = np.random.default_rng(seed).choice(count, count // 12, replace=False)
    numbers = numbers_of_writes(np.delete(np.arange(first, first + count), lost) ^ constant)
    assert numbers is not None
    assert numbers.hold(constant)


def test_what_is_no_number_of_writes_is_none() -> None:
    rng = np.random.default_rng(3)
    assert numbers_of_writes(np.zeros(0, np.int64)) is None
    assert numbers_of_writes(rng.integers(0, 9, 68)) is None  # how often each block was written
    assert numbers_of_writes(rng.choice(2000, 68, replace=False)) is None  # how often each block was erased
    assert numbers_of_writes(np.arange(12)) is None  # too few to be no accident


def test_orders_hold_the_right_one_and_the_opposite() -> None:
    values = np.random.default_rng(4).permutation(np.arange(159, 159 + 79))[:70] ^ 0x2B
    numbers = numbers_of_writes(values)
    assert numbers is not None
    pairs = np.arange(40).reshape(-1, 2)
    orders = orders_of_copies(pairs, values, numbers.constants)
    later = [tuple((values[pairs[:, 0]] ^ one) < (values[pairs[:, 1]] ^ one)) for one in orders]
    right = tuple((values[pairs[:, 0]] ^ 0x2B) < (values[pairs[:, 1]] ^ 0x2B))
    assert len(set(later)) == len(later) <= 16
    assert right in later
    assert tuple(not is_later for is_later in right) in later


@pytest.mark.parametrize(
    ("shares", "votes", "told"),
    [
        ((1.0, 0.95), ([0, 0], [0, 0]), 7),  # clearly by the volumes
        ((1.0, 0.999), ([0, 0], [0, 0]), None),  # an older state may be as consistent
        ((1.0, 0.999), ([1, 0], [-1, 0]), 7),  # unless what was filled later says so, too
        ((0.999, 1.0), ([1, 0], [-1, 0]), None),
        ((1.0, 0.95), ([-1, 0], [1, 0]), None),  # they contradict each other
        ((0.999, 1.0), ([1, 1, 1], [-1, -1, -1]), 7),  # many copies are surer than volumes
        ((1.0, 1.0), ([0, 0], [0, 0]), None),
    ],
)
def test_an_order_is_told_by_volumes_and_copies(
    shares: tuple[float, float], votes: tuple[list[int], list[int]], told: int | None
) -> None:
    found = told_order([7, 248], lambda one: share(shares[one == 248]), lambda one: votes[one == 248])
    assert (found and found[0]) == told


@pytest.mark.parametrize("constant", [0, 0b100, 0b101, 0b1111, 0b0110])
def test_numbers_of_writes_tell_a_bit_that_no_volume_does(constant: int) -> None:
    # 67 writes from number 968 on, two blocks without one; the higher bits are known by other means.
    written = np.r_[np.arange(968, 968 + 67), 1 << 20, 1 << 20]
    assert turned_to_sequence(written ^ constant, [0b100], fixed=0b1110000) == constant & 0b100


def test_counts_of_erasures_tell_no_bit() -> None:
    scattered = np.random.default_rng(5).choice(2000, 67, replace=False)
    assert turned_to_sequence(scattered, [0b100], fixed=0b1110000) is None


def test_a_sequence_that_begins_and_ends_at_a_bit_does_not_tell_it() -> None:
    assert turned_to_sequence(np.arange(960, 960 + 64), [0b100], fixed=0b1110000) is None
