"""Logical numbers and versions in metadata bytes, and what only looks like them."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import BlockMetadata, block_metadata, block_values
from deadstick.solve.blocks.numbering import numberings
from deadstick.solve.versions.versions import with_versions

BLOCKS = 60


def metadata(seed: int = 1, *, copies: int = 12, version: bool = True) -> tuple[BlockMetadata, np.ndarray]:
    """60 blocks of 4 pages: number in bytes 1 and 2 (big-endian), version in byte 4, noise and constants elsewhere."""
    rng = np.random.default_rng(seed)
    values = np.full((BLOCKS, 4, 8), 0xFF, np.uint8)
    logical = np.concatenate([rng.permutation(BLOCKS - copies), rng.choice(BLOCKS - copies, copies, replace=False)])
    counter = np.concatenate([np.full(BLOCKS - copies, 2), np.full(copies, 1)])
    BitField(1, 2, "big").write(values.reshape(-1, 8), np.repeat(logical, 4))
    if version:
        BitField(4, 1).write(values.reshape(-1, 8), np.repeat(counter, 4))
    values[:, :, 5] = rng.integers(0, 256, (BLOCKS, 4))  # differs from page to page
    values[:, :, 6] = rng.integers(0, 256, (BLOCKS, 1))  # one random byte a block, such as a checksum
    return BlockMetadata(np.arange(BLOCKS), values, np.ones((BLOCKS, 4), np.bool_)), logical


def test_the_logical_number_is_found_and_read() -> None:
    found, logical = metadata()
    best = numberings(found, BLOCKS)[0]
    assert best.log10_chance < -20
    assert np.array_equal(best.number.read(found.values[:, 0]), logical)


def test_the_version_is_found_and_a_random_byte_is_not() -> None:
    found, _ = metadata()
    best = numberings(found, BLOCKS)[0]
    versions = with_versions(best, found)
    first = versions[0].translation.version
    assert first is not None
    assert (first.first_byte, first.length) == (4, 1)
    fields = [item.translation.version for item in versions]
    assert all(field is None or field.first_byte != 6 for field in fields)
    assert fields[-1] is None


def test_a_random_byte_alone_gives_no_version() -> None:
    found, _ = metadata(version=False)
    best = numberings(found, BLOCKS)[0]
    assert [item.translation.version for item in with_versions(best, found)] == [None]


def test_two_copies_are_too_few_to_trust_a_field() -> None:
    found, _ = metadata(copies=2)
    best = numberings(found, BLOCKS)[0]
    counted = [item for item in with_versions(best, found) if item.translation.version and item.counted]
    assert counted == []


def test_flags_above_the_number_are_masked_out() -> None:
    found, logical = metadata()
    rows = found.values.reshape(-1, 8)
    rows[:, 1] |= 0xA0
    best = next(item for item in numberings(found, BLOCKS) if item.number.first_byte == 1)
    assert best.number.mask == 0x3F
    assert np.array_equal(best.number.read(found.values[:, 0]), logical)


def test_blocks_of_the_controller_itself_do_not_hide_the_number() -> None:
    found, _ = metadata()
    found.values[:3, :, 1:3] = 0xFF
    assert numberings(found, BLOCKS)


@pytest.mark.parametrize("seed", range(5))
def test_random_metadata_have_no_number(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.repeat(rng.integers(0, 256, (BLOCKS, 1, 8), np.uint8), 4, axis=1)
    found = BlockMetadata(np.arange(BLOCKS), values, np.ones((BLOCKS, 4), np.bool_))
    assert all(item.log10_chance > -6 for item in numberings(found, BLOCKS))


def test_a_count_of_writes_is_a_version_and_the_number_of_the_block_is_none() -> None:
    rng = np.random.default_rng(9)
    logical = rng.permutation(np.r_[np.arange(10), np.arange(4)])
    for sequence, is_counted in ((rng.permutation(14) + 5000, True), (np.arange(14) + 5000, False)):
        values = np.full((14, 4, 8), 0xFF, np.uint8)
        BitField(0, 2, "big").write(values.reshape(-1, 8), np.repeat(logical, 4))
        BitField(4, 2, "big").write(values.reshape(-1, 8), np.repeat(sequence, 4))
        found = BlockMetadata(np.arange(14), values, np.ones((14, 4), np.bool_))
        versions = with_versions(numberings(found, 14)[0], found)
        counted = [item.translation.version for item in versions if item.counted and item.translation.version]
        # The high byte is the same in every block, so the low one is all that is seen of the count.
        assert (BitField(5, 1) in counted) == is_counted


def test_a_number_takes_the_high_bytes_that_are_zero() -> None:
    found, _ = metadata()
    values = found.values.copy()
    values[:, :, 0] = 0
    best = numberings(BlockMetadata(found.blocks, values, found.good), BLOCKS)[0]
    assert (best.number.first_byte, best.number.length) == (0, 3)


def test_a_table_among_the_blocks_has_no_number() -> None:
    """19 blocks with a number of four bytes, one of them with random bytes throughout: the range would burst."""
    rng = np.random.default_rng(4)
    logical = rng.permutation(19)
    values = np.full((19, 4, 20), 0xFF, np.uint8)
    BitField(4, 4, "big").write(values.reshape(-1, 20), np.repeat(logical, 4))
    values[7] = rng.integers(0, 256, 20)
    blocks = BlockMetadata(np.arange(19), values, np.ones((19, 4), np.bool_))
    assert np.flatnonzero(blocks.is_foreign).tolist() == [7]
    best = numberings(blocks, 21)[0].number
    assert (best.first_byte, best.length, best.byte_order) == (4, 4, "big")
    others = np.delete(np.arange(19), 7)
    assert np.array_equal(best.read(values[others, 0]), logical[others])


def test_blocks_of_another_kind_keep_the_number_from_being_widened() -> None:
    """Two tables of the controller's own read ones in the low byte of the number, and zeros above: they have none.

    With a number of two bytes they would be copies of one block, with one version, and no version would tell all copies
    apart.
    """
    logical, count = np.array([0, 1, 2, 3, 4, 0, 1, 2, 3, 4, 0]), np.array([2, 2, 2, 2, 2, 1, 1, 1, 1, 1, 3])
    values = np.full((13, 4, 9), 200, np.uint8)
    values[:11, :, :2], values[:11, :, 2], values[:11, :, 6] = 0, logical[:, None], count[:, None]
    values[11:] = np.array([0, 0, 0xFF, 0xFF, 15, 0, 0, 0, 0], np.uint8)
    found = BlockMetadata(np.arange(13), values, np.ones((13, 4), np.bool_))
    assert np.flatnonzero(found.is_foreign).tolist() == [11, 12]
    best = numberings(found, 16)[0]
    assert best.number == BitField(2, 1, best.number.byte_order, best.number.mask)
    assert any(item.translation.version == BitField(6, 1) for item in with_versions(best, found))


def test_values_and_constancy_are_those_of_the_corrected_pages() -> None:
    """Against the plain reading, page by page."""
    rng = np.random.default_rng(5)
    values = rng.integers(0, 3, (40, 4, 6)).astype(np.uint8)
    blocks = BlockMetadata(np.arange(40), values, rng.random((40, 4)) < 0.6)
    for field in (BitField(0, 1), BitField(1, 2, "big", 0x1FF), BitField(2, 4, "little")):
        read, constant = block_values(field, blocks)
        for row in range(40):
            chosen = field.read(values[row][blocks.good[row]])
            assert constant[row] == (len(set(chosen.tolist())) == 1)
            assert read[row] == (chosen[0] if len(chosen) else 0)


def test_a_count_beside_the_number_does_not_make_it_look_cut_short() -> None:
    """A count of writes in bytes 1 and 2, the number in 3 and 4: bytes 2 and 3 from the other end have more values."""
    rng = np.random.default_rng(7)
    blocks, copies = 427, 43
    logical = np.concatenate([rng.permutation(blocks - copies), rng.choice(blocks - copies, copies, replace=False)])
    values = np.full((blocks, 2, 7), 0xFF, np.uint8)
    rows = values.reshape(-1, 7)
    # Written in order once, and some blocks again.
    count = 0x0E2F + np.concatenate([logical[:-copies], blocks - copies + np.arange(copies)])
    BitField(1, 2, "little").write(rows, np.repeat(count, 2))
    BitField(3, 2, "little").write(rows, np.repeat(logical, 2))
    rows[:, 5] = 0
    found = BlockMetadata(np.arange(blocks), values, np.ones((blocks, 2), np.bool_))
    best = numberings(found, 500)[0]
    assert best.number.first_byte == 3
    assert np.array_equal(best.number.read(values[:, 0]), logical)


def test_a_number_does_not_take_a_byte_that_counts_the_pages() -> None:
    """The count is zero in the first page of each block, as a high byte of the number would be."""
    found, logical = metadata()
    values = found.values.copy()
    values[:, :, 0] = np.arange(4)
    best = numberings(BlockMetadata(found.blocks, values, found.good), BLOCKS)[0]
    assert (best.number.first_byte, best.number.length) == (1, 2)
    assert np.array_equal(best.number.read(values[:, 0]), logical)


def test_readings_of_a_fuller_field_leave_room_for_others() -> None:
    """A count of writes fills its range with more values than the number; two bad blocks read otherwise in each."""
    rng = np.random.default_rng(3)
    logical = rng.permutation(np.r_[np.arange(18), np.arange(18), [5, 9]])
    values = np.zeros((40, 4, 12), np.uint8)
    values[:38, :, 2] = logical[:, None]
    values[:38, :, 7] = rng.permutation(38)[:, None]
    values[38:, :, 2:5] = 0xFF
    values[38:, :, 6:11] = 136, 207, 22, 28, 99
    found = BlockMetadata(np.arange(40), values, np.ones((40, 4), np.bool_))
    fields = [item.number for item in numberings(found, 40)]
    assert any(np.array_equal(field.read(values[:38, 0]), logical) for field in fields)


def test_a_block_that_is_bit_for_bit_another_is_left_out_and_a_copy_is_not() -> None:
    rng = np.random.default_rng(6)
    recipe = Recipe(8, spare_groups(512 + 16, 1, 512, 4, 7), Code(13, 0x201B, 4))
    data = rng.integers(0, 256, (24, 512), np.uint8)
    pages = recipe.encode(data, np.full((24, 4), 7, np.uint8), np.arange(24))
    pages[8:16] = pages[:8]
    pages[16:24] = pages[:8]
    pages[16:24, 5] ^= 1  # a copy with a bit error of its own
    assert block_metadata(pages, recipe).blocks.tolist() == [0, 2]


def test_equal_bits_under_other_keystreams_are_another_block() -> None:
    rng = np.random.default_rng(6)
    keystreams = StoredKeystreams(tuple(rng.bytes(528) for _ in range(16)))
    parts = frozenset(Part)
    recipe = Recipe(
        8,
        spare_groups(512 + 16, 1, 512, 4, 7),
        Code(13, 0x201B, 4),
        Scrambler("after_ecc", "column", keystreams, parts, 1, 8),
    )
    data = rng.integers(0, 256, (24, 512), np.uint8)
    pages = recipe.encode(data, np.full((24, 4), 7, np.uint8), np.arange(24))
    pages[8:16] = pages[:8]  # read under keystreams 8 to 15: no codewords
    pages[16:24] = pages[:8]  # and under 0 to 7 again
    assert block_metadata(pages, recipe).blocks.tolist() == [0]
    pages[8:16] = recipe.encode(data[:8], np.full((8, 4), 7, np.uint8), np.arange(8, 16))
    pages[:8] = pages[8:16]  # no codewords there, but here
    assert block_metadata(pages, recipe).blocks.tolist() == [1, 2]
