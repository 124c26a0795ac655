"""Contact faults and misplaced reads that the simulator makes, noticed and named, on scrambled and on plain chips."""

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.errors import InputError
from deadstick.flash.contacts import Fault, find_faults
from deadstick.flash.dump import Dump
from deadstick.flash.examine import Examined, examine
from deadstick.flash.lines import settle_orders, text_order
from deadstick.flash.reads import IN_ORDER, Chip
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate import contacts
from deadstick.simulate.controller import BlockMappedController, chip_geometry
from deadstick.simulate.history import scenario_history
from deadstick.simulate.nand import add_bit_errors

Bytes = NDArray[np.uint8]
Spoil = Callable[[Bytes], Bytes | None]

BLOCKS = 24
PAGES = 32
RATE = 2e-3


def recipe(*, scrambled: bool) -> Recipe:
    seeds = tuple(np.random.default_rng(11).integers(1, 1 << 23, PAGES).tolist())
    return Recipe(
        PAGES,
        in_line(4224, 4, 1024, 4, 28),
        Code(14, PRIMITIVE_DEFAULTS[14], 16),
        Scrambler("after_ecc", "page", LfsrKeystreams(0x800021, seeds)) if scrambled else None,
        Translation("block", BitField(0, 2), BitField(2, 2)),
    )


GEOMETRY = chip_geometry(recipe(scrambled=True), BLOCKS)


@cache
def clean(*, scrambled: bool = True) -> Bytes:
    """A chip with an erased part and older copies, without bit errors."""
    history = scenario_history(3, 2 << 20, steps=2)
    controller = BlockMappedController(recipe(scrambled=scrambled), BLOCKS, 3, bad=1, spare=3)
    for state in history.states:
        controller.write(state)
    return controller.chip()[0]


def read(seed: int, *spoils: Spoil, scrambled: bool = True, rate: float = RATE) -> Bytes:
    """One read with errors of its own, then spoiled."""
    content = clean(scrambled=scrambled).copy()
    add_bit_errors(content, rate, seed)
    for spoil in spoils:
        changed = spoil(content)
        content = content if changed is None else changed
    return content


def examined(*reads: Bytes) -> tuple[Examined, Bytes]:
    """What is said about reads, and their vote."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number, content in enumerate(reads):
            (folder / f"r{number + 1}.bin").write_bytes(content.tobytes())
        chip = Chip([Dump.open(folder / f"r{number + 1}.bin") for number in range(len(reads))])
        found = examine(chip)
        chip.write_vote(found.plan, folder / "voted.bin")
        return found, np.fromfile(folder / "voted.bin", np.uint8)


def wrong(voted: Bytes) -> float:
    """Share of wrong bits."""
    return float(np.bitwise_count(voted ^ clean()[: len(voted)]).sum()) / (8 * len(voted))


def said(found: Examined, *words: str) -> None:
    """One notice has all of these words."""
    answers = [notice.answer for notice in found.notices]
    assert any(all(word in answer for word in words) for answer in answers), answers


# One read -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scrambled", [True, False])
def test_a_sound_read_shows_no_fault(scrambled: bool) -> None:
    assert find_faults(read(1, scrambled=scrambled)) == ()


@pytest.mark.parametrize("scrambled", [True, False])
@pytest.mark.parametrize(("line", "value", "start"), [(0, 0, 0), (3, 1, 1_234_567), (7, 0, 2_000_000)])
def test_a_stuck_line_is_found_from_its_byte_on(line: int, value: int, start: int, scrambled: bool) -> None:
    spoiled = read(2, lambda content: contacts.stick_line(content, line, value, start=start), scrambled=scrambled)
    found = [fault for fault in find_faults(spoiled) if fault.kind == "stuck"]
    assert [(fault.lines, fault.value, fault.to_end) for fault in found] == [((line,), value, True)]
    # Bytes before it that had the value anyway cannot be told from it.
    assert start - 4096 * 2 <= found[0].start <= start


def test_a_line_that_comes_back_is_named_with_its_end() -> None:
    spoiled = read(2, lambda content: contacts.stick_line(content, 5, 1, start=400_000, end=900_000))
    (fault,) = find_faults(spoiled)
    assert (fault.kind, fault.lines, fault.to_end) == ("stuck", (5,), False)
    assert 399_900 < fault.start <= 400_000
    assert 900_000 <= fault.end < 900_100


@pytest.mark.parametrize(("one", "other"), [(0, 1), (2, 6), (3, 7)])
def test_tied_lines_are_found(one: int, other: int) -> None:
    spoiled = read(3, lambda content: contacts.tie_lines(content, one, other, start=600_000))
    (fault,) = find_faults(spoiled)
    assert (fault.kind, sorted(fault.lines), fault.to_end) == ("tied", [one, other], True)
    assert 599_900 < fault.start <= 600_000


@pytest.mark.parametrize(("bit", "value", "first_page"), [(0, 0, 0), (4, 1, 0), (6, 0, 200)])
def test_a_stuck_row_address_shows_pages_twice(bit: int, value: int, first_page: int) -> None:
    spoiled = read(4, lambda content: contacts.stick_row_address(content, GEOMETRY, bit, value, first_page=first_page))
    (fault,) = find_faults(spoiled)
    assert (fault.kind, fault.distance) == ("address", GEOMETRY.page_bytes << bit)
    assert abs(fault.start - first_page * GEOMETRY.page_bytes) <= 2 * fault.distance + 8192


def test_a_stuck_column_address_shows_columns_twice() -> None:
    (fault,) = find_faults(read(4, lambda content: contacts.stick_column_address(content, GEOMETRY, 9, 0)))
    assert (fault.kind, fault.distance) == ("address", 512)


def test_pages_that_are_alike_by_content_are_no_address_fault() -> None:
    """A keystream that repeats over zeros makes pages alike, on both sides and at every multiple."""
    keys = np.random.default_rng(8).integers(0, 256, (PAGES, 4224), dtype=np.uint8)
    content = np.tile(keys, (BLOCKS, 1)).reshape(-1)
    add_bit_errors(content, RATE, 5)
    assert [fault for fault in find_faults(content) if fault.kind == "address"] == []


def test_a_single_read_is_told_how_much_a_stuck_line_costs() -> None:
    found, _ = examined(read(1, lambda content: contacts.stick_line(content, 2, 0, start=1_000_000)))
    said(found, "data line 2", "stuck at 0", "one bit in 16", "beyond", "clean the contacts", "read again")
    notice = found.notices[0]
    assert notice.log10_chance is not None
    assert notice.log10_chance < -100
    assert notice.place is not None
    assert f"from page {notice.place // 4224} on" in notice.with_page(4224).answer


def test_an_address_fault_of_the_only_read_hides_things() -> None:
    found, _ = examined(read(1, lambda content: contacts.stick_row_address(content, GEOMETRY, 5, 0)))
    assert [notice.hides for notice in found.notices] == [True]


def test_text_tells_the_order_of_the_lines_where_nothing_is_scrambled() -> None:
    plain = read(1, scrambled=False)
    assert (order := text_order(plain)) is not None
    assert order[0] == IN_ORDER
    found, voted = examined(read(1, lambda content: contacts.swap_lines(content, 7, 2), scrambled=False))
    said(found, "data lines 2 and 7", "exchanged", "put back")
    assert (voted == plain).all()
    assert text_order(read(1)) is None


# Several reads --------------------------------------------------------------------------------------


def test_three_reads_vote_better_than_each() -> None:
    found, voted = examined(read(1), read(2), read(3))
    assert wrong(voted) < 4 * 3 * RATE**2
    assert [round(part.error_rate / RATE, 1) for part in found.plan.reads] == [1.0, 1.0, 1.0]
    assert [notice.question for notice in found.notices] == ["reads"]


def test_a_read_that_disagrees_often_weighs_less() -> None:
    found, _ = examined(read(1), read(2, rate=0.02), read(3))
    weights = [part.weight for part in found.plan.reads]
    assert weights[1] < min(weights[0], weights[2])


@pytest.mark.parametrize("reads", [2, 3])
@pytest.mark.parametrize("spoiled", [0, 1])
def test_a_stuck_line_of_one_read_is_left_to_the_others(reads: int, spoiled: int) -> None:
    spoil = {spoiled: [lambda content: contacts.stick_line(content, 3, 0, start=1_000_000)]}
    found, voted = examined(*(read(number, *spoil.get(number, [])) for number in range(reads)))
    said(found, f"data line 3 of read {spoiled + 1} (r{spoiled + 1}.bin)", "stuck at 0", "the vote goes without it")
    assert wrong(voted) < 1.3 * RATE
    assert {piece.lines for piece in found.plan.reads[spoiled].pieces} == {0xFF, 0xF7}


def test_tied_lines_of_one_read_are_left_to_the_others() -> None:
    found, voted = examined(read(1), read(2, lambda content: contacts.tie_lines(content, 1, 4)), read(3))
    said(found, "data lines 1 and 4 of read 2", "alike")
    assert wrong(voted) < RATE


@pytest.mark.parametrize("spoiled", [0, 1])
def test_swapped_lines_of_one_in_three_are_put_back(spoiled: int) -> None:
    spoil = {spoiled: [lambda content: contacts.swap_lines(content, 1, 6)]}
    found, voted = examined(*(read(number, *spoil.get(number, [])) for number in range(3)))
    said(found, f"data lines 1 and 6 are exchanged in read {spoiled + 1}", "put back")
    assert wrong(voted) < 4 * 3 * RATE**2


def test_of_two_reads_nothing_tells_which_is_swapped_under_a_scrambler() -> None:
    found, voted = examined(read(1), read(2, lambda content: contacts.swap_lines(content, 7, 5)))
    said(found, "data lines 5 and 7", "nothing tells which of the two is right")
    assert wrong(voted) < 1.3 * RATE  # the first was taken, and it was right


def test_text_settles_two_reads_where_nothing_is_scrambled() -> None:
    found, voted = examined(
        read(1, lambda content: contacts.swap_lines(content, 7, 5), scrambled=False), read(2, scrambled=False)
    )
    said(found, "data lines 5 and 7 are exchanged in read 1", "put back")
    assert float(np.bitwise_count(voted ^ clean(scrambled=False)).sum()) / (8 * len(voted)) < 1.3 * RATE


def test_text_says_nothing_about_lines_below_the_top() -> None:
    found, _ = examined(
        read(1, lambda content: contacts.swap_lines(content, 1, 5), scrambled=False), read(2, scrambled=False)
    )
    said(found, "data lines 1 and 5", "nothing tells which of the two is right")


def test_orders_are_settled_by_majority_even_against_the_leader() -> None:
    odd = (1, 0, *range(2, 8))
    assert settle_orders([IN_ORDER, odd, odd]) == ((odd, IN_ORDER, IN_ORDER), True)
    assert settle_orders([IN_ORDER, odd]) == ((IN_ORDER, odd), False)


def test_a_shorter_read_helps_as_far_as_it_goes() -> None:
    found, voted = examined(read(1), read(2, lambda content: content[:1_500_000].copy()), read(3))
    said(found, "read 2 (r2.bin) is", "bytes shorter than read 1", "read again to the end")
    assert len(voted) == len(clean())
    part = voted[:1_400_000]
    assert wrong(part) < 4 * 3 * RATE**2


def test_a_read_that_begins_later_is_moved_to_its_place() -> None:
    found, voted = examined(read(1), read(2), read(3, lambda content: content[5 * 4224 :].copy()))
    said(found, "read 3 (r3.bin) begins 21,120 bytes later")
    assert wrong(voted) < 5 * 3 * RATE**2


def test_a_read_in_another_order_is_put_in_order() -> None:
    half = BLOCKS // 2 * PAGES * 4224

    def turned(content: Bytes) -> Bytes:
        return np.concatenate([content[half:], content[:half]])

    found, voted = examined(read(1), read(2, turned), read(3))
    said(found, "read 2 (r2.bin) has its pages in another order")
    assert wrong(voted) < 0.3 * RATE


def test_a_read_of_another_chip_is_left_out() -> None:
    strange = np.random.default_rng(4).integers(0, 256, len(clean()), dtype=np.uint8)
    found, voted = examined(read(1), strange, read(3))
    said(found, "read 2 (r2.bin) is not of the same chip", "left out")
    assert found.plan.reads[1].pieces == ()
    assert wrong(voted) < 1.3 * RATE


def test_the_odd_one_may_be_the_first() -> None:
    strange = np.random.default_rng(4).integers(0, 256, len(clean()), dtype=np.uint8)
    found, voted = examined(strange, read(1), read(3))
    said(found, "read 1 (r1.bin) is not of the same chip")
    assert wrong(voted) < 1.3 * RATE


def test_two_reads_of_different_chips_are_refused() -> None:
    strange = np.random.default_rng(4).integers(0, 256, len(clean()), dtype=np.uint8)
    with pytest.raises(InputError, match="not reads of one chip"):
        examined(read(1), strange)


@pytest.mark.parametrize("reads", [2, 3])
def test_an_address_fault_of_the_first_read_leaves_the_chip_to_the_others(reads: int) -> None:
    faulty = read(0, lambda content: contacts.stick_row_address(content, GEOMETRY, 3, 0))
    found, voted = examined(faulty, *(read(number) for number in range(1, reads)))
    said(found, "read 1 (r1.bin) shows the same content at two addresses")
    assert not any(notice.hides for notice in found.notices)
    assert wrong(voted) < 1.6 * RATE


def test_a_copy_of_a_read_has_no_weight_of_its_own() -> None:
    one = read(1)
    found, voted = examined(one, one, read(2))
    said(found, "read 2 (r2.bin) holds the same bytes as read 1", "counts once")
    assert found.plan.reads[1].pieces == ()
    assert wrong(voted) < 1.3 * RATE


def test_reads_that_are_all_copies_are_one() -> None:
    one = read(1)
    found, _ = examined(one, one)
    assert found.plan.is_plain


def test_a_fault_that_all_reads_share_cannot_be_voted_away() -> None:
    spoil = [lambda content: contacts.stick_line(content, 6, 1)]
    found, _ = examined(*(read(number, *spoil) for number in range(3)))
    assert all(piece.lines == 0xFF for part in found.plan.reads for piece in part.pieces)
    said(found, "data line 6", "one bit in 16")


def test_an_erased_chip_has_nothing_to_compare() -> None:
    blank = np.full(1 << 20, 0xFF, np.uint8)
    other = blank.copy()
    other[1000] = 0xFE
    found, voted = examined(blank, other)
    assert len(found.plan.reads) == 2
    assert (voted == blank).all()


def test_faults_are_plain_values() -> None:
    fault = Fault("tied", (1, 4), 0, 10, to_end=True, units=3)
    assert fault.mask == 0b10010
