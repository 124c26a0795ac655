"""Reed-Solomon codes: against their twin, against galois, and up to the bound with errors and erasures."""

import galois
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from other_code_twins import is_codeword

from deadstick.codes import gf2poly
from deadstick.codes.reed_solomon import Bytes, Padding, ReedSolomonCode

PADDINGS: tuple[Padding, ...] = ("front", "back", "gap")


@st.composite
def codes(draw: st.DrawFn) -> tuple[ReedSolomonCode, int]:
    """A code and a message length for it."""
    m = draw(st.integers(8, 10))
    polynomials = gf2poly.primitive_polynomials(m)
    t = draw(st.integers(1, 32))
    first_root = draw(st.one_of(st.sampled_from([0, 1]), st.integers(0, (1 << m) - 2)))
    padding: Padding = draw(st.sampled_from(PADDINGS))
    code = ReedSolomonCode(m, draw(st.sampled_from(polynomials)), t, first_root, padding)
    return code, draw(st.integers(1, min(512, (code.length - 2 * t) * m // 8)))


def codewords(code: ReedSolomonCode, message_bytes: int, count: int, noise: np.random.Generator) -> Bytes:
    message = noise.integers(0, 256, (count, message_bytes), dtype=np.uint8)
    return np.hstack([message, code.encode(message)])


def stored_bits(code: ReedSolomonCode, message_bytes: int) -> list[list[int]]:
    """The bits of a word that each symbol consists of."""
    bits, m = 8 * message_bytes, code.m
    lead = -bits % m if code.padding == "front" else 0
    symbols = [[i * m + k - lead for k in range(m) if 0 <= i * m + k - lead < bits] for i in range(-(-bits // m))]
    return symbols + [[bits + i * m + k for k in range(m)] for i in range(2 * code.t)]


def spoil(row: Bytes, bits: list[int], noise: np.random.Generator) -> None:
    """Flip at least one of the bits."""
    chosen = [bit for bit in bits if noise.random() < 0.5] or bits[:1]
    for bit in chosen:
        row[bit // 8] ^= 128 >> bit % 8


@given(codes(), st.integers(0, 2**31))
@settings(deadline=None, max_examples=40)
def test_parity_makes_codewords(case: tuple[ReedSolomonCode, int], seed: int) -> None:
    code, message_bytes = case
    words = codewords(code, message_bytes, 2, np.random.default_rng(seed))
    assert all(is_codeword(code, word.tobytes(), message_bytes) for word in words)
    assert not code.remainder(words, message_bytes).any()
    words[0, 0] ^= 1
    assert not is_codeword(code, words[0].tobytes(), message_bytes)
    assert code.remainder(words, message_bytes).any(axis=1).tolist() == [True, False]


@given(codes(), st.integers(0, 2**31))
@settings(deadline=None, max_examples=60)
def test_errors_and_erasures_up_to_the_bound(case: tuple[ReedSolomonCode, int], seed: int) -> None:
    code, message_bytes = case
    noise = np.random.default_rng(seed)
    sent = codewords(code, message_bytes, 12, noise)
    read, erased, wrong = damaged(code, message_bytes, sent, noise)
    decoded = code.decode(read, message_bytes, erasures=erased)
    assert np.array_equal(decoded.words, sent)
    assert decoded.errors.tolist() == wrong


def damaged(
    code: ReedSolomonCode, message_bytes: int, sent: Bytes, noise: np.random.Generator
) -> tuple[Bytes, NDArray[np.bool_], list[int]]:
    """Words with errors and erasures, twice the first and the second together no more than 2 t."""
    bits = stored_bits(code, message_bytes)
    read, erased, wrong = sent.copy(), np.zeros((len(sent), len(bits)), np.bool_), []
    for row, marks in zip(read, erased, strict=True):
        erasures = int(noise.integers(0, min(2 * code.t, len(bits)) + 1))
        most = min((2 * code.t - erasures) // 2, len(bits) - erasures)
        places = noise.permutation(len(bits))[: erasures + most]
        marks[places[:erasures]] = True
        # Half of the erased symbols are right all the same.
        spoilt = [place for place in places[:erasures] if noise.random() < 0.5] + list(places[erasures:])
        for place in spoilt:
            spoil(row, bits[place], noise)
        wrong.append(len(spoilt))
    return read, erased, wrong


@pytest.mark.parametrize(("m", "t", "padding"), [(8, 3, "front"), (9, 2, "back"), (10, 4, "gap"), (9, 4, "gap")])
def test_what_is_beyond_the_code_is_left_alone_or_becomes_another_codeword(m: int, t: int, padding: str) -> None:
    noise = np.random.default_rng(3)
    code = ReedSolomonCode(m, gf2poly.primitive_polynomials(m)[3], t, 1, padding)  # type: ignore[arg-type]  # parameter
    sent = codewords(code, 100, 400, noise)
    read, bits = sent.copy(), stored_bits(code, 100)
    for row in read:
        for place in noise.choice(len(bits), t + 2, replace=False):
            spoil(row, bits[place], noise)
    decoded = code.decode(read, 100)
    lost = decoded.errors < 0
    assert lost.sum() > 200
    assert np.array_equal(decoded.words[lost], read[lost])
    assert not code.remainder(decoded.words[~lost], 100).any()
    assert (decoded.errors[~lost] <= t).all()


def test_too_many_erasures_are_given_up() -> None:
    code = ReedSolomonCode(8, 0x11D, 2)
    word = np.zeros((1, 24), np.uint8)
    word[0, :5] = 7
    erased = np.zeros((1, 24), np.bool_)
    erased[0, :5] = True
    assert code.decode(word, 20, erasures=erased).errors.tolist() == [-1]
    erased[0, 4] = False
    word[0, 4] = 0
    assert code.decode(word, 20, erasures=erased).errors.tolist() == [4]


@pytest.mark.parametrize(
    ("m", "polynomial", "t", "first_root"), [(8, 0x187, 16, 112), (9, 0x211, 4, 1), (10, 0x409, 2, 510)]
)
def test_parity_is_that_of_galois(m: int, polynomial: int, t: int, first_root: int) -> None:
    """The last two are the codes of Linux lib/reed_solomon/test_rslib.c and of drivers/mtd/nand/raw/diskonchip.c."""
    field = galois.GF(2**m, irreducible_poly=galois.Poly.Int(polynomial), repr="int", compile="python-calculate")
    reference = galois.ReedSolomon(2**m - 1, 2**m - 1 - 2 * t, field=field, c=first_root)
    noise = np.random.default_rng(m)
    message_bytes = reference.k * m // 8
    code = ReedSolomonCode(m, polynomial, t, first_root)
    word = codewords(code, message_bytes, 1, noise)
    bits = np.unpackbits(word)
    message, parity = bits[: 8 * message_bytes], bits[8 * message_bytes :][: 2 * t * m]
    weights = 1 << np.arange(m - 1, -1, -1)
    symbols = np.pad(message, (-len(message) % m, 0)).reshape(-1, m) @ weights
    expected = np.array([int(value) for value in reference.encode(field(symbols))[-2 * t :]])
    assert np.array_equal(parity.reshape(-1, m) @ weights, expected)


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="no primitive polynomial"):
        ReedSolomonCode(8, 0x11B, 4)
    with pytest.raises(ValueError, match="t must be"):
        ReedSolomonCode(3, 0xB, 4)
    with pytest.raises(ValueError, match="first_root"):
        ReedSolomonCode(8, 0x11D, 4, 255)
    code = ReedSolomonCode(8, 0x11D, 4)
    with pytest.raises(ValueError, match="1 to 247 message bytes, not 248"):
        code.encode(np.zeros((1, 248), np.uint8))
    with pytest.raises(ValueError, match=r"10 \+ 8 bytes"):
        code.decode(np.zeros((1, 17), np.uint8), 10)
    with pytest.raises(ValueError, match="erasures"):
        code.decode(np.zeros((1, 18), np.uint8), 10, erasures=np.zeros((1, 3), np.bool_))
