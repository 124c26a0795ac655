"""The kernels of the decoding test against readable twins, and against the BCH decoder."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes.bch import BchCode
from deadstick.codes.field import Field
from deadstick.solve.codeword.field_rows import SLACK, FieldRows, FieldTables
from deadstick.solve.codeword.syndrome_kernels import syndrome_prefixes

POLYNOMIAL = 0x201B
FIELD = Field(13, POLYNOMIAL)
TABLES = FieldTables(POLYNOMIAL)
ORDER = (1 << 13) - 1


def power(exponent: int) -> int:
    return int(TABLES.exp[exponent % ORDER])


def syndrome(bits: np.ndarray, exponent: int) -> int:
    """Sum over the bits of bit * alpha^(-exponent * position), one bit at a time."""
    total = 0
    for position in np.flatnonzero(bits).tolist():
        total ^= power(-exponent * position)
    return total


@settings(max_examples=20, deadline=None)
@given(st.binary(min_size=3, max_size=12), st.integers(1, 5))
def test_prefix_sums_are_sums_bit_by_bit(row: bytes, depth: int) -> None:
    rows = np.frombuffer(row, np.uint8)[None].copy()
    out = np.empty((1, rows.shape[1] + 1, depth), np.uint16)
    syndrome_prefixes(rows, 13, TABLES.exp, TABLES.log, np.empty(256, np.int32), out)
    bits = np.unpackbits(rows[0])
    for column in range(rows.shape[1] + 1):
        for k in range(depth):
            assert out[0, column, k] == syndrome(bits[: 8 * column], 2 * k + 1)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 7), st.booleans())
def test_a_place_decodes_as_the_bch_decoder_says(seed: int, errors: int, complement: bool) -> None:
    # A code of t = 8 with 8 odd syndromes: words of up to 8 - SLACK errors must show, with their number.
    code = BchCode(13, POLYNOMIAL, 8)
    rng = np.random.default_rng(seed)
    message = rng.integers(0, 256, (1, 512), np.uint8)
    word = np.hstack([message, code.encode(message)])
    for bit in rng.choice(8 * word.shape[1], errors, replace=False).tolist():
        word[0, bit // 8] ^= 0x80 >> bit % 8
    assert int(code.decode(word, 512).errors[0]) == errors
    row = np.hstack([~word if complement else word, rng.integers(0, 256, (1, 9), np.uint8)])
    place = np.array([(512, 0, 0, 13, 13)], np.int64)
    counts, found = FieldRows.of(TABLES, row, 8).counts(512, place, 2)
    shown = errors <= 8 - SLACK
    assert counts[int(complement), 0, 0] == shown
    assert found[int(complement), 0, 0] == (errors if shown else 0)
    assert counts[1 - int(complement), 0, 0] == 0


def test_unrelated_rows_decode_about_never() -> None:
    rng = np.random.default_rng(3)
    rows = rng.integers(0, 256, (40, 560), np.uint8)
    places = np.array([(512 + first, 0, 0, 4, 40) for first in range(8)], np.int64)
    counts, _ = FieldRows.of(TABLES, rows, 6).counts(512, places, 2)
    # 23,680 words at about 6 * 2^-26 each: less than one in four hundred runs would show even one.
    assert counts.sum() == 0


def test_field_tables_are_those_of_the_field() -> None:
    assert FIELD.m == TABLES.m == 13
    assert int(TABLES.exp[1]) == 2
    assert int(TABLES.exp[13]) == POLYNOMIAL ^ (1 << 13)
