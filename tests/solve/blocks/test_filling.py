"""Copies of blocks put in order by what was filled since, whatever the volumes say."""

from dataclasses import replace

import numpy as np
import pytest
from copies_kit import FIELD, PAGES, RECIPE, block, order_of, written
from hypothesis import given
from hypothesis import strategies as st

from deadstick.rebuild.page_space import PageSpace
from deadstick.solve.blocks import filling
from deadstick.solve.blocks.filling import Fillings, in_turn_by_accident, pairs_of_copies
from deadstick.solve.versions.version_order import Order
from deadstick.solve.versions.versions import Versioned


@pytest.mark.parametrize("complement", [0x00, 0xFF])
def test_what_was_filled_is_newer(complement: int) -> None:
    """Whether the data or their complement are seen."""
    some = [block(written(share) ^ complement, 5, version) for share, version in ((0.5, 1), (0.7, 2))]
    fillings = Fillings.of(PageSpace.of(np.concatenate(some), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == 1
    assert fillings.vote(1, 0) == -1
    assert not fillings.alike(0, 1)
    assert fillings.alike(1, 1)


def test_other_packed_data_say_nothing_of_the_order() -> None:
    some = [block(written(1.0, seed), 5, seed) for seed in (1, 2)]
    fillings = Fillings.of(PageSpace.of(np.concatenate(some), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == fillings.vote(1, 0) == 0
    assert not fillings.alike(0, 1)


def test_copies_beyond_correction_are_neither_alike_nor_newer() -> None:
    lost = block(written(0.9), 5, 2)
    lost ^= np.random.default_rng(3).integers(0, 256, lost.shape, np.uint8)
    fillings = Fillings.of(PageSpace.of(np.concatenate([block(written(0.1), 5, 1), lost]), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == 0
    assert not fillings.alike(0, 1)


def test_a_sample_of_the_pages_never_shows_that_blocks_are_alike() -> None:
    same = np.concatenate([block(written(0.4), 5, 1)] * 2)
    fillings = replace(Fillings.of(PageSpace.of(same, PAGES), RECIPE, 2), stride=2)
    assert not fillings.alike(0, 1)


def test_only_copies_are_counted_where_it_is_known_which_blocks_are_some(monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for two blocks: of four, two copies are read page by page, and three are not."""
    space = PageSpace.of(np.concatenate([block(written(0.4), 5, 1)] * 4), PAGES)
    monkeypatch.setattr(filling, "READ_BYTES", 2 * PAGES * RECIPE.layout.page_bytes)
    strides = [Fillings.of_copies(space, RECIPE, np.array(some)).stride for some in ([3, 5, 5, 4], [5, 5, 5, 4])]
    assert strides == [1, 2]


def test_a_version_is_shown_where_all_copies_that_differ_were_filled() -> None:
    """One pair was filled, the other one was only moved: whichever is taken of that, the data are the same."""
    order = order_of(
        block(written(0.3), 1, 7), block(written(0.6), 1, 8), block(written(1.0), 2, 8), block(written(1.0), 2, 7)
    ).of(FIELD)
    assert order.is_shown
    assert order.is_proven(Versioned(FIELD, -20.0, counted=False))


def test_a_version_is_not_shown_where_some_copies_differ_and_nothing_tells() -> None:
    order = order_of(
        block(written(0.3), 1, 7), block(written(0.6), 1, 8), block(written(1.0, 1), 2, 8), block(written(1.0, 2), 2, 7)
    ).of(FIELD)
    assert not order.is_shown
    assert not order.is_proven(Versioned(FIELD, -20.0, counted=False))


def test_copies_that_share_a_version_are_not_told_apart() -> None:
    order = order_of(
        block(written(0.3), 1, 7), block(written(0.6), 1, 8), block(written(0.2), 2, 7), block(written(0.9), 2, 7)
    ).of(FIELD)
    assert not order.is_shown


def test_a_field_that_falls_while_blocks_are_filled_is_no_version() -> None:
    blocks = [block(written(share), n, v) for n in range(1, 8) for share, v in ((0.2, n + 9), (0.8, n + 8))]
    order = order_of(*blocks).of(FIELD)
    assert order.is_opposite
    assert not order.is_shown


def test_zeros_in_a_file_that_took_the_place_of_another_say_nothing() -> None:
    """The second file holds a stretch of zeros where the first one was packed throughout."""
    first, second = written(1.0), written(1.0, seed=2)
    second[2000:2600] = 0
    fillings = Fillings.of(PageSpace.of(np.concatenate([block(first, 5, 1), block(second, 5, 2)]), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == fillings.vote(1, 0) == 0


def test_a_count_whose_copies_follow_each_other_is_proven_by_few_votes() -> None:
    """Ten pairs in turn; two of them differ in a way that tells nothing, so that it is not shown copy by copy."""
    blocks = []
    for n in range(1, 11):
        shares, seeds = ((0.2, 0.8), (1, 1)) if n < 6 else ((1.0, 1.0), (1, n))
        blocks += [
            block(written(share, s), n, 3 * n + k) for k, (share, s) in enumerate(zip(shares, seeds, strict=True))
        ]
    order = order_of(*blocks).of(FIELD)
    assert not order.is_shown
    assert order.log10_chance < -3
    assert order.is_proven(Versioned(FIELD, -20.0, counted=False))


@given(st.lists(st.tuples(st.integers(-1, 6), st.integers(0, 9)), min_size=1, max_size=30))
def test_pairs_are_neighbours_among_the_copies_of_one_block(blocks: list[tuple[int, int]]) -> None:
    logical, version = (np.array(column) for column in zip(*blocks, strict=True))
    pairs = list(pairs_of_copies(logical, version))
    for one, other in pairs:
        assert logical[one] == logical[other] >= 0
        assert version[one] < version[other]
        between = (logical == logical[one]) & (version > version[one]) & (version < version[other])
        assert not between.any()
    copies = {number: len(set(version[logical == number].tolist())) for number in set(logical.tolist()) - {-1}}
    assert len(pairs) == sum(count - 1 for count in copies.values())


def test_versions_in_turn_are_as_rare_as_counting_says() -> None:
    """Of the 15 ways to pair six versions, one makes three pairs in turn."""
    logical, version = np.repeat(np.arange(3), 2), np.array([3, 4, 7, 8, 11, 12])
    assert in_turn_by_accident(logical, version) == pytest.approx(np.log10(1 / 15), abs=0.05)
    assert in_turn_by_accident(logical, version[[0, 2, 1, 3, 4, 5]]) == 0.0


def test_numbers_of_writes_go_up_unless_copies_say_otherwise() -> None:
    sequence = Versioned(FIELD, -40.0, counted=True, is_sequence=True)
    assert Order().is_proven(sequence)
    assert not Order().is_proven(Versioned(FIELD, -40.0, counted=True))
    assert not Order(log10_opposite=-0.9).is_proven(sequence)


def test_many_copies_in_turn_show_the_order_of_writing_whatever_the_volume_says() -> None:
    """A dump that ends early lacks the newest blocks, so that the volume contradicts the others among the newest."""
    count = Versioned(FIELD, -40.0, counted=True)
    assert Order(log10_chance=-7.0).follows_writes(count)
    assert not Order(log10_chance=-4.0, log10_sequential=-15.0).follows_writes(count)
    sequence = replace(count, is_sequence=True)
    assert Order(log10_chance=-1.5, log10_sequential=-15.0).follows_writes(sequence)
    assert not Order(log10_chance=-0.5, log10_sequential=-15.0).follows_writes(sequence)


def test_numbers_of_which_hardly_one_is_left_out_need_fewer_copies_to_follow_writes() -> None:
    """A part of the dump is missing, and blocks were not written in the order of the disk."""
    count = Versioned(FIELD, -40.0, counted=True)
    assert Order(log10_chance=-3.9).follows_writes(replace(count, is_sequence=True))
    assert not Order(log10_chance=-3.9).follows_writes(count)
    assert not Order(log10_chance=-2.9).follows_writes(replace(count, is_sequence=True))


def test_one_lost_copy_does_not_hide_that_versions_are_in_turn() -> None:
    """Ten blocks of two copies each; of the last, the copy between the two lay on a block that is gone."""
    logical = np.repeat(np.arange(10), 2)
    version = np.array([120, 121] * 5 + [121, 122] * 4 + [121, 123])
    assert in_turn_by_accident(logical, version) < -2
    rarer = version.copy()
    rarer[[1, 3]] += 1
    assert in_turn_by_accident(logical, rarer) == 0.0
    alike = version.copy()
    alike[1] = alike[0]
    assert in_turn_by_accident(logical, alike) == 0.0
