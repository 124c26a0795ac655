"""Votes on a keystream where beginnings of files are as frequent as zeros."""

import numpy as np
import pytest

from deadstick.solve.keystream.stream_votes import may_be_heads, supported_stream, voted_stream

COLUMNS = 2048
NEED = 5
HEAD = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + np.random.default_rng(8).bytes(612)
"""A head of 623 bytes, all alike but for what follows."""


def rows_of(zeros: int, heads: int, start: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Packed data under a keystream, some pages zero from somewhere on, some with a head at a column; the keystream."""
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, (zeros + heads + 40, COLUMNS), np.uint8)
    for row in range(zeros):
        data[row, rng.integers(0, 500) if row > zeros // 2 else 0 :] = 0
    for row in range(zeros, zeros + heads):
        head = np.frombuffer(HEAD, np.uint8)[: COLUMNS - start]
        data[row, start : start + len(head)] = head
        data[row, max(0, start - 200) : start] = 0
    stream = rng.integers(0, 256, COLUMNS, np.uint8)
    return data ^ stream, stream


@pytest.mark.parametrize("start", [0, 512, 1024])
@pytest.mark.parametrize("heads", [4, 7, 12])
def test_heads_within_a_page_never_become_a_keystream(start: int, heads: int) -> None:
    rows, stream = rows_of(8, heads, start)
    found = supported_stream(rows, NEED)
    assert found is None or np.array_equal(found[0], stream)


def test_zeros_that_outnumber_heads_are_the_keystream() -> None:
    rows, stream = rows_of(20, 3, 512)
    found = supported_stream(rows, NEED)
    assert found is not None
    assert np.array_equal(found[0], stream)


def test_a_head_that_the_end_of_the_page_cuts_off_is_not_taken_for_zeros() -> None:
    rows, stream = rows_of(8, 20, COLUMNS - 512)
    wrong = stream.copy()
    wrong[-512:] ^= np.frombuffer(HEAD, np.uint8)[:512]
    assert may_be_heads(rows, wrong)
    assert supported_stream(rows, NEED) is None


def test_several_kinds_of_files_tell_zeros_from_heads() -> None:
    rows, stream = rows_of(8, 6, COLUMNS - 512)
    assert may_be_heads(rows, stream)
    for row, signature in ((20, b"PK\x03\x04"), (21, b"%PDF-1.4")):
        value = np.frombuffer(signature, np.uint8)
        rows[row, -512 : -512 + len(value)] = value ^ stream[-512 : -512 + len(value)]
    assert not may_be_heads(rows, stream)


def test_sectors_of_two_codewords_are_no_keystream_of_either() -> None:
    rng = np.random.default_rng(2)
    data = rng.integers(1, 256, (40, COLUMNS), np.uint8)
    data[:8, COLUMNS // 4 : -COLUMNS // 4] = 0
    assert voted_stream(data ^ rng.integers(0, 256, COLUMNS, np.uint8), 2, NEED) is None


@pytest.mark.parametrize("blank", [(0, 1, 2, 3), (0, 1), (1, 2)])
def test_a_keystream_that_starts_anew_is_seen_where_every_codeword_shows_every_sector(blank: tuple[int, ...]) -> None:
    rng = np.random.default_rng(3)
    data = rng.integers(1, 256, (40, 4, COLUMNS // 4), np.uint8)
    data[:3, list(blank)] = 0
    data[3:6, [sector for sector in range(4) if sector not in blank]] = 0
    piece = rng.integers(0, 256, COLUMNS // 2, np.uint8)
    found = voted_stream(data.reshape(40, COLUMNS) ^ np.tile(piece, 2), 2, NEED)
    assert found is not None
    assert np.array_equal(found[0], np.tile(piece, 2))
