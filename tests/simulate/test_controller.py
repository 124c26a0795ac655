from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line, parity_gathered
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import BlockMappedController, Truth, block_mapped_dump, identity_dump
from deadstick.simulate.nand import as_blocks

PAGES = 4
NUMBER, VERSION, PLACE = BitField(0, 2, "big"), BitField(2, 1), BitField(3, 1)
PLAIN = Recipe(
    pages_per_block=PAGES,
    layout=in_line(1088, 2, 512, 4, 28),
    code=None,
    translation=Translation("block", NUMBER, VERSION),
)
CODED = Recipe(
    pages_per_block=PAGES,
    layout=parity_gathered(1088, 2, 512, 4, 13),
    code=Code(13, 0x201B, 8, bit_order="lsb"),
    scrambler=Scrambler("after_ecc", "page", LfsrKeystreams(0x1002D, (0x1D0F, 0x5EED, 0xBEE5, 0x0001))),
    translation=Translation("block", NUMBER, VERSION),
)
BLOCK = PAGES * 1024


def disk(blocks: int, seed: int = 0) -> NDArray[np.uint8]:
    return np.random.default_rng(seed).integers(0, 256, blocks * BLOCK, dtype=np.uint8)


def decoded(dump: NDArray[np.uint8], recipe: Recipe, block: int, pages: int = PAGES) -> tuple[bytes, NDArray[np.uint8]]:
    """Data and metadata of the first pages of a block, by the recipe's own inverse."""
    rows = block * PAGES + np.arange(pages)
    raw = dump.reshape(-1, recipe.layout.page_bytes)[rows]
    out = recipe.decode(raw, rows)
    assert (out.errors != -1).all()
    return out.data.tobytes(), out.metadata


def check_against_truth(dump: NDArray[np.uint8], truth: Truth) -> None:
    recipe = truth.recipe
    padded = truth.disk.tobytes().ljust(len(truth.newest) * BLOCK, b"\0")
    for logical, copy in truth.newest.items():
        data, metadata = decoded(dump, recipe, copy.physical)
        assert data == padded[logical * BLOCK : (logical + 1) * BLOCK]
        assert set(NUMBER.read(metadata).tolist()) == {logical}
        assert set(VERSION.read(metadata).tolist()) == {copy.version & 0xFF}
    for copy in truth.stale:
        data, metadata = decoded(dump, recipe, copy.physical)
        assert data == copy.data.tobytes()
        assert set(NUMBER.read(metadata).tolist()) == {copy.logical}
        assert copy.version < truth.newest[copy.logical].version
    used = [copy.physical for copy in (*truth.newest.values(), *truth.stale, *truth.unfinished)]
    everything = [*used, *truth.bad, *truth.system, *truth.erased]
    assert sorted(everything) == list(range(truth.geometry.blocks))


@pytest.mark.parametrize("recipe", [PLAIN, CODED], ids=["plain", "coded"])
def test_the_newest_copies_hold_the_disk_and_older_ones_what_was_before(recipe: Recipe) -> None:
    first = disk(20)
    second = first.copy()
    second[5 * BLOCK : 7 * BLOCK + 100] ^= 0xFF
    dump, truth = block_mapped_dump([first, second], recipe, 40, 1, bad=3, wear_moves=2)
    check_against_truth(dump, truth)
    assert truth.geometry.total_bytes == dump.size
    rewritten = {copy.logical for copy in truth.stale if (copy.data != truth.newest[copy.logical].data).any()}
    assert rewritten == {5, 6, 7}
    assert len(truth.stale) == 3 + 2 * 2


def test_bit_errors_are_counted_and_within_the_codes_reach() -> None:
    controller = BlockMappedController(CODED, 30, 7, bad=2)
    controller.write(disk(16))
    clean, _ = controller.chip()
    worn, truth = controller.chip(rate=1e-4, spread=0.3)
    differing = np.bitwise_count(clean ^ worn).reshape(30, -1).sum(axis=1)
    assert truth.flips.tolist() == differing.tolist()
    assert differing.sum() > 50
    check_against_truth(worn, truth)


def test_two_reads_differ_in_errors_alone_and_seeds_decide() -> None:
    reads = []
    for seed in (5, 5, 6):
        controller = BlockMappedController(CODED, 24, seed, bad=2, system=1)
        controller.write(disk(10))
        reads.append(controller.chip()[0])
        assert (controller.chip()[0] == reads[-1]).all()
    assert (reads[0] == reads[1]).all()
    assert (reads[0] != reads[2]).any()


def test_blocks_lie_in_shuffled_order() -> None:
    _, truth = block_mapped_dump([disk(40)], PLAIN, 60, 3)
    places = [copy.physical for copy in truth.newest.values()]
    ascending = sum(a < b for a, b in pairwise(places))
    assert 10 < ascending < 30


def test_bad_system_and_erased_blocks() -> None:
    controller = BlockMappedController(CODED, 30, 9, bad=4, system=3)
    controller.write(disk(12))
    dump, truth = controller.chip()
    check_against_truth(dump, truth)
    blocks = as_blocks(dump, truth.geometry)
    assert (len(truth.bad), len(truth.system), len(truth.erased)) == (4, 3, 11)
    assert (blocks[list(truth.bad), 0, 1024] == 0).all()
    for block in truth.erased:
        assert erased_pages(blocks[block]).all()
    for block in truth.system:
        _, metadata = decoded(dump, CODED, block)
        assert set(NUMBER.read(metadata).tolist()) == {0xFFFF}


def test_old_copies_are_erased_when_the_chip_runs_short() -> None:
    controller = BlockMappedController(PLAIN, 12, 2, spare=2)
    state = disk(6)
    for round_ in range(10):
        state[round_ % 6 * BLOCK] ^= 1
        controller.write(state)
    dump, truth = controller.chip()
    check_against_truth(dump, truth)
    assert len(truth.erased) == 2
    assert len(truth.stale) == 4
    # Only the last writes leave their predecessors behind.
    assert [copy.logical for copy in truth.stale] == [0, 1, 2, 3]


def test_each_logical_block_counts_its_own_versions() -> None:
    controller = BlockMappedController(PLAIN, 20, 4, counter="block", first_version=250)
    state = disk(4)
    controller.write(state)
    state[2 * BLOCK] ^= 1
    controller.write(state)
    dump, truth = controller.chip()
    check_against_truth(dump, truth)
    assert [copy.version for copy in truth.newest.values()] == [250, 250, 251, 250]


def test_a_common_counter_grows_with_every_write_and_wraps_in_its_field() -> None:
    controller = BlockMappedController(PLAIN, 20, 4, counter="global", first_version=250)
    state = disk(4)
    controller.write(state)
    state[2 * BLOCK] ^= 1
    controller.write(state)
    assert [copy.version for copy in controller.chip()[1].newest.values()] == [250, 251, 254, 253]
    controller.level_wear(4)  # up to 258, where the field of 8 bits reads 2
    dump, truth = controller.chip()
    check_against_truth(dump, truth)
    assert max(copy.version for copy in truth.newest.values()) == 258


def test_a_power_failure_leaves_a_newer_copy_unfinished() -> None:
    controller = BlockMappedController(CODED, 12, 8)
    state = disk(5)
    controller.write(state)
    controller.write_block(3, ~state[3 * BLOCK : 4 * BLOCK], pages=2)
    dump, truth = controller.chip()
    check_against_truth(dump, truth)
    (cut,) = truth.unfinished
    assert cut.version == truth.newest[3].version + 1
    data, _ = decoded(dump, CODED, cut.physical, pages=2)
    assert data == (~state[3 * BLOCK : 3 * BLOCK + 2048]).tobytes()
    assert erased_pages(as_blocks(dump, truth.geometry)[cut.physical]).tolist() == [False, False, True, True]
    controller.write_block(3, state[3 * BLOCK : 4 * BLOCK])
    assert controller.chip()[1].newest[3].version == cut.version + 1


def test_blank_blocks_may_stay_unmapped() -> None:
    state = disk(6)
    state[2 * BLOCK : 4 * BLOCK] = 0
    controller = BlockMappedController(PLAIN, 12, 8, skip_blank=True)
    controller.write(state)
    assert sorted(controller.chip()[1].newest) == [0, 1, 4, 5]
    state[0:BLOCK] = 0  # a block that was written once is written again, zeros or not
    controller.write(state)
    assert not controller.chip()[1].newest[0].data.any()


def test_decoy_fields_and_repeated_metadata() -> None:
    controller = BlockMappedController(PLAIN, 12, 8, page_field=PLACE, repeat=True)
    controller.write(disk(3))
    dump, truth = controller.chip()
    _, metadata = decoded(dump, PLAIN, truth.newest[2].physical)
    assert PLACE.read(metadata).tolist() == [0, 1, 2, 3]
    assert (metadata[:, :4] == metadata[:, 4:]).all()
    plain = BlockMappedController(PLAIN, 12, 8, metadata_fill=0x5A)
    plain.write(disk(3))
    dump, truth = plain.chip()
    _, metadata = decoded(dump, PLAIN, truth.newest[2].physical)
    assert (metadata[:, 3:] == 0x5A).all()


def test_a_disk_that_ends_inside_a_block_is_padded() -> None:
    dump, truth = block_mapped_dump([disk(3)[: 2 * BLOCK + 512]], PLAIN, 10, 1)
    check_against_truth(dump, truth)
    assert len(truth.newest) == 3


def test_wrong_calls_say_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="logical number"):
        BlockMappedController(replace(PLAIN, translation=Translation()), 10, 1)
    with pytest.raises(ValueError, match="too few"):
        BlockMappedController(PLAIN, 10, 1, bad=8)
    with pytest.raises(ValueError, match="full"):
        block_mapped_dump([disk(11)], PLAIN, 10, 1, bad=0)
    with pytest.raises(ValueError, match="not 5"):
        BlockMappedController(PLAIN, 10, 1).write_block(0, disk(1), pages=5)
    with pytest.raises(ValueError, match="needs 12 pages, the chip has 8"):
        identity_dump(disk(3), PLAIN, 2, 1)


def test_without_a_mapping_pages_lie_in_order() -> None:
    recipe = replace(CODED, translation=Translation())
    content = disk(3)[:-300]
    dump = identity_dump(content, recipe, 5, 1, metadata_fill=0, rate=5e-5)
    pages = np.arange(5 * PAGES)
    out = recipe.decode(dump.reshape(-1, 1088), pages)
    assert out.data[:12].tobytes() == content.tobytes() + bytes(300)
    assert not out.metadata[:12].any()
    assert out.erased.tolist() == [False] * 12 + [True] * 8
