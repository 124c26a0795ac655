"""The search for Hamming and Reed-Solomon codes and for readable data without a code."""

from dataclasses import replace
from time import monotonic

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import block_mapped_dump, identity_dump
from deadstick.simulate.draw_other import draw_other_code, draw_other_layout
from deadstick.simulate.history import scenario_history
from deadstick.solve.answer.without_code import data_first, find_without_code
from deadstick.solve.hints.hints import Family
from deadstick.solve.other_codes import find_other_code, kernels
from deadstick.solve.other_codes.find_other_code import FoundOther, OtherCodeSearch
from deadstick.solve.other_codes.reed_solomon import Hunt, _longest_run, _times
from deadstick.solve.other_codes.roots import Root
from deadstick.solve.page_size.geometry import PageCandidate, page_candidates
from deadstick.solve.register.register import find_registers
from deadstick.solve.scrambler.find_scrambler import find_scrambler

DISK_BYTES = 2 << 20


def played(recipe: Recipe, seed: int, rate: float = 0.0) -> NDArray[np.uint8]:
    """A dump of a stick whose blocks lie in order."""
    history = scenario_history(seed, DISK_BYTES, fill=0.6)
    block = recipe.pages_per_block * recipe.layout.data_bytes
    return identity_dump(history.disk, recipe, -(-DISK_BYTES // block) + 2, seed, rate=rate)


def everything(dump: NDArray[np.uint8], candidates: tuple[PageCandidate, ...]) -> FoundOther | None:
    """All steps of the search."""
    return OtherCodeSearch(dump, candidates).later(monotonic() + 600)


def searched(recipe: Recipe, dump: NDArray[np.uint8]) -> FoundOther:
    """The search on the right page size; it must succeed."""
    found = everything(dump, (PageCandidate(recipe.layout.page_bytes, (), 50.0, "right"),))
    assert found is not None
    return found


def check(found: FoundOther, recipe: Recipe, dump: NDArray[np.uint8]) -> None:
    """The answer decodes to what was written, up to the complement, which a code cannot tell."""
    assert found.layout.page_bytes == recipe.layout.page_bytes
    assert found.log10_chance < -20
    for ours, theirs in zip(found.layout.codewords, recipe.layout.codewords, strict=True):
        assert ours.message == theirs.message
        assert ours.parity[0].start == theirs.parity[0].start
    pages = dump[: 128 * recipe.layout.page_bytes].reshape(128, -1)
    numbers = np.arange(128)
    mine, true = (
        Recipe(32, layout, code).decode(pages, numbers)
        for layout, code in ((found.layout, found.code), (recipe.layout, recipe.code))
    )
    assert np.array_equal(mine.errors, true.errors)
    flip = np.uint8(0xFF if found.code.inverted != (recipe.code is not None and recipe.code.inverted) else 0)
    assert np.array_equal((mine.data ^ flip)[~mine.erased], true.data[~mine.erased])


def scattered() -> PageLayout:
    """Two words of 256 bytes, their parity bits anywhere in the spare area, as if each came from a wire of its own."""
    order = np.random.default_rng(3).permutation(128)
    parities = [
        [Span(Part.PARITY, 8 * 512 + int(place), 1) for place in order[first : first + 22]] for first in (0, 22)
    ]
    return PageLayout(
        528,
        tuple(
            Codeword((Span.of_bytes(Part.DATA, 256 * number, 256),), tuple(parity))
            for number, parity in enumerate(parities)
        ),
    )


HAMMING = [
    Recipe(32, spare_groups(2112, 8, 256, 3, 3, covered=False, offset=2), Code.hamming(256)),
    Recipe(32, spare_groups(528, 1, 512, 2, 3, covered=False), Code.hamming(512, erased_is_codeword=False)),
    Recipe(32, scattered(), Code.hamming(256)),
]


@pytest.mark.parametrize("recipe", HAMMING)
@pytest.mark.parametrize("rate", [0.0, 3e-5])
def test_hamming_codes_are_found(recipe: Recipe, rate: float) -> None:
    dump = played(recipe, 1, rate)
    found = searched(recipe, dump)
    assert found.code == recipe.code
    check(found, recipe, dump)


REED_SOLOMON = [
    (
        spare_groups(2112, 4, 512, 3, 9, covered=False),
        Code(9, 0x221, 4, 503, "lsb", family="reed_solomon", padding="gap"),
    ),
    (spare_groups(2112, 4, 512, 0, 10), Code(10, 0x409, 4, 1, "msb", family="reed_solomon", erased_is_codeword=True)),
    (in_line(2160, 16, 128, 0, 6), Code(8, 0x11D, 3, 0, "msb", family="reed_solomon")),
    (
        spare_groups(2112, 4, 512, 2, 10, covered=False),
        Code(10, 0x409, 4, 300, "msb", family="reed_solomon", padding="back"),
    ),
    (spare_groups(2200, 16, 128, 2, 6), Code(8, 0x187, 3, 1, "lsb", family="reed_solomon")),
]


@pytest.mark.parametrize(("layout", "code"), REED_SOLOMON)
def test_reed_solomon_codes_are_found(layout: PageLayout, code: Code) -> None:
    recipe = Recipe(32, layout, code)
    dump = played(recipe, 2, 3e-5)
    found = searched(recipe, dump)
    assert replace(found.code, padding=code.padding) == code
    check(found, recipe, dump)


@pytest.mark.parametrize("seed", [0, 1, 2, 50])  # 50 has its parity close to the end of the page
def test_drawn_codes_are_found_with_the_page_size_of_the_dump_itself(seed: int) -> None:
    drawn_code_is_found(seed)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(3, 60))
def test_more_drawn_codes_are_found(seed: int) -> None:
    drawn_code_is_found(seed)


def drawn_code_is_found(seed: int) -> None:
    rng = np.random.default_rng([seed, 77])
    message = int(rng.choice([128, 256, 512, 1024]))
    data = max(message, int(rng.choice([1024, 2048])))
    code = draw_other_code(rng, message)
    layout = draw_other_layout(rng, code, data, message, int(rng.integers(0, 5)))
    recipe = Recipe(32, layout, code)
    dump = played(recipe, seed, 1e-5)
    check(searched(recipe, dump), recipe, dump)


def test_differences_of_pages_show_a_code_under_a_keystream() -> None:
    recipe = Recipe(32, spare_groups(2112, 4, 512, 0, 10), Code(10, 0x409, 4, 1, family="reed_solomon"))
    pages = played(recipe, 3).reshape(-1, 2112).copy()
    keystreams = np.random.default_rng(3).integers(0, 256, (16, 2112), dtype=np.uint8)
    written = (pages != 0xFF).any(axis=1)
    pages[written] ^= keystreams[np.arange(len(pages)) % 16][written]
    found = everything(pages.reshape(-1), (PageCandidate(2112, (16,), 50.0, "right"),))
    assert found is not None
    assert found.lag == 16
    assert found.code == recipe.code


def test_zeros_between_the_gap_and_the_parity_are_not_its_own() -> None:
    """Metadata outside the code that end in five zeros, four symbols: across a gap they change no root."""
    code = Code(10, 0x409, 4, 1, family="reed_solomon", padding="gap")
    recipe = Recipe(32, spare_groups(2112, 4, 512, 6, 10, covered=False), code)
    pages = played(recipe, 8, 3e-5).reshape(-1, 2112).copy()
    written = (pages != 0xFF).any(axis=1)
    for span in recipe.layout.loose:
        pages[written, span.start // 8 : span.end // 8] = np.array([7, 0, 0, 0, 0, 0], np.uint8)
    found = searched(recipe, pages.reshape(-1))
    assert found.code == code
    check(found, recipe, pages.reshape(-1))


@pytest.mark.parametrize("masked", [False, True])
def test_pages_without_the_output_of_a_register_show_a_code_that_differences_do_not(*, masked: bool) -> None:
    """One word in five has no error, so one difference in twenty-five; and most pages are free space."""
    code = Code(10, 0x409, 4, 1, family="reed_solomon", erased_is_codeword=masked)
    seeds = tuple(np.random.default_rng(9).choice(np.arange(1, 1 << 16), 64, replace=False).tolist())
    scrambler = Scrambler("after_ecc", "column", LfsrKeystreams(0x1002D, seeds))
    recipe = Recipe(64, spare_groups(1056, 1, 1024, 4, 10, covered=False), code, scrambler)
    dump = played(recipe, 9, 2e-4)
    candidate = PageCandidate(1056, (64,), 50.0, "right", shows_restarts=True)
    registers = find_registers(dump)
    found = OtherCodeSearch(dump, (candidate,), registers).first()
    assert found is not None
    assert "register" in found.kind
    assert replace(found.code, erased_is_codeword=masked) == code
    assert found.layout.codewords == recipe.layout.codewords
    plain = find_scrambler(found, registers)
    assert plain is not None
    assert plain.recipe.code == code
    assert plain.recipe.scrambler is not None
    assert plain.recipe.scrambler.covers == frozenset(Part)


def test_nothing_is_found_where_there_is_nothing() -> None:
    noise = np.random.default_rng(4)
    candidates = (PageCandidate(2112, (), 20.0, "none"),)
    random = noise.integers(0, 256, 2112 * 1000, dtype=np.uint8)
    bare = PageLayout(2112, (Codeword((Span.of_bytes(Part.DATA, 0, 2048),), ()),))
    plain = played(Recipe(32, bare, None), 4)
    for dump in (random, plain):
        assert everything(dump, candidates) is None


# Kernels and their twins -----------------------------------------------------------------------------


def test_kernels_of_the_search_against_their_twins() -> None:
    noise = np.random.default_rng(5)
    code = Code(9, 0x221, 3, 2, family="reed_solomon")
    message = noise.integers(0, 256, (20, 72), dtype=np.uint8)  # 64 symbols without padding
    words = np.hstack([message, code.codec.encode(message)])
    bits = np.unpackbits(words, axis=1)[:, : 70 * 9].reshape(20, 70, 9) @ (1 << np.arange(8, -1, -1))
    symbols = bits.astype(np.int64)
    for exponent in (1, 2, 7, 8):
        times = _times(9, 0x221, exponent)
        values = np.empty(20, np.int64)
        kernels.root_values(np.ascontiguousarray(symbols[:, :64]), times, values)
        slow = []
        for row in symbols[:, :64]:
            value = 0
            for symbol in row:
                value = int(times[value]) ^ int(symbol)
            slow.append(value)
        assert values.tolist() == slow
        counts = np.zeros((1, 7), np.int64)
        tails = np.ascontiguousarray(symbols[:, 64:, None])
        kernels.tail_hits(values, tails, np.arange(1), times, False, counts)
        assert (counts[0, 6] == 20) == (2 <= exponent < 8)
        counts[:] = 0
        kernels.tail_hits(values, tails, np.arange(0), times, False, counts)
        assert not counts.any()


@pytest.mark.parametrize("rows", [1, 255, 256, 700])
def test_ones_in_columns_are_counted_as_sums_of_unpacked_bits(rows: int) -> None:
    noise = np.random.default_rng([5, rows])
    packed = noise.integers(0, 256, (rows, 9), dtype=np.uint8)
    packed[:, 3] = 0xFF
    for chosen in (np.ones(rows, np.bool_), np.zeros(rows, np.bool_), noise.random(rows) < 0.7):
        counts = np.full(72, 7, np.int64)
        kernels.count_ones(packed, chosen, kernels.SPREAD, counts)
        assert counts.tolist() == np.unpackbits(packed[chosen], axis=1).sum(axis=0).tolist()


def test_the_run_of_roots_goes_round() -> None:
    flags = np.zeros(15, np.bool_)
    flags[[13, 14, 0, 1, 5, 6]] = True
    assert _longest_run(flags) == (13, 4)
    assert _longest_run(np.zeros(15, np.bool_)) == (0, 0)


def test_a_few_words_of_hundreds_are_enough() -> None:
    recipe = Recipe(32, spare_groups(2112, 4, 512, 0, 10), Code(10, 0x409, 4, 1, family="reed_solomon"))
    dump = played(recipe, 6, 4e-4)  # one word in five has no error
    found = searched(recipe, dump)
    assert found.share < 0.4
    assert found.code == recipe.code


def test_two_clean_words_among_the_first_rows_are_enough_to_look_at_the_others() -> None:
    """One word in six has no error; of the rows that are looked at first only two are such."""
    noise = np.random.default_rng(7)
    code = Code(10, 0x7F9, 15, 993, family="reed_solomon", padding="back")
    message = noise.integers(0, 256, (126, 1024), dtype=np.uint8)
    metadata = noise.integers(0, 256, (126, 9), dtype=np.uint8)
    rows = np.hstack([message, metadata, code.codec.encode(message)])
    clean = [3, 30, *range(40, 126, 5)]
    rows[np.setdiff1d(np.arange(126), clean), 500] ^= 1
    hunt, root = Hunt(rows), Root(10, 0x7F9, 1022, "msb", "back", 1024)
    window = hunt.look(root, 20_000)
    assert window is not None
    assert (window.column, window.symbols, window.hits) == (1033, 30, len(clean))
    assert hunt.clean_rows(window).tolist() == clean
    assert hunt.identify(window) == (code, 0)
    # What has fewer is not looked at: no root of a wrong field has a place of its own.
    assert hunt.look(replace(root, polynomial=0x409), 20_000) is None


def test_a_hunt_takes_no_data_that_do_not_fill_the_page() -> None:
    hunt = Hunt(np.zeros((20, 528), np.uint8))
    assert hunt.look(Root(10, 0x409, 1, "msb", "front", 1024), 1) is None


# No code at all ------------------------------------------------------------------------------------


@pytest.mark.parametrize("mapped", [False, True])
def test_readable_data_without_a_code(*, mapped: bool) -> None:
    fields = Translation("block", BitField(0, 2), BitField(2, 2)) if mapped else Translation()
    layout = PageLayout(
        2112, (Codeword((Span.of_bytes(Part.DATA, 0, 2048),), ()),), (Span.of_bytes(Part.METADATA, 2050, 6),)
    )
    recipe = Recipe(32, layout, None, translation=fields)
    history = scenario_history(7, DISK_BYTES, fill=0.6)
    if mapped:
        dump, _ = block_mapped_dump(history.states, recipe, 46, 7, bad=1, wear_moves=2)
    else:
        dump = played(recipe, 7)
    found = find_without_code(dump, page_candidates(dump))
    assert found is not None
    assert found.recipe.code is None
    assert found.recipe.layout.page_bytes == 2112
    assert found.recipe.layout.data_bytes == 2048
    assert found.recipe.translation.kind == ("block" if mapped else "identity")
    assert found.score > 1000
    assert all(score <= found.score for _, score in found.rivals)


def test_a_dump_without_its_spare_areas_is_a_disk() -> None:
    found = find_without_code(scenario_history(8, DISK_BYTES, fill=0.6).disk, ())
    assert found is not None
    assert found.recipe.layout.page_bytes == found.recipe.layout.data_bytes == 512


def test_noise_is_not_readable() -> None:
    noise = np.random.default_rng(9).integers(0, 256, 1 << 20, dtype=np.uint8)
    assert find_without_code(noise, ()) is None
    assert data_first(noise[: 528 * 1900].reshape(-1, 528)).data_bytes == 512


def test_parity_that_ends_inside_a_byte_is_taken_in_whole_bytes() -> None:
    """22 bits in three bytes: a keystream that runs from part to part needs bytes. Scattered bits stay bits."""
    code = Code.hamming(256)
    whole = Recipe(32, spare_groups(528, 2, 256, 2, 3, offset=1, covered=False), code)
    found = searched(whole, played(whole, 5))
    assert [span.bits for word in found.layout.codewords for span in word.parity] == [24, 24]
    bits = Recipe(32, scattered(), code)
    assert not searched(bits, played(bits, 5)).layout.is_byte_aligned


@pytest.mark.parametrize(("family", "others"), [("hamming", "rs"), ("rs", "hamming")])
def test_the_family_that_is_named_is_asked_alone(family: Family, others: Family) -> None:
    """The codes of the other family keep their turn for later."""
    taken: list[str] = []
    search = OtherCodeSearch(np.zeros(64 * 528, np.uint8), (PageCandidate(528, (), 20.0, "a comb"),))
    search.progress = lambda _step, done, _of: taken.append(search.steps[done].kind)
    kinds = {"hamming": {"hamming"}, "rs": {"known", "all", "other roots"}}
    everyone = len(search.steps)
    assert search.named(family, monotonic() + 600) is None
    assert set(taken) == kinds[family]
    taken.clear()
    assert search.later(monotonic() + 600) is None
    assert set(taken) == kinds[others]
    assert search.done == everyone


@pytest.mark.parametrize(("rate", "now"), [(None, {128, 256, 512, 1024}), (1e-3, {128}), (3e-4, {128, 256, 512})])
def test_messages_that_are_hardly_ever_clean_are_left_for_later(
    rate: float | None, now: set[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    taken: list[int] = []
    monkeypatch.setattr(find_other_code, "look_for", lambda _c, _s, _h, root, _t: taken.append(root.message))
    dump = np.random.default_rng(1).integers(0, 256, 64 * 1056, np.uint8)
    search = OtherCodeSearch(dump, (PageCandidate(1056, (), 20.0, "a comb"),))
    assert search.first(rate) is None
    assert set(taken) == now
    assert search.later(monotonic() + 60) is None
    assert set(taken) == {128, 256, 512, 1024}
