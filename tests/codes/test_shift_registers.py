"""Shift registers and Berlekamp-Massey against their bit-serial twins."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import BitOrder, Lfsr, berlekamp_massey, linear_complexities
from deadstick.codes.reference import shift_register_bits

registers = st.integers(min_value=4, max_value=2**65 - 1)
orders = st.sampled_from(["lsb", "msb"])


def unpack(data: np.ndarray, bit_order: BitOrder) -> np.ndarray:
    return np.unpackbits(data, axis=-1, bitorder="little" if bit_order == "lsb" else "big")


@given(registers, st.integers(0, 2**64 - 1), st.integers(0, 600), orders)
@settings(deadline=None, max_examples=80)
def test_keystream_is_that_of_the_register(polynomial: int, state: int, length: int, bit_order: BitOrder) -> None:
    register = Lfsr(polynomial)
    states = np.array([state & ((1 << register.width) - 1), 1], np.uint64)
    stream = unpack(register.keystream(states, length, bit_order), bit_order)
    for row, start in zip(stream, states, strict=True):
        assert row.tolist() == shift_register_bits(polynomial, int(start), 8 * length)


@given(registers, st.integers(1, 2**64 - 1), st.integers(0, 2**70))
@settings(deadline=None, max_examples=80)
def test_jumps_add_up_and_undo(polynomial: int, state: int, steps: int) -> None:
    register = Lfsr(polynomial | 1)
    state &= (1 << register.width) - 1
    ahead = register.advance(state, steps)
    assert register.advance(ahead, -steps) == state
    assert register.advance(ahead, 77) == register.advance(state, steps + 77)
    bits = shift_register_bits(register.polynomial, state, 77 + register.width)
    assert register.advance(state, 77) == sum(b << i for i, b in enumerate(bits[77:]))


def test_a_register_that_forgets_cannot_go_back() -> None:
    with pytest.raises(ValueError, match="run backwards"):
        Lfsr(0b1010).advance(1, -1)
    with pytest.raises(ValueError, match="does not fit"):
        Lfsr(0b1011).keystream(np.array([8], np.uint64), 1)
    with pytest.raises(ValueError, match="2 to 64"):
        Lfsr(0b11)
    with pytest.raises(ValueError, match="bit_order"):
        Lfsr(0b1011).keystream(np.array([1], np.uint64), 1, "big")  # type: ignore[arg-type]


def test_period_of_every_state_divides_the_order() -> None:
    register = Lfsr(gf2poly.multiply(0b111, 0b1011))
    period = register.period()
    assert period == 21
    assert all(register.advance(s, period) == s for s in range(32))
    assert min(k for k in range(1, 22) if register.advance(1, k) == 1) == period


@given(registers.filter(lambda p: p & 1), st.integers(1, 2**64 - 1), orders)
@settings(deadline=None, max_examples=60)
def test_massey_finds_the_register_from_twice_its_length(polynomial: int, state: int, bit_order: BitOrder) -> None:
    register = Lfsr(polynomial)
    state = state & ((1 << register.width) - 1) or 1
    stream = register.keystream(np.array([state], np.uint64), 48, bit_order)
    found, complexity = berlekamp_massey(unpack(stream, bit_order)[0])
    assert complexity <= register.width
    assert gf2poly.remainder(polynomial, found) == 0  # the shortest register divides every other one
    many, polynomials = linear_complexities(stream, bit_order, 64)
    assert many.tolist() == [complexity]
    assert int(polynomials[0]) == found & (2**64 - 1)


@given(st.binary(min_size=0, max_size=48), st.integers(1, 64), orders)
@settings(deadline=None, max_examples=200)
def test_batch_agrees_with_the_twin_on_any_bits(data: bytes, limit: int, bit_order: BitOrder) -> None:
    window = np.frombuffer(data, np.uint8)[None]
    found, complexity = berlekamp_massey(unpack(window, bit_order)[0])
    many, polynomials = linear_complexities(window, bit_order, limit)
    if complexity > limit:
        assert (int(many[0]), int(polynomials[0])) == (limit + 1, 0)
    else:
        assert (int(many[0]), int(polynomials[0])) == (complexity, found & (2**64 - 1))


def test_sparse_windows_have_their_textbook_complexities() -> None:
    # n - 1 zeros and a one: complexity n (Massey 1969); all zero: 0; alternating: 2.
    window = np.zeros((3, 8), np.uint8)
    window[0, 7] = 1
    window[1] = 0x55
    complexities, polynomials = linear_complexities(window, "msb", 64)
    assert complexities.tolist() == [64, 2, 0]
    assert polynomials.tolist()[1:] == [0b101, 1]
    with pytest.raises(ValueError, match="limit"):
        linear_complexities(window, "msb", 65)
