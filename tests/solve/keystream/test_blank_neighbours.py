"""Keystreams from pages between blank ones; copies of one page of data there show none."""

import numpy as np
import pytest

from deadstick.solve.keystream.blank_neighbours import with_blank_neighbours

COUNT, BYTES, BLOCK = 16, 1024, 64
STREAMS = np.random.default_rng(1).integers(0, 256, (COUNT, BYTES)).astype(np.uint8)
KNOWN = np.isin(np.arange(COUNT), [5, 6], invert=True)


def volume(blocks: int, seed: int = 2) -> np.ndarray:
    """`uint8[pages, BYTES]`: packed data, with blank pages from place 32 to 47 of each block."""
    data = np.random.default_rng(seed).integers(0, 256, (blocks * BLOCK, BYTES)).astype(np.uint8)
    data.reshape(blocks, BLOCK, BYTES)[:, 32:48] = 0
    return data


def solved(data: np.ndarray, rate: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    pages = np.arange(len(data))
    under = pages % COUNT
    rows = data ^ STREAMS[under]
    flips = np.random.default_rng(3).random((len(rows), 8 * BYTES)) < rate
    rows ^= np.packbits(flips, axis=1)
    return with_blank_neighbours(rows, pages, under, np.where(KNOWN[:, None], STREAMS, 0).astype(np.uint8), KNOWN)


@pytest.mark.parametrize("rate", [0.0, 1e-3])
def test_a_few_blank_pages_at_different_places_show_the_keystream(rate: float) -> None:
    streams, known = solved(volume(5), rate)
    assert known.all()
    wrong = np.bitwise_count(streams ^ STREAMS).sum()
    assert wrong <= (3 if rate else 0)


def test_copies_of_one_block_are_one_place() -> None:
    """Five copies: the pages between blank ones are equal, and may hold anything."""
    _, known = solved(np.tile(volume(1), (5, 1)))
    assert np.array_equal(known, KNOWN)


def test_copies_of_a_page_of_data_between_blank_ones_are_outvoted_by_none() -> None:
    """A block with four copies has a page of data among blank pages; two others, behind a full one, do not."""
    full = np.random.default_rng(6).integers(0, 256, (BLOCK, BYTES)).astype(np.uint8)
    data = np.concatenate([np.tile(volume(1, 4), (4, 1)), full, volume(2, 5)])
    for copy in range(4):
        data[copy * BLOCK + 37] = 7  # under keystream 5
    streams, known = solved(data)
    assert not known[5]
    assert known[6]
    assert np.array_equal(streams[6], STREAMS[6])


def test_copies_of_a_page_that_is_partly_blank_do_not_outvote_blank_ones() -> None:
    """Four copies of a page with data at its beginning against three blank ones at places of their own."""
    full = np.random.default_rng(6).integers(0, 256, (BLOCK, BYTES)).astype(np.uint8)
    data = np.concatenate([np.tile(volume(1, 4), (4, 1)), full, volume(3, 5)])
    for copy in range(4):
        data[copy * BLOCK + 37, : BYTES // 4] = full[0, : BYTES // 4]
    streams, known = solved(data)
    assert not known[5] or np.array_equal(streams[5], STREAMS[5])
    assert np.array_equal(streams[6], STREAMS[6])


def test_two_places_are_too_few() -> None:
    _, known = solved(volume(2))
    assert np.array_equal(known, KNOWN)


def test_zeros_behind_the_end_of_a_file_make_no_copy_of_a_blank_page() -> None:
    """Three places; where one of them has free space already, a file ends before another."""
    data = volume(3)
    data[24:32] = 0
    data[BLOCK + 31, BYTES * 2 // 5 :] = 0
    streams, known = solved(data)
    assert known.all()
    assert np.array_equal(streams, STREAMS)


def test_pages_before_one_that_holds_a_little_are_not_between_blank_ones() -> None:
    """Three places, and a fourth where a file begins that has zeros in its third page."""
    data = volume(4)
    begin = 3 * BLOCK + 37
    data[begin : begin + 2] = np.random.default_rng(7).integers(0, 256, (2, BYTES)).astype(np.uint8)
    data[begin + 2, 160:200] = 7
    streams, known = solved(data)
    assert known.all()
    assert np.array_equal(streams, STREAMS)


def test_copies_of_a_page_of_data_object_but_once() -> None:
    """Blank pages at five places, and three copies of a block in which a page between blank ones holds data."""
    data = np.concatenate([np.tile(volume(1, 4), (3, 1)), volume(5, 5)])
    for copy in range(3):
        data[copy * BLOCK + 37] = data[0]
    streams, known = solved(data)
    assert known.all()
    assert np.array_equal(streams, STREAMS)


def test_pages_of_data_at_two_places_object_twice() -> None:
    data = volume(7, 5)
    data[37], data[BLOCK + 37] = data[0], data[1]
    _, known = solved(data)
    assert not known[5]
    assert known[6]
