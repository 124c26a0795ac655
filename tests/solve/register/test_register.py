"""A shift register is found where there is one, and nowhere else."""

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import BitOrder
from deadstick.solve.register.register import Register, find_hits, find_registers, with_known

# P. Alfke, Xilinx XAPP052 (1996), table 3: maximal-length taps 15,14; 32,22,2,1; 63,62, as characteristic polynomials.
TAPS = {15: (15, 14), 32: (32, 22, 2, 1), 63: (63, 62)}

LONGEST_TAPS = (64, 63, 61, 60)
"""Of the same table."""


def test_a_register_that_gives_complements_is_found_whole() -> None:
    """Under (x + 1)^2 q the complement of every output is an output, too, and no register is left without a factor."""
    polynomial = gf2poly.multiply(gf2poly.multiply(0b11, 0b11), 0x1002D)
    rng = np.random.default_rng(4)
    seeds = rng.integers(1, 1 << 18, 64, dtype=np.uint64)
    streams = Lfsr(polynomial).keystream(seeds, 512, "lsb")
    streams[::2] ^= 0xFF
    found = find_registers(streams.reshape(-1))
    assert found[0].polynomial == polynomial


def test_a_register_comes_before_what_it_gives_under_half_of_its_seeds() -> None:
    """Under (x + 1)^2 q some seeds give the output of q or its complement alone, and q is seen more often."""
    polynomial = gf2poly.multiply(0b101, 0x1002D)
    rng = np.random.default_rng(4)
    bare = Lfsr(0x1002D).keystream(rng.integers(1, 1 << 16, 40, dtype=np.uint64), 512, "lsb")
    whole = Lfsr(polynomial).keystream(rng.integers(1, 1 << 18, 48, dtype=np.uint64), 512, "lsb")
    found = find_registers(np.concatenate([bare, whole]).reshape(-1))
    assert [register.polynomial for register in found[:2]] == [polynomial, 0x1002D]
    few = find_registers(np.concatenate([bare, whole[:8]]).reshape(-1))
    assert few[0].polynomial == 0x1002D


@pytest.mark.parametrize("factor", [0b11, 0b111])
def test_a_register_comes_before_what_it_gives_without_a_short_factor(factor: int) -> None:
    """Under (x + 1)^3 q and (x + 1)^2 (x^2 + x + 1) q many seeds give what the rest of the polynomial gives."""
    rest = gf2poly.multiply(0b101, 0x1002D)
    polynomial = gf2poly.multiply(factor, rest)
    rng = np.random.default_rng(5)
    bare = Lfsr(rest).keystream(rng.integers(1, 1 << 18, 48, dtype=np.uint64), 512, "msb")
    whole = Lfsr(polynomial).keystream(rng.integers(1, 1 << 19, 48, dtype=np.uint64), 512, "msb")
    found = find_registers(np.concatenate([bare, whole]).reshape(-1))
    assert [register.polynomial for register in found[:2]] == [polynomial, rest]
    few = find_registers(np.concatenate([bare, whole[:4]]).reshape(-1))
    assert few[0].polynomial == rest


def polynomial(taps: tuple[int, ...]) -> int:
    return sum(1 << tap for tap in taps) | 1


@pytest.mark.parametrize("width", TAPS)
@pytest.mark.parametrize("order", ["lsb", "msb"])
def test_register_of_the_tap_table_shows_in_free_space(width: int, order: str) -> None:
    rng = np.random.default_rng(width)
    data = rng.integers(0, 256, 60_000, np.uint8)
    stream = Lfsr(polynomial(TAPS[width])).keystream(np.array([9], np.uint64), 60_000, order)[0]  # type: ignore[arg-type]
    data[20_000:24_000] = stream[20_000:24_000]
    data[40_000:42_000] = ~stream[40_000:42_000]
    found = find_registers(data)
    assert [(register.polynomial, register.bit_order) for register in found] == [(polynomial(TAPS[width]), order)]
    assert found[0].log10_chance < -100
    hits = find_hits(data, found[0])
    assert {int(position) // 1000 for position in hits.positions} == {20, 21, 22, 23, 40, 41}
    assert hits.ones[hits.positions > 39_000].all()
    assert not hits.ones[hits.positions < 39_000].any()


@pytest.mark.parametrize("order", ["lsb", "msb"])
def test_the_longest_register_shows_where_all_its_output_is_complemented(order: BitOrder) -> None:
    """The complement of 64 stages takes 65; data under a code of unknown inversion are mostly complements."""
    longest = polynomial(LONGEST_TAPS)
    data = np.random.default_rng(64).integers(0, 256, 60_000, np.uint8)
    stream = Lfsr(longest).keystream(np.array([9], np.uint64), 2_000, order)[0]
    data[20_000:22_000] = ~stream
    found = find_registers(data)
    assert [(register.polynomial, register.bit_order) for register in found] == [(longest, order)]
    hits = find_hits(data, found[0])
    assert {int(position) // 1000 for position in hits.positions} == {20, 21}
    assert hits.ones.all()


def test_noise_and_repeating_data_have_no_register() -> None:
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 256, 100_000, np.uint8)
    assert find_registers(noise) == ()
    for period in (1, 2, 3, 4, 7, 8, 12, 24):
        assert find_registers(np.tile(rng.integers(0, 256, period, np.uint8), 60_000 // period)) == ()


def test_text_has_no_register() -> None:
    line = b"2031-04-17 06:40; wind SW 4; sea slight; lamp trimmed; nothing to report.\n"
    assert find_registers(np.frombuffer(line * 900, np.uint8)) == ()


def test_short_data_has_no_register() -> None:
    assert find_registers(np.zeros(10, np.uint8)) == ()


def test_plain_data_are_no_output_of_a_register_that_gives_constants() -> None:
    register = Register(gf2poly.multiply(0x8003, 0b101), "lsb", 10, 100)
    assert register.has_complements
    data = np.random.default_rng(3).integers(0, 256, 4096, np.uint8)
    data[512:1024], data[1024:1536], data[1536:2048] = 0xFF, 0x55, 0x00
    stream = Lfsr(register.polynomial).keystream(np.array([12345], np.uint64), 512, "lsb")[0]
    data[3000:3512] = stream
    assert {int(position) // 512 for position in find_hits(data, register).positions} == {5, 6}


def test_a_known_register_needs_one_place_where_an_unknown_one_needs_several() -> None:
    known = polynomial(TAPS[32])
    order: BitOrder = "msb"
    data = np.random.default_rng(7).integers(0, 256, 60_000, np.uint8)
    stream = Lfsr(known).keystream(np.array([9], np.uint64), 200, order)[0]
    data[20_010:20_030] = stream[10:30]
    assert find_registers(data) == ()
    assert with_known(data, (), None) == ()
    assert with_known(data, (), polynomial(TAPS[63])) == ()  # it shows nowhere
    found = with_known(data, (), known)
    assert [(register.polynomial, register.bit_order) for register in found] == [(known, order)]
    data[30_000:35_000] = Lfsr(polynomial(TAPS[15])).keystream(np.array([5], np.uint64), 5_000, "lsb")[0]
    seen = find_registers(data)
    assert [register.polynomial for register in seen] == [polynomial(TAPS[15])]
    assert [register.polynomial for register in with_known(data, seen, known)] == [known, polynomial(TAPS[15])]
    assert with_known(data, seen, polynomial(TAPS[15])) == seen
