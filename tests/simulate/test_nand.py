import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.flash.erased import erased_pages
from deadstick.flash.geometry import Geometry
from deadstick.simulate.nand import add_bit_errors, as_blocks, erase_blocks, spoil_blocks

CHIP = Geometry(page_data=512, page_spare=16, pages_per_block=8, blocks=12)


def noise(size: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    return np.random.default_rng(0).integers(0, 256, size, dtype=np.uint8)


@settings(deadline=None, max_examples=80)
@given(
    size=st.integers(0, 3000),
    block_bytes=st.integers(1, 1000),
    rate=st.floats(0, 0.5),
    spread=st.floats(0, 2),
    seed=st.integers(0, 2**32),
)
def test_the_flips_reported_are_the_flips_made(
    size: int, block_bytes: int, rate: float, spread: float, seed: int
) -> None:
    before = noise(size)
    after = before.copy()
    flips = add_bit_errors(after, rate, seed, spread=spread, block_bytes=block_bytes)
    changed = np.bitwise_count(before ^ after)
    starts = np.arange(0, size, block_bytes)
    assert flips.tolist() == [int(changed[start : start + block_bytes].sum()) for start in starts]
    again = before.copy()
    add_bit_errors(again, rate, seed, spread=spread, block_bytes=block_bytes)
    assert (again == after).all()


def test_the_mean_rate_is_kept_under_a_spread() -> None:
    array = np.zeros(4_000_000, np.uint8)
    flips = add_bit_errors(array, 1e-3, 3, spread=0.5, block_bytes=4000)
    assert flips.sum() / (8 * array.size) == pytest.approx(1e-3, rel=0.06)  # 3 sigma of 1000 log-normal blocks
    # Relative standard deviation of a log-normal: sqrt(exp(s^2) - 1) = 0.533; counting adds 1/sqrt(32).
    assert flips.std() / flips.mean() == pytest.approx(np.hypot(0.533, 32**-0.5), rel=0.12)


def test_bits_of_a_byte_are_hit_alike() -> None:
    array = np.zeros(1_000_000, np.uint8)
    total = add_bit_errors(array, 5e-3, 4).sum()
    hits = np.unpackbits(array).reshape(-1, 8).sum(axis=0)
    # Chi-square with 7 degrees of freedom exceeds 26 with probability 5e-4.
    assert ((hits - total / 8) ** 2 / (total / 8)).sum() < 26


@pytest.mark.parametrize(
    ("array", "rate", "words"),
    [
        (np.zeros(8, np.uint8), -0.1, "rate from 0"),
        (np.zeros(8, np.uint8), 0.6, "rate from 0"),
        (np.zeros((2, 8), np.uint8), 0.1, "contiguous"),
        (np.zeros(8, np.uint8)[::2], 0.1, "contiguous"),
    ],
)
def test_wrong_calls_say_what_is_wrong(
    array: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], rate: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        add_bit_errors(array, rate, 1)


def test_erased_and_bad_blocks() -> None:
    dump = noise(CHIP.total_bytes)
    erase_blocks(dump, CHIP, [3, 5])
    spoil_blocks(dump, CHIP, [1, 7, 8, 9], seed=2)
    blocks = as_blocks(dump, CHIP)
    erased = [bool(erased_pages(block).all()) for block in blocks]
    assert [number for number, verdict in enumerate(erased) if verdict] == [3, 5]
    assert (blocks[[1, 7, 8, 9], 0, 512] == 0).all()
    untouched = noise(CHIP.total_bytes).reshape(blocks.shape)
    for number in (0, 2, 4, 6, 10, 11):
        assert (blocks[number] == untouched[number]).all()


def test_a_dump_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="has 100 bytes"):
        as_blocks(np.zeros(100, np.uint8), CHIP)
