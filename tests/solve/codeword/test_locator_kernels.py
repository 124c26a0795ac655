"""Error locators of many words side by side, against the algorithm on one word at a time."""

import numpy as np
import pytest

from deadstick.solve.codeword.field_rows import SLACK, FieldTables
from deadstick.solve.codeword.locator_kernels import LANES, locator_length, locator_lengths


def logarithms(field: FieldTables, odd: list[int]) -> list[int]:
    """Of all syndromes, from the odd ones: the others are squares; -1 for zero."""
    order = (1 << field.m) - 1
    logs = [-1] * (2 * len(odd))
    for k, value in enumerate(odd):
        index, logarithm = 2 * k + 1, int(field.log[value])
        while index < len(logs):
            logs[index] = logarithm if value else -1
            index, logarithm = 2 * index, 2 * logarithm % order
    return logs


def syndromes(field: FieldTables, positions: list[int], depth: int) -> list[int]:
    """The odd ones of a word with errors."""
    order = (1 << field.m) - 1
    return [
        int(np.bitwise_xor.reduce([field.exp[place * (2 * k + 1) % order] for place in positions] or [np.uint16(0)]))
        for k in range(depth)
    ]


def alone(field: FieldTables, logs: np.ndarray, depth: int) -> int:
    scratch = [np.empty(2 * depth + 2, np.uint16) for _ in range(3)]
    return locator_length(logs, depth, (1 << field.m) - 1, field.exp, field.log, SLACK, *scratch)


def together(field: FieldTables, logs: np.ndarray, filled: int) -> list[int]:
    lengths = np.full(LANES, 99, np.int64)
    locator_lengths(logs, filled, field.m, field.exp, field.log, SLACK, lengths)
    found: list[int] = lengths[:filled].tolist()
    return found


@pytest.mark.parametrize(("polynomial", "depth"), [(0x201B, 4), (0x402B, 21), (0x8003, 40), (0xEDCD, 26)])
def test_words_side_by_side_have_the_locators_that_each_has_alone(polynomial: int, depth: int) -> None:
    field, rng = FieldTables(polynomial), np.random.default_rng(depth)
    order = (1 << field.m) - 1
    logs = np.zeros((LANES, 2 * depth), np.int32)
    expected = []
    for lane in range(LANES):
        errors = lane % (depth + 2)
        odd = syndromes(field, rng.choice(order, errors, replace=False).tolist(), depth)
        if lane % 3 == 2:
            odd = rng.integers(0, 1 << field.m, depth).tolist()
        if lane % 7 == 6:
            odd[int(rng.integers(depth))] = 0
        logs[lane] = logarithms(field, odd)
        expected.append(alone(field, logs[lane], depth))
        if lane % 3 != 2 and lane % 7 != 6 and errors <= depth - SLACK:
            assert expected[-1] == errors
    assert together(field, logs, LANES) == expected
    assert together(field, logs, 5) == expected[:5]


def test_every_word_of_a_small_depth_is_told_as_it_is_alone() -> None:
    # The chance of a step that finds nothing is 2^-13: zeros are set here at each of the steps and in all combinations.
    field, rng = FieldTables(0x201B), np.random.default_rng(2)
    logs = np.zeros((LANES, 12), np.int32)
    for lane in range(LANES):
        odd = rng.integers(1, 1 << 13, 6)
        odd[np.flatnonzero(lane >> np.arange(6) & 1)] = 0
        logs[lane] = logarithms(field, odd.tolist())
    assert together(field, logs, LANES) == [alone(field, row, 6) for row in logs]
