"""Page sizes from where blank stretches end: plain data only, and however the spare area looks."""

import numpy as np
import pytest

from deadstick.solve.page_size.sector_ends import page_sizes

SECTOR = 512


def dump_of(page: int, spare: int, seed: int = 1) -> np.ndarray:
    """Packed data in which one sector in 40 has a blank rest; the spare area is random, as parity is."""
    rng = np.random.default_rng([seed, page, spare])
    pages = 4096 * SECTOR // page
    sectors = rng.integers(0, 256, (pages, page // SECTOR, SECTOR)).astype(np.uint8)
    for row, column in np.argwhere(rng.random(sectors.shape[:2]) < 1 / 40):
        sectors[row, column, rng.integers(0, 480) :] = 0
    parity = rng.integers(0, 256, (pages, spare)).astype(np.uint8)
    return np.concatenate([sectors.reshape(pages, page), parity], axis=1).reshape(-1)


@pytest.mark.parametrize(("page", "spare"), [(512, 23), (2048, 77), (8192, 448), (16384, 562)])
def test_packed_pages_are_known_by_their_sectors(page: int, spare: int) -> None:
    assert page_sizes(dump_of(page, spare))[0].page_bytes == page + spare


def test_bit_errors_in_erased_blocks_do_not_hide_the_few_ends_of_files() -> None:
    """At a rate of 1e-3 a stretch of ones ends every 125 bytes."""
    rng = np.random.default_rng(8)
    data = np.concatenate([dump_of(4096, 384), np.full(2 << 20, 0xFF, np.uint8)])
    data ^= np.packbits(rng.random(8 * len(data)) < 1e-3)
    assert page_sizes(data)[0].page_bytes == 4480


def in_line(message: int, parity: int, count: int, rest: int) -> np.ndarray:
    """The same, the sectors in codewords in line and some unused bytes behind them."""
    sectors = dump_of(message * count, 0).reshape(-1, count, message)
    behind = np.random.default_rng(5).integers(0, 256, (len(sectors), count, parity)).astype(np.uint8)
    words = np.concatenate([sectors, behind], axis=2).reshape(len(sectors), -1)
    return np.pad(words, ((0, 0), (0, rest)), constant_values=0xFF).reshape(-1)


@pytest.mark.parametrize(
    ("message", "parity", "count", "rest"), [(1024, 76, 16, 2), (2048, 150, 8, 9), (1024, 111, 4, 49)]
)
def test_codewords_in_line_are_known_by_their_sectors(message: int, parity: int, count: int, rest: int) -> None:
    named = page_sizes(in_line(message, parity, count, rest))
    assert named[0].page_bytes == count * (message + parity) + rest


def test_a_border_of_every_few_pages_is_no_codeword() -> None:
    data = np.random.default_rng(6).integers(0, 256, (300, 7 * 2137)).astype(np.uint8)
    data[:, 5000:5100] = 0
    assert page_sizes(data.reshape(-1)) == []


def test_a_keystream_leaves_nothing_to_see() -> None:
    data = dump_of(2048, 77)
    keystream = np.random.default_rng(2).integers(0, 256, len(data)).astype(np.uint8)
    assert page_sizes(data) != []
    assert page_sizes(np.bitwise_xor(data, keystream)) == []


def test_the_borders_of_erased_blocks_alone_name_no_size() -> None:
    """Blocks of 64 scrambled pages, every second erased: they end where a block begins, whatever the page is."""
    data = np.random.default_rng(3).integers(0, 256, (40, 64 * 2112)).astype(np.uint8)
    data[::2] = 0xFF
    assert page_sizes(data.reshape(-1)) == []


@pytest.mark.parametrize("unused", [40, 64])
def test_unused_columns_behind_a_scrambled_page_name_no_size(unused: int) -> None:
    """8832 bytes are a multiple of 128, and so are sizes that fit a quarter of such borders."""
    pages = np.random.default_rng(4).integers(0, 256, (1500, 8832)).astype(np.uint8)
    pages[:, -unused:] = 0xFF
    assert page_sizes(pages.reshape(-1)) == []


def test_unused_columns_behind_a_plain_page_do_no_harm() -> None:
    """The ends at sectors tell the page beside them."""
    spare = 128
    data = dump_of(4096, spare).reshape(-1, 4096 + spare)
    data[:, -40:] = 0xFF
    assert page_sizes(data.reshape(-1))[0].page_bytes == 4096 + spare


def test_the_border_of_blank_metadata_names_no_size_that_shares_a_factor_with_the_page() -> None:
    """7 of 8 ends at byte 2077 of 2446 lie at no sector of 8561 bytes, seven halves of it, and one in 8 does."""
    pages = dump_of(2048, 398).reshape(-1, 2446)
    pages[:, 2049:2077] = 0xFF
    assert page_sizes(pages.reshape(-1))[0].page_bytes == 2446
