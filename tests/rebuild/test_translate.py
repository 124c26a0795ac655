"""What a controller leaves behind, and what may be claimed of it."""

from dataclasses import replace

import numpy as np
import pytest
from chip_kit import LOOSE, NO_VERSION, NUMBER, RECIPE, Chip, block_bytes, page_states
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_table import PageKind
from deadstick.rebuild.translate import block_table
from deadstick.rebuild.versions import VersionClock
from deadstick.rebuild.votes import Vote, vote
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation

EXACT, UNWRITTEN, DOUBTFUL, LOST = (int(state) for state in SectorState)


def test_the_newest_copy_counts_and_the_older_ones_are_kept() -> None:
    chip = Chip()
    for block, version in [(5, 7), (2, 9), (8, 8)]:
        chip.write(block, 1, version, chip.content(version))
    chip.write(0, 0, 3, chip.content(100))
    disk = chip.disk()
    assert disk.size == 2 * 4096
    assert np.array_equal(block_bytes(disk, 1), chip.content(9))
    assert np.array_equal(block_bytes(disk, 0), chip.content(100))
    assert (disk.states(0, 16) == EXACT).all()
    assert [copy.block for copy in disk.block_table.copies[1]] == [2, 8, 5]
    assert list(disk.block_table.older) == [1]
    assert disk.block_table.newest.tolist() == [0, 2]
    assert set(disk.block_table.free) == {1, 3, 4, 6, 7, 9, 10, 11}
    assert disk.page_table.logical[4 * 8 : 4 * 9].tolist() == [4, 5, 6, 7]
    assert disk.page_table.version[4 * 8 : 4 * 9].tolist() == [8] * 4


def test_older_generations_are_readable_but_doubtful() -> None:
    chip = Chip()
    for block, version in [(5, 7), (2, 9), (8, 8)]:
        chip.write(block, 1, version, chip.content(version))
    chip.write(0, 0, 3, chip.content(100))
    disk = chip.disk()
    assert disk.block_table.generations == 3
    for back, version in [(1, 8), (2, 7), (9, 7)]:
        older = type(disk)(chip.raw, chip.recipe, disk.page_table, disk.block_table.generation(back))
        assert np.array_equal(block_bytes(older, 1), chip.content(version))
        assert np.array_equal(block_bytes(older, 0), chip.content(100))
        assert (older.states(0, 8) == EXACT).all()
        assert (older.states(8, 8) == DOUBTFUL).all()


@pytest.mark.parametrize(("neighbour", "state"), [(253, DOUBTFUL), (254, EXACT)])
def test_a_number_that_reads_as_an_unused_field_is_not_beyond_doubt(neighbour: int, state: int) -> None:
    """Under a field that is too long only its low byte is ones; so it is in the last block of a full disk as well."""
    chip = Chip(blocks=300)
    for block, number in enumerate((0, 1, neighbour, 255)):
        chip.write(block, number, 3, chip.content(block))
    disk = chip.disk()
    assert disk.states(8 * neighbour, 8).tolist() == [EXACT] * 8
    assert disk.states(8 * 255, 8).tolist() == [state] * 8


def test_a_wrapped_version_is_newer() -> None:
    chip = Chip()
    for block, version in enumerate([65534, 65535, 0, 1]):
        chip.write(block, 0, version, chip.content(version))
    disk = chip.disk()
    assert [copy.version for copy in disk.block_table.copies[0]] == [1, 0, 65535, 65534]
    assert (disk.states(0, 8) == EXACT).all()


def test_a_block_counts_for_itself_around_the_circle() -> None:
    """Per-block counters of 8 bits that stand anywhere: neighbours in each block, no gap over all."""
    groups = [np.array([version, (version + 1) % 256]) for version in range(0, 256, 3)]
    clock = VersionClock.of(groups, 8)
    assert clock.start is None
    ages, sure = clock.ages(np.array([254, 3, 1]))
    assert sure
    assert np.argsort(ages).tolist() == [0, 2, 1]


def test_a_counter_that_went_round_gives_no_order() -> None:
    """One count of 8 bits for all blocks, over a thousand writes: the numbers say nothing."""
    noise = np.random.default_rng(1)
    for _ in range(50):
        clock = VersionClock.of(list(noise.integers(0, 256, (30, 2))), 8)
        assert not clock.ages(np.array([44, 100]))[1]
    assert not VersionClock.of([np.array([5, 6])], 8).ages(np.array([5, 6]))[1]
    assert VersionClock.of([np.array([5, 6])], 32).ages(np.array([5, 6]))[1]


def test_where_no_order_is_sure_copies_that_differ_are_doubtful() -> None:
    narrow = Recipe(4, RECIPE.layout, RECIPE.code, RECIPE.scrambler, Translation("block", NUMBER, BitField(2, 1)))
    chip = Chip(narrow)
    for block, version in enumerate([10, 180, 90, 250]):
        chip.write(block, block // 2, version, chip.content(block))
    chip.write(5, 2, 47, chip.content(5))
    disk = chip.disk()
    assert (disk.states(0, 16) == DOUBTFUL).all()
    assert (disk.states(16, 8) == EXACT).all()


def test_equal_versions_are_doubtful_where_they_differ() -> None:
    chip = Chip()
    data = chip.content(1)
    other = data.copy()
    other[2, 700] ^= 1
    chip.write(0, 0, 5, data)
    chip.write(1, 0, 5, other)
    assert page_states(chip.disk(), 0) == [[EXACT] * 2, [EXACT] * 2, [DOUBTFUL] * 2, [EXACT] * 2]


def test_without_a_version_all_copies_are_candidates() -> None:
    chip = Chip(NO_VERSION)
    data = chip.content(1)
    chip.write(0, 0, 0, data)
    chip.write(1, 0, 0, data)
    chip.write(2, 1, 0, chip.content(2))
    chip.write(3, 1, 0, chip.content(3))
    disk = chip.disk()
    assert page_states(disk, 0) == [[EXACT] * 2] * 4
    assert page_states(disk, 1) == [[DOUBTFUL] * 2] * 4


def test_an_unfinished_copy_leaves_two_candidates() -> None:
    """Power failed after two of four pages: page 0 had not changed, page 1 had, 2 and 3 were not copied yet."""
    chip = Chip()
    old = chip.content(1)
    new = old.copy()
    new[1, 5] ^= 0x40
    chip.write(0, 0, 5, old)
    chip.write(1, 0, 6, new, pages=2)
    disk = chip.disk()
    assert page_states(disk, 0) == [[EXACT] * 2, [DOUBTFUL] * 2, [DOUBTFUL] * 2, [DOUBTFUL] * 2]
    assert np.array_equal(block_bytes(disk, 0), new)


def test_an_unfinished_block_without_an_older_copy_is_unwritten_at_its_end() -> None:
    chip = Chip()
    chip.write(1, 0, 6, chip.content(1), pages=2)
    disk = chip.disk()
    assert page_states(disk, 0) == [[EXACT] * 2, [EXACT] * 2, [UNWRITTEN] * 2, [UNWRITTEN] * 2]
    assert not block_bytes(disk, 0)[2:].any()


def test_a_short_older_copy_takes_nothing_from_a_longer_newer_one() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1), pages=2)
    chip.write(1, 0, 6, chip.content(2))
    assert page_states(chip.disk(), 0) == [[EXACT] * 2] * 4


def test_a_hole_in_a_finished_copy_is_filled_but_never_exact() -> None:
    """The controller left a blank page out, or the page passes for erased: what lay there before is no fact."""
    chip = Chip()
    old, new = chip.content(1), chip.content(2)
    chip.write(0, 0, 5, old)
    chip.write(1, 0, 6, new)
    chip.raw[4 + 1] = 0xFF
    disk = chip.disk()
    assert page_states(disk, 0) == [[EXACT] * 2, [DOUBTFUL] * 2, [EXACT] * 2, [EXACT] * 2]
    assert np.array_equal(block_bytes(disk, 0), np.concatenate([new[:1], old[1:2], new[2:]]))


def test_an_unreadable_newest_copy_is_not_replaced_by_the_older_one() -> None:
    """The worst mistake would be to call the older content exact. The fields as read still name the block."""
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.write(1, 0, 6, chip.content(2))
    for page in range(4):
        chip.damage(1, page, 60)
    disk = chip.disk()
    assert (disk.page_table.kind[4:8] == PageKind.LOST).all()
    assert page_states(disk, 0) == [[LOST] * 2] * 4
    assert [copy.block for copy in disk.block_table.copies[0]] == [1, 0]


@pytest.mark.parametrize("rate", [0.005, 0.01, 0.03, 0.1])
def test_whatever_ruins_the_newest_copy_the_older_one_is_never_exact(rate: float) -> None:
    """As long as the number can be read at all; beyond that, the block is counted as unreadable."""
    for seed in range(12):
        chip = Chip()
        chip.noise = np.random.default_rng(seed)
        chip.write(0, 0, 5, chip.content(1))
        chip.write(1, 0, 6, chip.content(2))
        chip.ruin(1, rate=rate)
        disk = chip.disk()
        unreadable = disk.block_table.unreadable
        assert (disk.states(0, 8) != EXACT).all() or unreadable == (1,)


def test_a_lost_page_of_the_newest_copy_stays_lost() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.write(1, 0, 6, chip.content(2))
    chip.damage(1, 2, 60, codeword=1)
    disk = chip.disk()
    assert page_states(disk, 0) == [[EXACT] * 2, [EXACT] * 2, [EXACT, LOST], [EXACT] * 2]
    assert disk.provenance(5).older == ((0, 2, 5),)


def test_noise_is_put_aside_as_unreadable() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.raw[12:16] = np.random.default_rng(1).integers(0, 256, chip.raw[12:16].shape)
    disk = chip.disk()
    assert [(item.block, item.unreadable) for item in disk.block_table.aside] == [(3, True)]
    assert disk.size == 4096


def test_a_block_that_reads_as_zeros_is_put_aside() -> None:
    plain = Recipe(RECIPE.pages_per_block, RECIPE.layout, RECIPE.code, None, RECIPE.translation)
    chip = Chip(plain)
    chip.write(0, 0, 5, chip.content(1))
    chip.raw[4:8] = 0  # a codeword of an unscrambled code, with the logical number 0
    disk = chip.disk()
    assert "zero bits" in disk.block_table.aside[0].reason
    assert page_states(disk, 0) == [[EXACT] * 2] * 4
    assert np.array_equal(block_bytes(disk, 0), chip.content(1))


def test_worn_blocks_of_zeros_are_put_aside_too_but_not_blocks_that_hold_zeros() -> None:
    plain = Recipe(RECIPE.pages_per_block, RECIPE.layout, RECIPE.code, None, RECIPE.translation)
    for rate in (0.0005, 0.002, 0.01, 0.05):
        chip = Chip(plain)
        chip.write(0, 0, 5, np.zeros((4, 1024), np.uint8))
        chip.raw[4:8] = 0
        chip.ruin(1, rate=rate)
        disk = chip.disk()
        assert [item.block for item in disk.block_table.aside] == [1]
        assert page_states(disk, 0) == [[EXACT] * 2] * 4


def test_the_mark_of_a_bad_block_is_seen() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.raw[12:16] = np.random.default_rng(1).integers(1, 256, chip.raw[12:16].shape)
    chip.raw[12, 1024] = 0
    disk = chip.disk()
    assert "bad" in disk.block_table.aside[0].reason
    assert disk.block_table.unreadable == ()


def test_a_number_beyond_the_chip_is_put_aside() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.write(1, 4000, 5, chip.content(2))
    chip.write(2, 0xFFFF, 5, chip.content(3))
    disk = chip.disk()
    assert disk.size == 4096
    assert "beyond the 12 blocks" in disk.block_table.aside[0].reason
    assert "no logical number" in disk.block_table.aside[1].reason


def test_pages_that_disagree_make_their_block_doubtful() -> None:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.write(1, 1, 5, chip.content(2))
    chip.write(1, 0, 5, chip.content(3), pages=1)
    disk = chip.disk()
    assert page_states(disk, 1) == [[DOUBTFUL] * 2] * 4
    assert page_states(disk, 0) == [[EXACT] * 2] * 4


def test_unprotected_fields_are_believed_when_enough_pages_agree() -> None:
    chip = Chip(replace(LOOSE, pages_per_block=16))
    for block, pages in [(0, 16), (1, 16), (2, 1)]:
        chip.write(block, block, 5, chip.content(block), pages=pages)
    chip.raw[16 + 3, 1024] ^= 0x10  # the field of one page of block 1
    disk = chip.disk()
    assert (disk.states(0, 64) == EXACT).all()
    assert disk.states(64, 4).tolist() == [DOUBTFUL] * 2 + [UNWRITTEN] * 2  # one page alone proves nothing
    assert disk.block_table.unreadable == (2,)


def test_an_unsure_claim_makes_a_sure_one_doubtful_but_never_replaces_it() -> None:
    chip = Chip(LOOSE)
    chip.write(0, 0, 5, chip.content(1))
    chip.write(1, 1, 5, chip.content(2))
    chip.write(2, 0, 6, chip.content(3), pages=1)
    disk = chip.disk()
    assert page_states(disk, 0) == [[DOUBTFUL] * 2] * 4
    assert np.array_equal(block_bytes(disk, 0), chip.content(1))
    assert page_states(disk, 1) == [[EXACT] * 2] * 4


def test_a_vote_needs_margins_that_bit_errors_do_not_undo() -> None:
    unprotected = np.zeros(64, np.bool_)
    assert vote(np.array([7, 7, 7, 7]), unprotected[:4], 16, 16).sure
    assert not vote(np.array([7, 7, 7]), unprotected[:3], 16, 16).sure
    assert not vote(np.array([7, 7, 7, 3]), unprotected[:4], 16, 16).sure
    assert vote(np.array([7] * 12 + [3, 5]), unprotected[:14], 16, 16) == Vote(7, 12, sure=True)
    # Pages that were written with two different numbers, however many.
    assert not vote(np.array([7] * 36 + [0x18] * 28), unprotected, 16, 16).sure
    assert not vote(np.array([7] * 45 + [6] * 19), unprotected, 16, 16).sure
    assert not vote(np.array([7, 3]), np.ones(2, np.bool_), 16, 16).sure


def test_a_vote_finds_the_number_under_many_bit_errors_and_none_in_noise() -> None:
    noise = np.random.default_rng(4)
    unprotected = np.zeros(64, np.bool_)
    found = 0
    for _ in range(300):
        number = int(noise.integers(0, 1 << 16))
        flips = (noise.random((64, 16)) < noise.choice([0.01, 0.1, 0.2])) @ (1 << np.arange(16))
        outcome = vote(number ^ flips, unprotected, 16, 1024)
        assert outcome.value == number or not outcome.sure
        found += outcome.sure
        assert not vote(noise.integers(0, 1 << 16, 64), unprotected, 16, 1024).sure
    assert found > 250


def test_a_dump_that_ends_inside_a_block() -> None:
    chip = Chip()
    chip.write(11, 0, 6, chip.content(1))
    chip.write(0, 0, 5, chip.content(2))
    chip.raw = chip.raw[:-1]
    disk = chip.disk()
    assert page_states(disk, 0)[3] == [DOUBTFUL] * 2
    assert np.array_equal(block_bytes(disk, 0)[:3], chip.content(1)[:3])
    assert np.array_equal(block_bytes(disk, 0)[3], chip.content(2)[3])


def test_a_field_that_leaves_the_metadata_is_refused() -> None:
    table = Chip().table()
    far = Recipe(4, RECIPE.layout, RECIPE.code, RECIPE.scrambler, Translation("block", BitField(7, 2)))
    with pytest.raises(RecipeError, match="8 of them"):
        block_table(table, far)
    none = Recipe(4, RECIPE.layout, RECIPE.code, RECIPE.scrambler, Translation("block"))
    with pytest.raises(RecipeError, match="logical number"):
        block_table(table, none)


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[int, int, int]]:
    """Writes as `(logical block, pages that change, pages programmed)`; only the last may be cut short."""
    writes = draw(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 15)), min_size=1, max_size=10))
    cut = draw(st.integers(1, 4))
    return [(logical, changes, 4) for logical, changes in writes[:-1]] + [(*writes[-1], cut)]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(histories(), st.integers(65520, 65560), st.integers(0, 2**32 - 1))
def test_what_is_exact_is_what_the_controller_would_have_given(
    history: list[tuple[int, int, int]], first_version: int, seed: int
) -> None:
    """Any history with lazily erased blocks, a power failure in the last write, and bit errors on top.

    After the failure the controller may go on from the finished copy or from the unfinished one. Both are kept as
    candidates here, and an exact sector must be right in both.
    """
    noise = np.random.default_rng(seed)
    chip = Chip(blocks=16)
    finished: dict[int, NDArray[np.uint8]] = {}
    free = noise.permutation(16).tolist()
    for count, (logical, changes, pages) in enumerate(history):
        candidate = finished.get(logical, chip.content(1000 + logical)).copy()
        changed = [page for page in range(4) if changes >> page & 1]
        candidate[changed] = chip.content(seed % 1000 + count)[changed]
        chip.write(free.pop(), logical, (first_version + count) % 65536, candidate, pages=pages)
        if pages == 4 or logical not in finished:
            finished[logical] = candidate
    for row in np.flatnonzero((chip.raw != 0xFF).any(axis=1))[::3].tolist():
        chip.damage(row // 4, row % 4, int(noise.integers(0, 9)))
    disk = chip.disk()
    data = np.frombuffer(disk.read(0, disk.size), np.uint8).reshape(-1, 512)
    for sector in np.flatnonzero(disk.states(0, len(data)) == EXACT).tolist():
        block, place = divmod(sector, 8)
        assert np.array_equal(data[sector], finished[block].reshape(-1, 512)[place])
        if block == logical and place // 2 < pages:
            assert np.array_equal(data[sector], candidate.reshape(-1, 512)[place])
