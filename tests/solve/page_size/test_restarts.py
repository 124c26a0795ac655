"""Page sizes and periods from where a register starts anew, and the order of data and metadata."""

import numpy as np
import pytest

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.common.spread import scattered
from deadstick.solve.page_size.restarts import candidates_by_register
from deadstick.solve.register import register_gaps
from deadstick.solve.register.register import find_registers
from deadstick.solve.scrambler.metadata_order import orders

POLYNOMIAL = 0x1002D  # x^16 + x^5 + x^3 + x^2 + 1, primitive


def scrambled_pages(page: int, keystreams: int, pages: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """Pages that are half packed data and half zeros, under keystreams that come again in turn."""
    rng = np.random.default_rng(page)
    streams = Lfsr(POLYNOMIAL).keystream(rng.integers(1, 1 << 16, keystreams, dtype=np.uint64), page, "lsb")
    data = rng.integers(0, 256, (pages, page), dtype=np.uint8)
    starts = rng.integers(0, page // 2, pages)
    for row, start in zip(data, starts, strict=True):
        row[start : start + page // 2] = 0
    data[::3] = 0
    return (data ^ streams[np.arange(pages) % keystreams]).reshape(-1)


@pytest.mark.parametrize(("page", "keystreams"), [(2112, 24), (4500, 32)])
def test_pages_begin_where_the_register_starts_anew(page: int, keystreams: int) -> None:
    dump = scrambled_pages(page, keystreams, 600)
    found = candidates_by_register(dump, find_registers(dump))
    assert found[0].page_bytes == page
    assert found[0].periods[0] == keystreams
    assert found[0].shows_restarts


def test_a_run_that_goes_on_over_half_a_page_makes_no_border() -> None:
    """The register starts anew 8 bytes behind the middle of the page, where no further place of the run can show."""
    page, restart, keystreams, pages = 4352, 1092, 24, 600
    rng = np.random.default_rng(3)
    seeds = rng.integers(1, 1 << 16, keystreams, dtype=np.uint64)
    column = np.arange(page)
    stream = Lfsr(POLYNOMIAL).keystream(seeds, page, "lsb")[:, np.where(column < 4 * restart, column % restart, column)]
    data = rng.integers(0, 256, (pages, page), dtype=np.uint8)
    data[: pages // 2] = 0
    dump = (data ^ stream[np.arange(pages) % keystreams]).reshape(-1)
    found = [item.page_bytes for item in candidates_by_register(dump, find_registers(dump))]
    assert found[0] == page
    assert page // 2 not in found


def test_pages_with_a_wide_spare_area_that_the_register_leaves_out() -> None:
    data, page, keystreams, pages = 4096, 5496, 24, 600
    dump = np.random.default_rng(5).integers(0, 256, (pages, page), dtype=np.uint8)
    streams = Lfsr(POLYNOMIAL).keystream(np.arange(77, 77 + keystreams, dtype=np.uint64), data, "lsb")
    free = np.arange(pages) % 5 > 0
    dump[free, :data] = streams[np.arange(pages) % keystreams][free]
    found = candidates_by_register(dump.reshape(-1), find_registers(dump.reshape(-1)))
    # Sizes some bytes off fit the borders as well; their keystreams come again nowhere.
    assert found[0].page_bytes == page
    assert found[0].periods[0] == keystreams


def test_no_register_gives_no_page_size() -> None:
    noise = np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8)
    assert candidates_by_register(noise, ()) == []


def test_metadata_may_stand_before_or_behind_the_data() -> None:
    data, metadata = Span.of_bytes(Part.DATA, 0, 512), Span.of_bytes(Part.METADATA, 513, 8)
    layout = PageLayout(528, (Codeword((data, metadata), (Span.of_bytes(Part.PARITY, 521, 7),)),))
    given, turned = orders(layout)
    assert given == layout
    # Column 512 belongs to nobody in both.
    assert turned.codewords[0].message == (
        Span.of_bytes(Part.METADATA, 0, 8),
        Span.of_bytes(Part.DATA, 8, 504),
        Span.of_bytes(Part.DATA, 513, 8),
    )
    assert turned.codewords[0].parity == layout.codewords[0].parity


def test_metadata_apart_from_the_data_have_one_order() -> None:
    data, metadata = Span.of_bytes(Part.DATA, 0, 512), Span.of_bytes(Part.METADATA, 516, 4)
    layout = PageLayout(528, (Codeword((data, metadata), (Span.of_bytes(Part.PARITY, 520, 7),)),))
    assert list(orders(layout)) == [layout]


def test_a_scattered_sample_meets_every_residue() -> None:
    chosen = scattered(16_000, 256)
    assert len(np.unique(chosen)) == 256
    assert len(np.unique(chosen % 16)) == 16


def test_a_part_of_a_page_comes_behind_the_page() -> None:
    """The register starts anew with each of four codewords in line; the next page has another seed."""
    rng = np.random.default_rng(8)
    word, parity, times, pages = 1024, 76, 4, 640
    streams = Lfsr(POLYNOMIAL).keystream(rng.integers(1, 1 << 16, 32, dtype=np.uint64), word, "lsb")
    data = np.zeros((pages, times * word), np.uint8)
    data[::2, 200:2800] = rng.integers(0, 256, (pages // 2, 2600), dtype=np.uint8)
    rows = rng.integers(0, 256, (pages, times, word + parity), dtype=np.uint8)
    rows[:, :, :word] = data.reshape(pages, times, word) ^ streams[np.arange(pages) % 32][:, None]
    dump = rows.reshape(-1)
    sizes = [candidate.page_bytes for candidate in candidates_by_register(dump, find_registers(dump))]
    assert sizes[0] == times * (word + parity)


def test_a_page_comes_before_its_multiples_under_a_keystream_for_each_block(monkeypatch: pytest.MonkeyPatch) -> None:
    """There are more borders than are looked at, and packed data hide most of those inside clusters of four pages."""
    monkeypatch.setattr(register_gaps, "MOST_BORDERS", 400)
    data, page, block, blocks = 512, 628, 64, 40
    rng = np.random.default_rng(6)
    streams = Lfsr(POLYNOMIAL).keystream(rng.integers(1, 1 << 16, blocks, dtype=np.uint64), data, "lsb")
    plain = rng.integers(0, 256, (blocks * block // 4, 4 * data), dtype=np.uint8)
    plain[:, 1900:] = 0
    plain[:, :100] = 0
    plain[::3] = 0
    rows = rng.integers(0, 256, (blocks * block, page), dtype=np.uint8)
    rows[:, :data] = plain.reshape(-1, data) ^ np.repeat(streams, block, axis=0)
    dump = rows.reshape(-1)
    found = [item.page_bytes for item in candidates_by_register(dump, find_registers(dump))]
    assert found[0] == page
    assert 4 * page in found
