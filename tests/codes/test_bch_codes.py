"""BCH codes: what every code must do, and the kernels against their textbook twin."""

import numpy as np
import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from deadstick.codes import affine, carryless, gf2poly, matrix_tables, tables
from deadstick.codes.bch import BchCode, Bytes, bit_reverse
from deadstick.codes.field import Field
from deadstick.codes.kernels import folding
from deadstick.codes.kernels import remainder as slicing
from deadstick.codes.reference import BchReference


@st.composite
def codes(draw: st.DrawFn, largest_m: int = 16, most_t: int = 100) -> BchCode:
    m = draw(st.integers(4, largest_m))
    polynomials = gf2poly.primitive_polynomials(m)
    polynomial = polynomials[draw(st.integers(0, len(polynomials) - 1))]
    first_root = draw(st.sampled_from([1, 1, 1, 0, 2, 3])) % (2**m - 1)
    t = draw(st.integers(1, min(most_t, (2**m - 10) // (2 * m) + 1)))
    while t > 0:
        try:
            code = BchCode(m, polynomial, t, first_root)
        except ValueError:
            t -= 1
            continue
        if code.length - code.parity_bits >= 8:
            return code
        t -= 1
    return reject()  # no code with a message byte


def random_words(code: BchCode, words: int, message_bytes: int, seed: int) -> Bytes:
    message = np.random.default_rng(seed).integers(0, 256, (words, message_bytes), dtype=np.uint8)
    return np.hstack([message, code.encode(message)])


def damage(code: BchCode, words: Bytes, counts: list[int], message_bytes: int, seed: int) -> Bytes:
    """Flip counts[i] different bits of message and parity in row i."""
    random = np.random.default_rng(seed)
    damaged = words.copy()
    for row, count in zip(damaged, counts, strict=True):
        bits = random.choice(8 * message_bytes + code.parity_bits, count, replace=False)
        np.bitwise_xor.at(row, bits // 8, (128 >> bits % 8).astype(np.uint8))
    return damaged


def some_message_bytes(code: BchCode, choice: int) -> int:
    return 1 + choice % ((code.length - code.parity_bits) // 8)


@given(codes(), st.integers(0, 2**31))
@settings(deadline=None, max_examples=80)
def test_decoding_undoes_up_to_t_errors(code: BchCode, seed: int) -> None:
    message_bytes = some_message_bytes(code, seed)
    counts = [i % (min(code.t, 8 * message_bytes) + 1) for i in [*range(12), code.t]]
    sent = random_words(code, len(counts), message_bytes, seed)
    assert not code.remainder(sent, message_bytes).any()
    received = damage(code, sent, counts, message_bytes, seed)
    as_given = received.copy()
    decoded = code.decode(received, message_bytes)
    assert decoded.errors.tolist() == counts
    assert np.array_equal(decoded.words, sent)
    assert np.array_equal(received, as_given)


@given(codes(), st.integers(0, 2**31))
@settings(deadline=None, max_examples=60)
def test_too_many_errors_end_in_a_codeword_or_change_nothing(code: BchCode, seed: int) -> None:
    message_bytes = some_message_bytes(code, seed)
    bits = 8 * message_bytes + code.parity_bits
    counts = [min(bits, code.t + 1 + i) for i in range(20)]
    received = damage(code, random_words(code, 20, message_bytes, seed), counts, message_bytes, seed)
    decoded = code.decode(received, message_bytes)
    changed = np.unpackbits(decoded.words ^ received, axis=1).sum(axis=1)
    good = decoded.errors >= 0
    assert not code.remainder(decoded.words[good], message_bytes).any()
    assert np.array_equal(changed, np.where(good, decoded.errors, 0))
    assert decoded.errors.max() <= code.t


@given(codes(largest_m=9, most_t=12), st.integers(0, 2**31))
@settings(deadline=None, max_examples=40)
def test_kernels_agree_with_the_textbook(code: BchCode, seed: int) -> None:
    twin = BchReference(code)
    message_bytes = min(some_message_bytes(code, seed), 40)
    counts = [min(i, 8 * message_bytes) for i in range(code.t + 3)]
    sent = random_words(code, len(counts), message_bytes, seed)
    for row in sent:
        assert twin.encode(row[:message_bytes].tobytes()) == row[message_bytes:].tobytes()
    received = damage(code, sent, counts, message_bytes, seed)
    decoded = code.decode(received, message_bytes)
    expected = [twin.decode(row.tobytes()) for row in received]
    assert decoded.errors.tolist() == [errors for _, errors in expected]
    assert [row.tobytes() for row in decoded.words] == [word for word, _ in expected]


@given(codes(largest_m=5, most_t=3))
@settings(deadline=None, max_examples=15)
def test_every_single_and_double_error_of_a_short_code(code: BchCode) -> None:
    message_bytes = 1
    bits = 8 + code.parity_bits
    pairs = [(i, j) for i in range(bits) for j in range(i, bits)]
    received = np.zeros((len(pairs), 1 + code.parity_bytes), np.uint8)
    for row, pair in zip(received, pairs, strict=True):
        for bit in set(pair):
            row[bit // 8] ^= 128 >> bit % 8
    decoded = code.decode(received, message_bytes)
    twin = [BchReference(code).decode(row.tobytes()) for row in received]
    assert decoded.errors.tolist() == [errors for _, errors in twin]
    for pair, errors in zip(pairs, decoded.errors, strict=True):
        if len(set(pair)) <= code.t:
            assert errors == len(set(pair))


@pytest.mark.skipif(not carryless.PAIRS, reason="this CPU has no carry-less multiplication")
@given(codes(), st.integers(0, 2**31), st.booleans())
@settings(deadline=None, max_examples=60)
def test_both_ways_to_a_remainder_agree(code: BchCode, seed: int, with_parity: bool) -> None:
    message_bytes = some_message_bytes(code, seed)
    random = np.random.default_rng(seed)
    words = random.integers(0, 256, (5, message_bytes + code.parity_bytes), dtype=np.uint8)
    size = tables.register_words(code.parity_bits)
    by_table, by_product = np.empty((2, 5, size), np.uint64)
    shape = (words, message_bytes, code.parity_bits, with_parity)
    slicing.registers(*shape, tables.slicing_table(code.generator), by_table)
    folding.registers(*shape, *tables.folding_constants(code.generator, message_bytes), by_product)
    assert np.array_equal(by_table, by_product)
    whole = [int.from_bytes(row.tobytes(), "big") for row in words]
    pad = 8 * code.parity_bytes - code.parity_bits
    for value, row in zip(whole, by_table.astype(">u8"), strict=True):
        received = value >> pad if with_parity else value >> (8 * code.parity_bytes) << code.parity_bits
        expected = gf2poly.remainder(received, code.generator) << (64 * size - code.parity_bits)
        assert int.from_bytes(row.tobytes(), "big") == expected


@pytest.mark.skipif(not affine.VECTOR_BITS, reason="this CPU does not multiply by bit matrices")
@given(codes(), st.integers(0, 2**31))
@settings(deadline=None, max_examples=60)
def test_both_decoders_agree(code: BchCode, seed: int) -> None:
    message_bytes = some_message_bytes(code, seed)
    bits = 8 * message_bytes + code.parity_bits
    counts = [min(bits, i) for i in (*range(8), code.t // 2, code.t - 1, code.t, code.t + 1, 2 * code.t, bits // 2)]
    received = damage(code, random_words(code, len(counts), message_bytes, seed), counts, message_bytes, seed)
    by_matrices = code.decode(received, message_bytes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(affine, "VECTOR_BITS", 0)
        by_tables = code.decode(received, message_bytes)
    assert by_matrices.errors.tolist() == by_tables.errors.tolist()
    assert np.array_equal(by_matrices.words, by_tables.words)


@pytest.mark.skipif(not affine.VECTOR_BITS, reason="this CPU does not multiply by bit matrices")
@pytest.mark.parametrize(("m", "t"), [(4, 2), (8, 9), (13, 40), (16, 100)])
def test_bit_matrices_multiply(m: int, t: int) -> None:
    field = Field(m, gf2poly.primitive_polynomials(m)[0])
    low, high = matrix_tables.matrices(field, t).multipliers.reshape(2, 256, 2, 2)
    random = np.random.default_rng(m)
    for c, x in random.integers(0, 2**m, (50, 2)).tolist():
        matrices = low[c & 255] ^ high[c >> 8]  # by the textbook: row i of a matrix is output bit i
        product = 0
        for i in range(16):
            rows = [int(matrices[i // 8, part]) >> 8 * (7 - i % 8) & 255 for part in range(2)]
            product |= ((rows[0] & x).bit_count() + (rows[1] & x >> 8).bit_count()) % 2 << i
        assert product == field.multiply(c, x)


def test_a_cpu_without_carryless_multiplication_decodes_too(monkeypatch: pytest.MonkeyPatch) -> None:
    code = BchCode(13, 0x201B, 8)
    sent = random_words(code, 9, 512, 3)
    received = damage(code, sent, list(range(9)), 512, 4)
    monkeypatch.setattr(carryless, "PAIRS", 0)
    monkeypatch.setattr(affine, "VECTOR_BITS", 0)
    assert np.array_equal(code.encode(sent[:, :512]), sent[:, 512:])
    decoded = code.decode(received, 512)
    assert decoded.errors.tolist() == list(range(9))
    assert np.array_equal(decoded.words, sent)


def test_errors_in_front_of_a_shortened_word_are_refused() -> None:
    # The remainder of a single error at a position that the shortened word does not have.
    code = BchCode(5, 0x25, 2)
    for position in range(8 + code.parity_bits, code.length):
        left = gf2poly.remainder(1 << position, code.generator)
        pad = 8 * code.parity_bytes - code.parity_bits
        word = np.frombuffer((left << pad).to_bytes(1 + code.parity_bytes, "big"), np.uint8)[None]
        decoded = code.decode(word, 1)
        assert decoded.errors.tolist() == [-1]
        assert np.array_equal(decoded.words, word)


def test_pad_bits_do_not_count_and_stay() -> None:
    code = BchCode(5, 0x25, 2)  # 10 parity bits, 6 pad bits
    word = random_words(code, 1, 2, 1)
    word[0, -1] |= 0x2A
    received = word.copy()
    received[0, 0] ^= 0x40
    decoded = code.decode(received, 2)
    assert decoded.errors.tolist() == [1]
    assert np.array_equal(decoded.words, word)


def test_decoding_in_place_and_into_another_array() -> None:
    code = BchCode(13, 0x201B, 4)
    sent = random_words(code, 2000, 64, 5)
    received = damage(code, sent, [i % 5 for i in range(2000)], 64, 6)
    other = np.empty_like(received)
    assert code.decode(received, 64, out=other).words is other
    assert np.array_equal(other, sent)
    assert code.decode(received, 64, out=received).words is received
    assert np.array_equal(received, sent)
    with pytest.raises(ValueError, match="out must be"):
        code.decode(received, 64, out=other[:, ::-1])


def test_no_words_are_no_trouble() -> None:
    code = BchCode(13, 0x201B, 4)
    decoded = code.decode(np.empty((0, 71), np.uint8), 64)
    assert decoded.errors.shape == (0,)
    assert code.encode(np.empty((0, 64), np.uint8)).shape == (0, 7)


def test_wrong_calls_say_what_is_wrong() -> None:
    code = BchCode(13, 0x201B, 8)
    with pytest.raises(ValueError, match=r"512 \+ 13 bytes in this code, not 524"):
        code.decode(np.zeros((1, 524), np.uint8), 512)
    with pytest.raises(ValueError, match="1 to 1010 message bytes, not 1011"):
        code.encode(np.zeros((1, 1011), np.uint8))
    with pytest.raises(ValueError, match="two axes"):
        code.decode(np.zeros(525, np.uint8), 512)
    for arguments, words in (
        ((13, 0x201B, 101), "t must be"),
        ((4, 0x13, 8), "no message bit"),
        ((13, 0x201C, 8), "no primitive"),
        ((13, 0x201B, 8, 8191), "first_root"),
    ):
        with pytest.raises(ValueError, match=words):
            BchCode(*arguments)


def test_bits_in_opposite_order() -> None:
    data = np.arange(256, dtype=np.uint8)
    assert [f"{b:08b}" for b in bit_reverse(data)] == [f"{b:08b}"[::-1] for b in data]
    assert np.array_equal(bit_reverse(bit_reverse(data)), data)
