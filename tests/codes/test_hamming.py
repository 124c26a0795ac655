"""The Hamming code of row and column parities: its kernel against the kernel's document, and what it can bear."""

from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from other_code_twins import linux_hamming

from deadstick.codes.hamming import HammingCode

SIZES: tuple[Literal[256, 512], ...] = (256, 512)


def codewords(size: Literal[256, 512], count: int, seed: int) -> NDArray[np.uint8]:
    message = np.random.default_rng(seed).integers(0, 256, (count, size), dtype=np.uint8)
    return np.hstack([message, HammingCode(size).encode(message)])


def flipped(words: NDArray[np.uint8], bits: NDArray[np.int64]) -> NDArray[np.uint8]:
    """The words with the bits of one row of `bits` flipped in each."""
    read = words.copy()
    for row, places in zip(read, bits, strict=True):
        np.bitwise_xor.at(row, places // 8, (128 >> places % 8).astype(np.uint8))
    return read


@given(st.sampled_from(SIZES), st.integers(0, 2**31), st.sampled_from([2, 17, 256]))
@settings(deadline=None, max_examples=30)
def test_parities_are_those_of_the_document(size: Literal[256, 512], seed: int, below: int) -> None:
    message = np.random.default_rng(seed).integers(0, below, (3, size), dtype=np.uint8)
    assert HammingCode(size).encode(message).tolist() == [linux_hamming(row.tobytes()) for row in message]


@pytest.mark.parametrize("size", SIZES)
def test_every_single_error_is_corrected(size: Literal[256, 512]) -> None:
    code = HammingCode(size)
    bits = np.arange(8 * size + code.parity_bits)
    sent = np.repeat(codewords(size, 1, 1), len(bits), axis=0)
    decoded = code.decode(flipped(sent, bits[:, None]), size)
    assert (decoded.errors == 1).all()
    assert np.array_equal(decoded.words, sent)


@pytest.mark.parametrize("size", SIZES)
def test_two_errors_are_seen_and_left_alone(size: Literal[256, 512]) -> None:
    code, noise = HammingCode(size), np.random.default_rng(2)
    total = 8 * size + code.parity_bits
    first = noise.integers(0, total, 3000)
    # Parity bits are few, so half of the pairs have one on purpose.
    second = np.where(noise.random(3000) < 0.5, noise.integers(8 * size, total, 3000), noise.integers(0, total, 3000))
    bits = np.column_stack([first, second])[first != second]
    read = flipped(codewords(size, len(bits), 3), bits)
    decoded = code.decode(read, size)
    assert (decoded.errors == -1).all()
    assert np.array_equal(decoded.words, read)


@pytest.mark.parametrize("size", SIZES)
def test_three_errors_in_the_message_always_look_like_one(size: Literal[256, 512]) -> None:
    """Why a correction by this code is never taken for granted; see `rebuild.double_errors`."""
    noise = np.random.default_rng(4)
    bits = np.array([noise.choice(8 * size, 3, replace=False) for _ in range(500)])
    sent = codewords(size, 500, 5)
    decoded = HammingCode(size).decode(flipped(sent, bits), size)
    assert (decoded.errors == 1).all()
    assert (decoded.words[:, :size] != sent[:, :size]).any(axis=1).all()


def test_bits_that_are_not_used_do_not_count() -> None:
    word = codewords(256, 1, 6)
    word[0, -1] |= 3
    assert HammingCode(256).decode(word, 256).errors.tolist() == [0]
    assert not HammingCode(256).remainder(word, 256).any()


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="256 or 512"):
        HammingCode(1024)  # type: ignore[arg-type]  # the wrong call under test
    code = HammingCode(256)
    with pytest.raises(ValueError, match="shape"):
        code.encode(np.zeros((1, 255), np.uint8))
    with pytest.raises(ValueError, match="takes 256 message bytes, not 512"):
        code.decode(np.zeros((1, 515), np.uint8), 512)
    with pytest.raises(ValueError, match="shape"):
        code.decode(np.zeros((1, 260), np.uint8), 256)
