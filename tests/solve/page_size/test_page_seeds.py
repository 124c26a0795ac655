"""Seeds of pages: whether keystreams go on from part to part of a page, and after how many pages they come again."""

import numpy as np
import pytest

from deadstick.codes.lfsr import Lfsr
from deadstick.solve.page_size.page_seeds import PageSeeds
from deadstick.solve.register.register import find_hits, find_registers

POLYNOMIAL = 0x1002D  # x^16 + x^5 + x^3 + x^2 + 1, primitive


@pytest.mark.parametrize("runs_on", [False, True])
def test_parts_with_keystreams_of_their_own_are_told_from_halves(*, runs_on: bool) -> None:
    """The keystream of the second half is that of the first, which goes on behind the parity; or one of its own."""
    rng = np.random.default_rng(4)
    half, parity, keystreams, pages = 2112, 60, 24, 300
    register = Lfsr(POLYNOMIAL)
    seeds = rng.integers(1, 1 << 16, (keystreams, 2), dtype=np.uint64)
    if runs_on:
        seeds[:, 1] = register.advance(seeds[:, 0], 8 * (half - parity))
    streams = register.keystream(seeds.reshape(-1), half, "lsb")
    data = rng.integers(0, 256, (2 * pages, half), dtype=np.uint8)
    data[::3, 100:] = 0
    data[1::3, :1800] = 0
    scrambled = data ^ streams[np.arange(2 * pages) % (2 * keystreams)]
    scrambled[:, half - parity :] = rng.integers(0, 256, (2 * pages, parity), dtype=np.uint8)
    dump = scrambled.reshape(-1)
    (found,) = find_registers(dump)
    seen = PageSeeds.of(find_hits(dump, found), half, found)
    assert seen.is_apart
    assert seen.run_on(found, half, 2) == runs_on


def test_a_lag_that_few_pairs_of_pages_show_comes_behind_one_that_many_do() -> None:
    """Keystreams come again after 20 pages, but for some seeds misread; twelve far pages alone agree all."""
    pages, period = 1012, 20
    known = np.zeros((pages, 1), np.bool_)
    known[:120] = known[1000:] = True
    table = (np.arange(pages, dtype=np.uint64) % np.uint64(period))[:, None]
    table[100:104] += np.uint64(100)
    seeds = PageSeeds(table, known)
    assert seeds.share(46 * period) == 1.0
    assert seeds.share(period) == 0.96
    assert seeds.periods()[0] == period


def test_a_period_shows_by_its_multiples_where_few_pages_show_their_keystream() -> None:
    """Of 3000 packed pages 150 show a keystream: seven or so a period apart, and thirty by all its multiples."""
    pages, period = 3000, 256
    rng = np.random.default_rng(1)
    known = np.zeros((pages, 1), np.bool_)
    known[rng.choice(pages, 150, replace=False)] = True
    streams = rng.integers(1, 1 << 16, period, dtype=np.uint64)
    table = streams[np.arange(pages) % period][:, None]
    table[rng.choice(pages, pages // 20, replace=False)] += np.uint64(1)
    seeds = PageSeeds(table, known)
    assert seeds.share(period) == 0.0
    assert seeds.periods()[0] == period
    without = rng.integers(1, 1 << 16, (pages, 1), dtype=np.uint64)
    assert PageSeeds(without, known).periods() == ()
