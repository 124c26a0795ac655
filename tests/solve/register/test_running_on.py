"""Parts of a page whose keystream goes on, and pages with keystreams of their own."""

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.solve.page_size.restarts import candidates_by_register
from deadstick.solve.register.register import Register, find_registers
from deadstick.solve.register.running_on import Neighbours, are_parts, most_going_on

LFSR = Lfsr(0x1002D)  # x^16 + x^5 + x^3 + x^2 + 1, primitive
REGISTER = Register(0x1002D, "lsb", 1, 1)
PART, PARITY = 2112, 60


def _pairs_of_seeds(keystreams: int, *, goes_on: bool) -> NDArray[np.uint64]:
    """`uint64[keystreams, 2]`: of two parts; the second keystream goes on behind the first's parity, or is its own."""
    seeds = np.random.default_rng(4).integers(1, 1 << 16, (keystreams, 2), dtype=np.uint64)
    if goes_on:
        seeds[:, 1] = LFSR.advance(seeds[:, 0], 8 * (PART - PARITY))
    return seeds


@pytest.mark.parametrize("goes_on", [False, True])
def test_a_part_over_whose_border_the_keystream_goes_on_is_no_page(*, goes_on: bool) -> None:
    """Parity in the middle of a page, which the register leaves out, looks like a border."""
    parts = 600
    rng = np.random.default_rng(4)
    streams = LFSR.keystream(_pairs_of_seeds(40, goes_on=goes_on).reshape(-1), PART, "lsb")
    data = rng.integers(0, 256, (parts, PART), dtype=np.uint8)
    data[::3, 100:] = 0
    data[1::3, :1800] = 0
    dump = data ^ streams[np.arange(parts) % len(streams)]
    dump[:, PART - PARITY :] = rng.integers(0, 256, (parts, PARITY), dtype=np.uint8)
    sizes = [item.page_bytes for item in candidates_by_register(dump.reshape(-1), find_registers(dump.reshape(-1)))]
    assert sizes[0] == (2 * PART if goes_on else PART)
    assert (PART in sizes) != goes_on


@pytest.mark.parametrize(("keystreams", "told"), [(24, True), (4, False)])
def test_few_keystreams_tell_nothing(keystreams: int, *, told: bool) -> None:
    seeds = _pairs_of_seeds(keystreams, goes_on=True).reshape(-1)
    table = seeds[np.arange(240) % len(seeds)][:, None]
    assert are_parts(table, np.ones(table.shape, np.bool_), PART, 2, REGISTER) == told


def test_a_keystream_that_goes_on_over_every_border_makes_no_parts() -> None:
    """Pages under one keystream that never starts anew, as those of a running register."""
    table = np.array([1], np.uint64)
    for _ in range(199):
        table = np.append(table, LFSR.advance(table[-1:], 8 * (PART - PARITY)))
    known = np.ones((200, 1), np.bool_)
    assert most_going_on(Neighbours(table[:-1], table[1:]), PART, REGISTER) == 199
    assert not are_parts(table[:, None], known, PART, 2, REGISTER)


def test_misread_states_hide_no_part() -> None:
    seeds = _pairs_of_seeds(24, goes_on=True).reshape(-1)
    table = seeds[np.arange(480) % len(seeds)][:, None]
    rng = np.random.default_rng(6)
    table[rng.choice(480, 24, replace=False)] = rng.integers(1, 1 << 16, (24, 1), dtype=np.uint64)
    known = rng.random(table.shape) < 0.7
    assert are_parts(table, known, PART, 2, REGISTER)
