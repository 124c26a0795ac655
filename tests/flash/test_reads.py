"""The vote of several reads and what it says about itself, held against the same in plain Python."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.errors import InputError
from deadstick.flash import kernels
from deadstick.flash.dump import Dump
from deadstick.flash.reads import IN_ORDER, Chip, Piece, Plan, ReadPlan, VotedDump, order_table

Bytes = NDArray[np.uint8]


def chip_of(folder: Path, reads: Sequence[Bytes]) -> Chip:
    dumps = []
    for number, read in enumerate(reads):
        path = folder / f"read{number}.bin"
        path.write_bytes(read.tobytes())
        dumps.append(Dump.open(path))
    return Chip(dumps)


def voted_by_hand(stack: Bytes, lines: Bytes, unit: int, weights: list[int]) -> list[int]:
    """Bit by bit, as the docstring of the kernel says."""
    voted = []
    for place in range(stack.shape[1]):
        value = 0
        for line in range(8):
            said = [
                (weights[read], int(stack[read, place]) >> line & 1)
                for read in range(len(stack))
                if int(lines[read, place // unit]) >> line & 1
            ]
            score = sum(weight if bit else -weight for weight, bit in said)
            first = said[0][1] if said else int(stack[0, place]) >> line & 1
            value |= (first if score == 0 else int(score > 0)) << line
        voted.append(value)
    return voted


@given(reads=st.integers(1, 8), units=st.integers(1, 3), tail=st.integers(0, 7), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=40)
def test_the_vote_agrees_with_its_twin(reads: int, units: int, tail: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit, size = 8, 8 * units + tail
    common = rng.integers(0, 256, size, dtype=np.uint8)
    stack = common ^ np.where(rng.random((reads, size)) < 0.3, rng.integers(0, 256, (reads, size)), 0).astype(np.uint8)
    lines = rng.choice(np.array([0, 0xFF, 0xFF, 0xF7, 0x3C], np.uint8), (reads, -(-size // unit)))
    weights = rng.integers(1, 4, reads).astype(np.int32)
    voted = np.empty(size, np.uint8)
    kernels.vote(stack, lines, unit, weights, voted)
    assert voted.tolist() == voted_by_hand(stack, lines, unit, weights.tolist())


@given(reads=st.integers(1, 8), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_the_confidence_is_the_sum_of_opinions(reads: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values, counts = rng.integers(0, 256, (2, reads, 3, 5), dtype=np.uint8)
    weights = rng.integers(1, 200, reads).astype(np.int32)
    out = np.empty((3, 40), np.int16)
    kernels.likelihoods(values, counts, weights, out)
    signs = 2 * np.unpackbits(values, axis=2).astype(np.int64) - 1
    assert (out == (signs * np.unpackbits(counts, axis=2) * weights[:, None, None]).sum(axis=0)).all()


@given(reads=st.integers(2, 8), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_differences_are_counted_against_the_majority(reads: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit, units = 16, 3
    stack = rng.integers(0, 256, (reads, unit * units), dtype=np.uint8)
    present = (rng.random((reads, units)) < 0.7).astype(np.uint8)
    counted = np.zeros((reads, units, 8), np.uint32)
    kernels.compare_reads(stack.view(np.uint64), present, unit // 8, counted)
    for number in range(units):
        there = np.flatnonzero(present[:, number])
        part = stack[:, number * unit : (number + 1) * unit]
        bits = np.unpackbits(part[..., None], axis=2, bitorder="little")
        ones = bits[there].sum(axis=0)
        tie = bits[there[0]] if len(there) else bits[0]
        majority = np.where(2 * ones == len(there), tie, 2 * ones > len(there))
        expected = (bits != majority).sum(axis=1) * (present[:, number, None] if len(there) > 1 else 0)
        assert (counted[:, number] == expected).all()


@given(words=st.integers(1, 600), per_unit=st.sampled_from([1, 7, 300, 512]), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_figures_of_the_data_lines(words: int, per_unit: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, 8 * words, dtype=np.uint8) & np.uint8(rng.integers(256))
    units = -(-words // per_unit)
    ones, unequal = np.empty((units, 8), np.uint32), np.empty((units, 4), np.uint8)
    kernels.line_figures(data.view(np.uint64), per_unit, ones, unequal)
    for unit in range(units):
        bits = np.unpackbits(data[8 * per_unit * unit : 8 * per_unit * (unit + 1)][:, None], axis=1, bitorder="little")
        assert (ones[unit] == bits.sum(axis=0)).all()
        for k in range(1, 5):
            for line in range(8):
                differ = bool((bits[:, line] != bits[:, (line + k) % 8]).any())
                assert (unequal[unit, k - 1] >> line & 1) == differ


@given(seed=st.integers(0, 1000), mask=st.sampled_from([0xFF, 0x0F, 0xF0]))
@settings(deadline=None, max_examples=20)
def test_grams_are_found_at_every_byte(seed: int, mask: int) -> None:
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, 400, dtype=np.uint8)
    data[300:330] = data[100:130]
    places = np.array([0, 7, 105, 384])
    keys = np.empty(4, np.uint64)
    kernels.grams_at(data, places, np.uint8(mask), keys)
    order = np.argsort(keys)
    sieve = np.zeros(1 << 20, np.uint8)
    sieve[(keys & np.uint64((1 << 20) - 1)).astype(np.int64)] = 1
    found = np.empty((32, 2), np.int64)
    count = kernels.find_grams(data, keys[order], np.uint8(mask), sieve, found)
    met = {(int(places[order[key]]), int(place)) for key, place in found[:count]}
    expected = {
        (int(place), at)
        for place in places
        for at in range(len(data) - 15)
        if ((data[at : at + 16] ^ data[place : place + 16]) & mask == 0).all()
    }
    assert met == expected
    assert (105, 305) in met


def test_weights_let_the_better_read_decide(tmp_path: Path) -> None:
    """Two poor reads against a good one: log(0.999/0.001) > 2 log(0.9/0.1)."""
    good, poor = np.full(8, 0xF0, np.uint8), np.full(8, 0x0F, np.uint8)
    chip = chip_of(tmp_path, [poor, poor, good])
    whole = (Piece(0, 8, 0),)
    plan = Plan(8, 4096, (ReadPlan(whole, error_rate=0.1),) * 2 + (ReadPlan(whole, error_rate=0.001),))
    chip.write_vote(plan, tmp_path / "voted.bin")
    assert (np.fromfile(tmp_path / "voted.bin", np.uint8) == good).all()
    even = Plan(8, 4096, (ReadPlan(whole, error_rate=0.1),) * 3)
    chip.write_vote(even, tmp_path / "voted.bin")
    assert (np.fromfile(tmp_path / "voted.bin", np.uint8) == poor).all()


def test_pieces_lines_and_order_of_a_plan_are_what_counts(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    true = rng.integers(0, 256, 3 * 4096, dtype=np.uint8)
    swapped = order_table((1, 0, *range(2, 8)))[true]
    late = true[4096:].copy()
    late[4096:] |= 0x10  # its last unit has line 4 stuck
    chip = chip_of(tmp_path, [swapped, late])
    plan = Plan(
        len(true),
        4096,
        (
            ReadPlan((Piece(0, 4096, 0), Piece(8192, 12288, 8192, 0x10)), (1, 0, *range(2, 8))),
            ReadPlan((Piece(4096, 8192, 0), Piece(8192, 12288, 4096, 0xEF))),
        ),
    )
    chip.write_vote(plan, tmp_path / "voted.bin")
    voted = VotedDump.of(tmp_path / "voted.bin", chip, Plan.from_dict(plan.to_dict()))
    assert (voted.array == true).all()
    values, counts = voted.page_reads(np.array([0, 2]), 4096)
    assert (values[0, 0] == true[:4096]).all()
    assert counts[:, :, 0].tolist() == [[0xFF, 0x10], [0, 0xEF]]


def test_a_vote_of_another_length_is_refused(tmp_path: Path) -> None:
    chip = chip_of(tmp_path, [np.zeros(8, np.uint8)])
    (tmp_path / "voted.bin").write_bytes(bytes(7))
    with pytest.raises(InputError, match=r"voted\.bin"):
        VotedDump.of(tmp_path / "voted.bin", chip, Plan(8, 4096, (ReadPlan((Piece(0, 8, 0),)),)))


def test_too_many_reads_are_refused(tmp_path: Path) -> None:
    chip = chip_of(tmp_path, [np.zeros(8, np.uint8)])
    with pytest.raises(InputError, match="9 reads"):
        Chip(chip.reads * 9)


def test_only_a_whole_read_as_it_stands_is_plain() -> None:
    whole = ReadPlan((Piece(0, 8, 0),))
    assert Plan(8, 4096, (ReadPlan(()), whole)).is_plain
    assert not Plan(8, 4096, (whole, whole)).is_plain
    assert not Plan(8, 4096, (ReadPlan((Piece(0, 8, 0),), (1, 0, *IN_ORDER[2:])),)).is_plain
    assert not Plan(8, 4096, (ReadPlan((Piece(0, 8, 0, 0xFE),)),)).is_plain
