"""Rules over place and block, from the seeds of some pages."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.solve.keystream.find_schedule import _best, _periodic, find_schedule
from deadstick.solve.keystream.schedule import Schedule, judged


def seen(rule: Schedule, pages: int, share: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Some pages with their seeds, and the keystream of every page."""
    rng = np.random.default_rng(seed)
    table = rng.choice(1 << 40, rule.count, replace=False).astype(np.uint64)
    index = rule.index(np.arange(pages))
    known = np.flatnonzero(rng.random(pages) < share)
    return known, table[index[known]], index


def agrees(found: Schedule, index: np.ndarray) -> bool:
    """Whether pages with one keystream in truth have one number in the answer, and the other way round."""
    numbers = found.index(np.arange(len(index)))
    pairs = np.unique(np.stack([index, numbers]), axis=1)
    return bool(len(np.unique(pairs[1])) == pairs.shape[1])


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([32, 48, 64, 86, 128, 192, 256]),
    st.integers(16, 200),
    st.integers(1, 400),
    st.integers(0, 400),
    st.integers(0, 10**6),
)
def test_affine_rules_are_found(size: int, count: int, page_step: int, block_step: int, seed: int) -> None:
    rule = Schedule(count, page_step % count or 1, block_step % count, size, 0, 0)
    known, seeds, index = seen(rule, 64 * size, 0.8, seed)
    found = find_schedule(known, seeds)
    assert found is not None
    assert agrees(found, index)
    assert found.count <= max(count, size)


def test_pages_two_blocks_apart_alone_have_one_keystream() -> None:
    """Blocks so short that no other step comes in 64 of them: every second block has keystreams of its own."""
    known, seeds, index = seen(Schedule(165, 32, 149, 32, 0, 0), 64 * 32, 0.8, 0)
    found = find_schedule(known, seeds)
    assert found is not None
    assert found.is_open
    assert agrees(found, index)
    assert found.count <= 165


@pytest.mark.parametrize("count", [2, 7, 16, 31])
def test_a_keystream_for_each_block(count: int) -> None:
    known, seeds, index = seen(Schedule(count, 0, 1, 64, 0, 0), 64 * 70, 0.6, count)
    found = find_schedule(known, seeds)
    assert found is not None
    assert agrees(found, index)


def test_a_keystream_for_each_block_that_few_blocks_share() -> None:
    """The steps within long blocks are many, and each that leads to the next block with its keystream comes once."""
    rng = np.random.default_rng(8)
    rule = Schedule(36, 0, 1, 426, 0, 0)
    index = rule.index(np.arange(164 * 426))
    table = rng.choice(1 << 35, rule.count, replace=False).astype(np.uint64)
    shows = np.flatnonzero(rng.random(164) < 0.4)
    known = np.unique(426 * rng.choice(shows, 1500) + rng.integers(0, 426, 1500))
    found = find_schedule(known, table[index[known]])
    assert found is not None
    assert not found.is_open
    assert (found.count, found.pages_per_block) == (36, 426)
    assert agrees(found, index)


@pytest.mark.parametrize("period", [1, 24, 100, 256])
def test_the_number_on_the_chip_alone(period: int) -> None:
    known, seeds, index = seen(Schedule(period, 1, 0, 0, 0, 0), 3000, 0.5, period)
    found = find_schedule(known, seeds)
    assert found is not None
    assert found.pages_per_block == 0
    assert agrees(found, index)


@pytest.mark.parametrize("seed", [0, 4, 29, 35])
def test_labels_of_a_few_keystreams_that_fell_apart(seed: int) -> None:
    """More keystreams explain such pages better, and are not there."""
    rng = np.random.default_rng(seed)
    period = int(rng.integers(100, 256))
    starts = 64 * np.sort(rng.choice(265, 22, replace=False))
    pages = np.unique(np.concatenate([start + np.arange(rng.integers(60, 120)) for start in starts]))
    labels = pages % period
    for new in range(4):
        labels[np.flatnonzero(labels == rng.integers(period))[-4:]] = period + new
    found = find_schedule(pages, labels.astype(np.uint64), 0.9)
    assert found is not None
    assert (found.count, found.pages_per_block) == (period, 0)


def test_copies_of_data_do_not_double_the_keystreams() -> None:
    """Copies in some blocks have labels of their own, which a rule with twice the keystreams fits the better."""
    rng = np.random.default_rng(3)
    known = np.sort(rng.choice(48 * 200, 1400, replace=False))
    once, twice = Schedule(48, 1, 0, 0, 0, 0), Schedule(96, 1, 0, 0, 0, 0)
    numbers = twice.index(known)
    copies = (numbers >= 48) & (numbers % 8 == 0) & (rng.random(len(known)) < 0.9)
    labels = np.where(copies, numbers, once.index(known))
    rules = [judged(known, labels, rule) for rule in (once, twice)]
    assert rules[1].share > rules[0].share > 0.9
    best = _best(rules, known, labels, 0.9)
    assert best is not None
    assert best.count == 48


def test_keystreams_with_seeds_of_their_own_are_not_joined() -> None:
    """A rule with fewer keystreams explains half of the pages, and the one with more parts no equal seeds."""
    known = np.arange(48 * 40)
    once, twice = Schedule(48, 1, 0, 0, 0, 0), Schedule(96, 1, 0, 0, 0, 0)
    labels = twice.index(known)
    rules = [judged(known, labels, rule) for rule in (once, twice)]
    best = _best(rules, known, labels, 0.4)
    assert best is not None
    assert best.count == 96


def test_seeds_of_a_short_register_that_come_twice_in_a_block() -> None:
    """The pages with one seed are no lattice then, and all that comes again is the block."""
    seeds = np.random.default_rng(7).integers(7, 24, 96).astype(np.uint64)[np.arange(96 * 60) % 96]
    known = np.flatnonzero(np.random.default_rng(2).random(len(seeds)) < 0.8)
    found = find_schedule(known, seeds[known])
    assert found is not None
    assert (found.count, found.pages_per_block) == (96, 0)
    # Too few pages for so many keystreams would prove nothing.
    assert find_schedule(known[known < 960], seeds[known[known < 960]]) is None


@pytest.mark.parametrize(("size", "count", "orbit", "blocks"), [(96, 40, 17, 60), (96, 40, 17, 10), (304, 168, 85, 12)])
def test_seeds_on_an_orbit_that_is_shorter_than_the_keystreams(size: int, count: int, orbit: int, blocks: int) -> None:
    """The order of the seeds comes again inside the block, though each seed has come before that."""
    place = np.arange(size * blocks) % size
    seeds = np.uint64(7) + (place % count % orbit).astype(np.uint64)
    known = np.flatnonzero(np.random.default_rng(2).random(len(place)) < 0.8)
    found = find_schedule(known, seeds[known])
    assert found is not None
    assert (found.count, found.page_step, found.block_step, found.pages_per_block) == (count, 1, 0, size)


def test_an_orbit_that_a_period_cuts_off_is_no_block() -> None:
    """168 keystreams by the number on the chip, with 85 seeds in turn: nothing says that a block has 168 pages."""
    seeds = np.uint64(7) + (np.arange(168 * 20) % 168 % 85).astype(np.uint64)
    pages, labels = np.arange(168 * 20), np.unique(seeds, return_inverse=True)[1].astype(np.int64)
    (rule,) = _periodic(pages, labels)
    assert (rule.count, rule.pages_per_block) == (168, 0)


@pytest.mark.parametrize(("blocks", "few"), [(13, 4), (9, 6), (14, 4)])
def test_a_few_keystreams_of_its_own_for_each_block(blocks: int, few: int) -> None:
    """No keystream comes again in another block, so that nothing tells how many there are: the rule stays open."""
    pages = np.arange(blocks * 96)
    block, place = np.divmod(pages, 96)
    seeds = np.random.default_rng(5).permutation(1 << 20)[: blocks * few].astype(np.uint64)[few * block + place % few]
    known = np.random.default_rng(6).random(len(pages)) < 0.4
    found = find_schedule(pages[known], seeds[known])
    assert found is not None
    assert found.is_open
    index = found.index(pages)
    assert len(np.unique(index)) == len(np.unique(np.stack([index, seeds.astype(np.int64)]), axis=1).T) == blocks * few


def test_seeds_without_a_rule_give_none() -> None:
    rng = np.random.default_rng(4)
    assert find_schedule(np.arange(2000), rng.integers(0, 1 << 40, 2000).astype(np.uint64)) is None


def test_block_sizes_that_the_pages_leave_open_are_named() -> None:
    """No page near a border shows: blocks of 761 pages explain them as well as those of 762."""
    rule = Schedule(2, 0, 1, 762, 0, 0)
    pages = np.arange(12 * 762)
    place = pages % 762
    known = pages[(place > 100) & (place < 600)]
    found = find_schedule(known, np.array([77, 99], np.uint64)[rule.index(known)])
    assert found is not None
    assert 762 in {found.pages_per_block, *found.rivals}
    assert len({found.pages_per_block, *found.rivals}) > 1
    for size in (found.pages_per_block, *found.rivals):
        other = Schedule(found.count, found.page_step, found.block_step, size, 0, 0)
        assert agrees_on(other, known, rule)


def agrees_on(found: Schedule, known: np.ndarray, rule: Schedule) -> bool:
    """Whether a rule holds for as many of the pages as any, within the slack that misread seeds are given."""
    return bool((rule.index(known) == found.index(known)).mean() >= 0.997)


def test_pages_everywhere_leave_one_block_size() -> None:
    known, seeds, _ = seen(Schedule(7, 0, 1, 64, 0, 0), 64 * 70, 0.6, 3)
    found = find_schedule(known, seeds)
    assert found is not None
    assert found.pages_per_block == 64
    assert found.rivals == ()
