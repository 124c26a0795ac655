"""Advice against practice on the same boards: a slice for every day, the whole thing as a campaign."""

import pytest

from deadstick.simulate.board_campaign import WAYS, Record, play, table
from deadstick.simulate.boards import random_board


def sums(way: str, seeds: range) -> tuple[list[Record], float, float]:
    records = [play(seed, way) for seed in seeds]
    innocent = sum(record.innocent for record in records) / len(records)
    right = sum(record.right for record in records) / len(records)
    return records, innocent, right


def test_a_slice_of_boards() -> None:
    seeds = range(2000, 2016)
    records, innocent, right = sums("advice", seeds)
    practice, lifted, _ = sums("trail following", seeds)
    assert right >= 15 / 16
    assert innocent <= 2 / 16
    assert innocent < lifted / 4
    assert not any(record.nand_heated for record in records)
    assert {record.seed: record.fault for record in records} == {record.seed: record.fault for record in practice}
    assert table(records + practice).count("| 16 |") == 2


def test_boards_of_a_seed_are_the_same_board() -> None:
    assert random_board(3).guilty == random_board(3).guilty
    assert random_board(3).circuit == random_board(3).circuit
    assert len({random_board(seed).truth for seed in range(20)}) > 8


@pytest.mark.campaign
def test_a_thousand_boards() -> None:
    seeds = range(10_000, 11_000)
    records, innocent, right = sums("advice", seeds)
    _, lifted, _ = sums("trail following", seeds)
    assert right >= 0.98
    assert innocent < 0.1
    assert innocent < lifted / 5
    assert not any(record.nand_heated for record in records)


@pytest.mark.parametrize("way", list(WAYS))
def test_every_way_ends(way: str) -> None:
    record = play(77, way)
    assert 0 < record.tests < 100
    assert record.minutes > 0
