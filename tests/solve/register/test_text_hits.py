"""The state of a register from the highest bits of text."""

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import BitOrder
from deadstick.solve.register.register import Register
from deadstick.solve.register.text_hits import find_text_hits


@pytest.mark.parametrize("order", ["lsb", "msb"])
@pytest.mark.parametrize("characteristic", [0x8003, (1 << 36) | (1 << 11) | 1])
def test_text_shows_the_register_by_its_highest_bits(order: BitOrder, characteristic: int) -> None:
    rng = np.random.default_rng(3)
    stream = Lfsr(characteristic).keystream(np.array([12345], np.uint64), 2000, order)[0]
    data = rng.integers(0, 256, 5000, np.uint8)
    data[1000:3000] = rng.integers(32, 127, 2000, np.uint8) ^ stream
    hits = find_text_hits(data, Register(characteristic, order, 9, 9))
    assert len(hits.positions) >= 6
    assert ((hits.positions >= 1000) & (hits.positions < 3000)).all()
    steps = [8 * (position - 1000) for position in hits.positions.tolist()]
    assert hits.states.tolist() == [Lfsr(characteristic).advance(12345, step) for step in steps]


LINE = b"At low water the sands are bare as far as the second beacon; mind the soft ground west of it.\n"


@pytest.mark.parametrize("order", ["lsb", "msb"])
def test_text_shows_states_that_its_highest_bits_do_not_tell_apart(order: BitOrder) -> None:
    """With the factor x + 1 twice, 0x55 may be added to all bytes of the output, or to none."""
    characteristic = gf2poly.multiply((1 << 36) | (1 << 11) | 1, 0b101)
    rng = np.random.default_rng(3)
    stream = Lfsr(characteristic).keystream(np.array([12345], np.uint64), 2000, order)[0]
    data = rng.integers(0, 256, 5000, np.uint8)
    data[1000:3000] = np.resize(np.frombuffer(LINE, np.uint8), 2000) ^ stream
    hits = find_text_hits(data, Register(characteristic, order, 9, 9))
    assert len(hits.positions) >= 6
    steps = [8 * (position - 1000) for position in hits.positions.tolist()]
    assert hits.states.tolist() == [Lfsr(characteristic).advance(12345, step) for step in steps]


def test_a_table_of_numbers_does_not_tell_which_state_it_was() -> None:
    characteristic = gf2poly.multiply((1 << 36) | (1 << 11) | 1, 0b101)
    stream = Lfsr(characteristic).keystream(np.array([12345], np.uint64), 3000, "lsb")[0]
    numbers = b"".join(b"%d;%d.%d\n" % (17 * k % 101, k * k % 37, k % 10) for k in range(600))[:3000]
    ruled = np.resize(np.frombuffer(b"=" * 78 + b"\n", np.uint8), 3000)
    for table in (np.frombuffer(numbers, np.uint8), ruled):
        assert not len(find_text_hits(table ^ stream, Register(characteristic, "lsb", 9, 9)).positions)


def huffman_table() -> np.ndarray:
    """The values of a table for pictures as most hold them: rows of bytes from 81h on (ITU-T T.81, table K.5)."""
    rows = [*range(0x82, 0x8B)]
    for tens in range(0x90, 0x100, 0x10):
        rows += [*range(tens + 2, tens + 11)] if tens < 0xE0 else [*range(tens + 1, tens + 11)]
    return np.array(rows, np.uint8)


@pytest.mark.parametrize("characteristic", [(1 << 27) | 0b100111, gf2poly.multiply((1 << 27) | 0b100111, 0b11)])
def test_rows_of_bytes_with_the_highest_bit_set_are_no_text_under_the_complement(characteristic: int) -> None:
    """Whether the register's output is added or its complement, the code cannot tell before the ECC."""
    register = Register(characteristic, "msb", 9, 9)
    stream = Lfsr(characteristic).keystream(np.array([12345], np.uint64), 3000, "msb")[0]
    data = np.random.default_rng(3).integers(0, 256, 3000, np.uint8)
    data[500 : 500 + len(huffman_table())] = huffman_table()
    told = find_text_hits(data ^ stream, register, complement=None)
    assert len(told.positions)  # as far as the highest bits tell
    assert not len(find_text_hits(data ^ stream, register, complement=None, by_words=True).positions)


@pytest.mark.parametrize("ones", [False, True])
def test_words_tell_whether_text_is_inverted(ones: bool) -> None:
    characteristic = (1 << 27) | 0b100111
    stream = Lfsr(characteristic).keystream(np.array([12345], np.uint64), 2000, "msb")[0]
    text = np.resize(np.frombuffer(LINE, np.uint8), 2000) ^ np.uint8(0xFF * ones)
    hits = find_text_hits(text ^ stream, Register(characteristic, "msb", 9, 9), complement=None, by_words=True)
    assert len(hits.positions) >= 6
    assert (hits.ones == ones).all()
