"""Keystreams under which nothing is blank, from what data of known kinds look like."""

import numpy as np
import pytest

from deadstick.solve.keystream.likely_streams import with_likely_streams
from deadstick.solve.keystream.likely_streams_kernels import count_between, score_streams
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.stored_keystreams import find_table

COUNT, TURNS, COLUMNS, FILE = 12, 96, 128, 30
WORDS = b"reed bed lapwing harrier seen at noon by the old gate water low wind south heron curlew".split()


def file_of(kind: int, rng: np.random.Generator) -> np.ndarray:
    """Pages of text, of samples of sound, or of packed data: `uint8[FILE, COLUMNS]`."""
    size = FILE * COLUMNS
    if kind == 0:
        text = b" ".join(WORDS[word] for word in rng.integers(0, len(WORDS), size))
        return np.frombuffer(text[:size], np.uint8).reshape(FILE, COLUMNS)
    if kind == 1:
        return rng.normal(0, 1500, size // 2).astype("<i2").view(np.uint8).reshape(FILE, COLUMNS)
    return rng.integers(0, 256, (FILE, COLUMNS), np.uint8)


def pages_under(
    seed: int, kinds: tuple[int, ...] = (0, 0, 1, 2)
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Scrambled pages, the keystream of each, the keystreams, and which are known: half of them."""
    rng = np.random.default_rng(seed)
    count = COUNT * TURNS
    plain = np.concatenate([file_of(kinds[file % len(kinds)], rng) for file in range(-(-count // FILE))])[:count]
    streams = rng.integers(0, 256, (COUNT, COLUMNS), np.uint8)
    under = np.arange(count) % COUNT
    return plain ^ streams[under], under, streams, np.arange(COUNT) % 4 < 2


def test_keystreams_under_which_nothing_is_blank_are_told_by_kinds_of_data() -> None:
    rows, under, streams, known = pages_under(1)
    found, told = with_likely_streams(rows, under, streams * known[:, None], known)
    assert told.all()
    assert np.array_equal(found, streams)


def test_a_table_whose_free_space_lies_under_half_of_the_keystreams_is_read_whole() -> None:
    rows, under, streams, known = pages_under(2)
    bare = known[under] & (np.arange(len(rows)) // COUNT % 8 == 0)
    rows[bare] = streams[under[bare]]
    rule = Schedule(COUNT, 1, 0, 0, len(rows), len(rows))
    table = find_table(rows, np.arange(len(rows)), 0, rule=rule, exact=True)
    assert table is not None
    assert table.known.all()
    assert np.array_equal(table.streams, streams)


def test_packed_data_tell_nothing() -> None:
    rows, under, streams, known = pages_under(3, kinds=(2,))
    _, told = with_likely_streams(rows, under, streams * known[:, None], known)
    assert np.array_equal(told, known)


def test_of_few_pages_no_byte_is_taken_that_is_not_sure() -> None:
    rows, under, streams, known = pages_under(4, kinds=(0, 2, 2, 2))
    few = slice(0, COUNT * TURNS // 3)
    found, told = with_likely_streams(rows[few], under[few], streams * known[:, None], known)
    assert not told.all()
    assert np.array_equal(found[told], streams[told])


def test_known_keystreams_that_do_not_come_back_as_they_were_refute_the_others() -> None:
    rows, under, streams, known = pages_under(5)
    wrong = streams.copy()
    wrong[np.flatnonzero(known)[0], 40] ^= 0x20
    _, told = with_likely_streams(rows, under, wrong * known[:, None], known)
    assert np.array_equal(told, known)


def test_bytes_are_counted_beside_the_two_next_to_them() -> None:
    between = np.zeros((3 << 16, 256), np.uint16)
    count_between(np.array([[7, 1, 2, 3], [9, 1, 2, 9]], np.uint8), between)
    wanted = {(0, 7, 2, 1): 1, (0, 1, 3, 2): 1, (0, 9, 2, 1): 1, (0, 1, 9, 2): 1}
    wanted |= {(1, 1, 2, 7): 1, (1, 2, 3, 1): 1, (1, 1, 2, 9): 1, (1, 2, 9, 1): 1}
    wanted |= {(2, 7, 1, 2): 1, (2, 9, 1, 2): 1, (2, 1, 2, 3): 1, (2, 1, 2, 9): 1}
    places = np.argwhere(between.reshape(3, 256, 256, 256))
    assert {tuple(place): int(between.reshape(3, 256, 256, 256)[tuple(place)]) for place in places.tolist()} == wanted


@pytest.mark.parametrize("turns", [0, 3])
def test_the_kernel_is_the_formula(turns: int) -> None:
    rng = np.random.default_rng(6)
    rows, stream = rng.integers(0, 256, (20, 9), np.uint8), rng.integers(0, 256, 9, np.uint8)
    near = rng.dirichlet(np.ones(256), (20, 2))
    keys, between = rng.integers(0, 5, (20, 9)), rng.integers(0, 4, (5, 256)).astype(np.uint16)
    totals, weights, scores = between.sum(axis=1) + 1.0, rng.dirichlet(np.ones(4), 20), np.zeros((9, 256))
    telling = rng.random((20, 9)) < 0.8
    wanted = formula(rows, stream, near, keys, telling, between, weights, turns)
    score_streams(rows, stream, near, keys, telling, between, totals, weights, turns, scores)
    assert np.allclose(scores, wanted)


def formula(
    rows: np.ndarray,
    stream: np.ndarray,
    near: np.ndarray,
    keys: np.ndarray,
    telling: np.ndarray,
    between: np.ndarray,
    weights: np.ndarray,
    turns: int,
) -> np.ndarray:
    """What `score_streams` adds, guess by guess."""
    plain, columns = rows ^ stream, np.arange(rows.shape[1])
    scores = np.zeros((len(columns), 256))
    for row, read in enumerate(rows):
        likely = np.empty((len(columns), 256, 4))
        for column in columns:
            others = plain[row][(columns % 2 == column % 2) & (columns != column)]
            beside = near[row, column % 2]
            own = np.bincount(others, minlength=256) + 1 / 256
            pair = between[keys[row, column]] + beside
            likely[column] = np.stack([np.full(256, 1 / 256), beside, own / own.sum(), pair / pair.sum()], axis=1)
        weight = weights[row]
        for _ in range(turns):
            shares = weight * likely[columns, plain[row]]
            new = 1 + (shares / shares.sum(axis=1, keepdims=True)).sum(axis=0)
            weight = new / new.sum()
        bytes_of = np.arange(256) ^ read[:, None]
        scores += np.log((likely @ weight)[columns[:, None], bytes_of]) * telling[row][:, None]
    return scores
