"""The kernels of the recipe against twins that move one bit at a time."""

from typing import Any

import numpy as np
import numpy.typing as npt
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.recipe import kernels
from deadstick.recipe.gather import gather, moves_in_turn, table, turned
from deadstick.recipe.layout import Part, Span

SETTINGS = settings(max_examples=150, deadline=None, derandomize=True)
ROW_BYTES = 23
Rows = npt.NDArray[np.uint8]


def moved(source: Rows, spans: npt.NDArray[np.int64], target: Rows) -> Rows:
    """The readable twin of `move_bits`."""
    bits, out = np.unpackbits(source, axis=1), np.unpackbits(target, axis=1)
    for start, length, place in spans.tolist():
        out[:, place : place + length] = bits[:, start : start + length]
    return np.packbits(out, axis=1)


def view(pages: Rows, masks: Rows, index: npt.NDArray[np.int64], flip: int, reverse: bool) -> Rows:
    """The readable twin of the view in `move_bits_of_view`."""
    plain = pages ^ (masks[index] if len(masks) else np.uint8(0)) ^ np.uint8(flip)
    return (
        np.packbits(np.unpackbits(plain, axis=1).reshape(*plain.shape, 8)[:, :, ::-1], axis=2)[..., 0]
        if reverse
        else plain
    )


@st.composite
def span_tables(draw: st.DrawFn) -> npt.NDArray[np.int64]:
    """Disjoint targets; sources may overlap, as a kernel does not care."""
    edges = sorted(draw(st.sets(st.integers(0, 8 * ROW_BYTES), min_size=2, max_size=8)))
    rows = []
    for first, last in zip(edges[::2], edges[1::2], strict=False):
        start = draw(st.integers(0, 8 * ROW_BYTES - (last - first)))
        if draw(st.booleans()):
            start = start // 8 * 8 + first % 8 if start // 8 * 8 + first % 8 + last - first <= 8 * ROW_BYTES else start
        rows.append((start, last - first, first))
    return table(rows)


def rows(seed: int, count: int = 3) -> Rows:
    return np.random.default_rng(seed).integers(0, 256, (count, ROW_BYTES), dtype=np.uint8)


@SETTINGS
@given(span_tables(), st.integers(0, 999))
def test_move_bits_is_its_twin(spans: npt.NDArray[np.int64], seed: int) -> None:
    source, target = rows(seed), rows(seed + 1)
    expected = moved(source, spans, target)
    kernels.move_bits(source, spans, target)
    assert np.array_equal(target, expected)


@SETTINGS
@given(span_tables(), st.integers(0, 999), st.integers(0, 2), st.sampled_from([0, 255]), st.booleans())
def test_move_bits_of_view_is_its_twin(
    spans: npt.NDArray[np.int64], seed: int, masks: int, flip: int, reverse: bool
) -> None:
    pages, target, keys = rows(seed), rows(seed + 1), rows(seed + 2, masks)
    index = np.arange(3, dtype=np.int64) % max(masks, 1)
    expected = moved(view(pages, keys, index, flip, reverse), spans, target)
    scratch = np.empty(ROW_BYTES, np.uint8)
    kernels.move_bits_of_view(pages, keys, index, np.uint8(flip), reverse, spans, scratch, target)
    assert np.array_equal(target, expected)


@SETTINGS
@given(st.integers(0, 999))
def test_reverse_bits_is_its_twin(seed: int) -> None:
    values = rows(seed)
    expected = view(values, rows(0, 0), np.zeros(3, np.int64), 0, reverse=True)
    kernels.reverse_bits(values)
    assert np.array_equal(values, expected)


@SETTINGS
@given(span_tables(), st.integers(0, 999))
def test_turned_moves_undo_gather(spans: npt.NDArray[np.int64], seed: int) -> None:
    runs = [Span(Part.DATA, place, length) for _, length, place in spans.tolist()]
    pages: npt.NDArray[Any] = rows(seed)
    out = np.full((3, ROW_BYTES), 0xAA, np.uint8)
    gather(pages, runs, out)
    assert not np.unpackbits(out, axis=1)[:, sum(run.bits for run in runs) :].any()
    blank = np.zeros_like(pages)
    kernels.move_bits(out, turned(moves_in_turn(runs)), blank)
    assert np.array_equal(
        blank, moved(pages, table((run.start, run.bits, run.start) for run in runs), np.zeros_like(pages))
    )


def test_turned_moves_go_back() -> None:
    assert turned(table([(3, 5, 11)])).tolist() == [[11, 5, 3]]
    assert turned(table([])).shape == (0, 3)
