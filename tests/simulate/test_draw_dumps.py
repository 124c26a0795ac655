"""Drawn cases of several chips, planes and reads: what is drawn, that the true recipe gives the disk, and old seeds."""

import hashlib
import json
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.case.reads import opened
from deadstick.flash.dump import Dump
from deadstick.flash.reads import VotedDump
from deadstick.progress import silent
from deadstick.recipe import toml
from deadstick.simulate.draw import PRESETS, READS, SPREAD, WIDE, DrawnCase, Ranges, draw_case, draw_controller
from deadstick.simulate.draw_reads import write_reads
from deadstick.simulate.judge import judge
from deadstick.simulate.nand import add_bit_errors

SMALL = replace(WIDE, dump_bytes=(3 << 20, 5 << 20), page_data=(512, 2048), pages_per_block=(32, 48), chips_most=2)
SMALL_SPREAD = replace(SMALL, spread_share=1.0, unerased_share=0.5)
SMALL_READS = replace(SMALL, reads=(2, 4), worn=READS.worn, lasting=READS.lasting)


@pytest.mark.parametrize(
    ("preset", "digest"),
    [
        ("small", "78ab0cba2f9376bd0f3391e3963ddf8190faf1e9f537ffefdf8048434db09f60"),
        ("wide", "070e72bd5d51c772c21025d537c2a97b08b29bf9e2ce4b6d25a7a1ff6e1ca21b"),
        ("noisy", "1f3cb17b368e25a4e9ef8bcea417770762ca23b76d5d02d18624071fa1ee3873"),
    ],
)
def test_new_options_leave_the_answers_to_the_others_as_they_were(preset: str, digest: str) -> None:
    """Digests from before chips, planes and reads were drawn."""
    drawn = [draw_controller(seed, PRESETS[preset]) for seed in range(20)]
    text = json.dumps([[toml.to_dict(one.recipe), one.options] for one in drawn], sort_keys=True)
    assert hashlib.sha256(text.encode()).hexdigest() == digest


def test_an_old_seed_gives_the_old_dump() -> None:
    case = draw_case(2, Ranges())
    assert case.reads == ((case.dump,),)
    digest = "b7f2c0dc95d741e8a28e36fc11cbb2d6bbbdbfe78386eee1db66664f432c076a"
    assert hashlib.sha256(case.dump.tobytes()).hexdigest() == digest


def test_every_spread_is_drawn() -> None:
    met: dict[str, set[object]] = defaultdict(set)
    for seed in range(120):
        interleave = draw_controller(seed, SPREAD).recipe.interleave
        assert not interleave.is_none
        met["dumps"].add(interleave.dumps)
        met["lanes"].add(interleave.lanes)
        met["planes"].add(interleave.planes)
        met["by"].add(interleave.by)
        met["numbers"].add(interleave.numbers)
        given = [dump for chip in interleave.chip_order for dump in interleave.chips[chip]]
        met["order"].add(given == sorted(given))
    assert met == {
        "dumps": {1, 2, 3, 4},
        "lanes": {1, 2},
        "planes": {1, 2, 4},
        "by": {"page", "block"},
        "numbers": {"own", "common"},
        "order": {True, False},
    }


def test_half_of_the_cases_may_be_spread() -> None:
    drawn = [draw_controller(seed, replace(SPREAD, spread_share=0.5)).recipe.interleave for seed in range(60)]
    assert 15 < sum(interleave.is_none for interleave in drawn) < 45


def test_reads_are_of_the_controllers_of_wide() -> None:
    for seed in range(10):
        assert draw_controller(seed, READS) == draw_controller(seed, WIDE)


# Dumps --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def spread() -> list[DrawnCase]:
    return [draw_case(seed, SMALL_SPREAD) for seed in range(16)]


def test_the_true_recipe_gives_the_spread_disk(spread: list[DrawnCase], tmp_path: Path) -> None:
    met: dict[str, set[str]] = defaultdict(set)
    for case in spread:
        paths = write_reads(case.reads, tmp_path)
        disk = case.history.disk if case.plan.cut == 1.0 else None
        result = judge([Dump.open(chip[0]) for chip in paths], case.recipe, case.recipe, disk)
        assert result.verdict == "right"
        assert result.sectors > 1000
        for option in ("bus", "planes", "dumps given", "mapping", "end", "units", "erased blocks"):
            met[option].add(case.options[option])
    assert met["bus"] == {"two chips byte by byte", "each chip its own"}
    assert met["units"] == {"in step", "each for itself", "one"}
    assert all(len(values) > 1 for values in met.values()), met


def test_chips_of_one_case_are_of_one_size(spread: list[DrawnCase]) -> None:
    for case in spread:
        recipe = case.recipe
        lane = recipe.layout.page_bytes // recipe.interleave.lanes
        whole = case.plan.blocks * recipe.pages_per_block * lane
        assert [len(chip) for chip in case.reads] == [1] * recipe.interleave.dumps
        assert {chip[0].size for chip in case.reads} == {int(whole * case.plan.cut)}
        assert case.plan.blocks % recipe.interleave.planes == 0
        assert case.plan.blocks // recipe.interleave.planes >= 14


def test_chips_without_an_erased_block_have_none(spread: list[DrawnCase]) -> None:
    looked_at = 0
    for case in spread:
        recipe = case.recipe
        block = recipe.pages_per_block * recipe.layout.page_bytes // recipe.interleave.lanes
        for (dump,) in case.reads:
            blocks = dump[: len(dump) // block * block].reshape(-1, block)
            erased = (blocks == 0xFF).mean(axis=1) > 0.99
            if case.options["erased blocks"] == "none":
                assert not erased.any()
                looked_at += 1
    assert looked_at > 2


# Reads --------------------------------------------------------------------------------------------


def wrong_bits(case: DrawnCase) -> list[float]:
    """Of a case of three reads: the bit error rate of each against the majority."""
    first, second, third = case.reads[0]
    majority = (first & second) | (first & third) | (second & third)
    return [float(np.bitwise_count(read ^ majority).sum()) / (8 * len(first)) for read in case.reads[0]]


def test_reads_differ_in_their_errors_as_far_as_these_do_not_last(tmp_path: Path) -> None:
    ranges = replace(SMALL_READS, reads=(3, 3), raw_bit_error_rate=2e-4, other_share=0.0, packed_share=0.0)
    rates = {}
    for lasting in (0.0, 0.8):
        case = draw_case(5, replace(ranges, lasting=(lasting, lasting), worn=(1.0, 1.0)))
        rates[lasting] = wrong_bits(case)
        paths = write_reads(case.reads, tmp_path)
        disk = case.history.disk if case.plan.cut == 1.0 else None
        with opened(paths[0], silent) as (dump, _):
            assert isinstance(dump, VotedDump)
            assert judge(dump, case.recipe, case.recipe, disk).verdict == "right"
    for rate in rates[0.0]:
        assert rate == pytest.approx(2e-4, rel=0.3)
    for rate in rates[0.8]:
        assert rate == pytest.approx(4e-5, rel=0.3)


def test_as_many_reads_as_were_asked_for_each_worse_than_the_mean() -> None:
    counts = set()
    for seed in range(6):
        case = draw_case(seed, replace(SMALL_READS, reads=(2, 3), spread_share=0.5))
        counts |= {len(chip) for chip in case.reads}
        for chip in case.reads:
            assert len({read.size for read in chip}) == 1
            assert len({read.tobytes() for read in chip}) == len(chip)
        assert case.options["reads"] == str(max(len(chip) for chip in case.reads))
    assert counts == {2, 3}


def test_a_weak_block_is_weak_in_every_read() -> None:
    reads: list[NDArray[np.int64]] = []
    for seed in (1, 2):
        content = np.zeros(64 << 12, np.uint8)
        reads.append(add_bit_errors(content, 2e-3, seed, spread=1.0, block_bytes=1 << 12, wear=7))
    assert not np.array_equal(reads[0], reads[1])
    assert np.corrcoef(reads[0], reads[1])[0, 1] > 0.9
