"""One page of a system-on-chip's NAND controller, from published constants to stored bytes and back.

The layout, the code and the randomizer are those of the Linux driver drivers/mtd/nand/raw/sunxi_nand.c (also U-Boot's
copy of it): 1024 data and 4 metadata bytes per codeword, bits taken least significant first, m = 14 with primitive
polynomial 0x5803, then a 15-bit register that is reloaded at every codeword. The parity bytes were computed with
bchlib, a wrapper of the Linux kernel's lib/bch.c, and the keystreams with the driver's bit loop, both outside this
project's code.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler

SEEDS = (0x2B75, 0x0BD0, 0x5CA3, 0x62D1)
"""The driver's first page seeds."""
KEYSTREAMS = {0x2B75: "cf7ed4205f58383a92932dadddbd99b1", 0x0BD0: "380e92846da36db9edb2cdb595b72f36"}
# t, parity bytes, first eight, last four: of bytes(range(256)) * 4 + FFFFFFFF.
PARITY = [
    (16, 28, "6f465b71e0f0d0b2", "46ebb5f4"),
    (24, 42, "084bfe2f6f23f24f", "6feee217"),
    (28, 50, "14d591c1f3b82cc9", "5c5d043b"),
    (32, 56, "e83637fab237ef97", "d6e67357"),
    (40, 70, "a65423b81ac5e0de", "f33d62da"),
    (48, 84, "a8c5dbb146d0a3b4", "366f068b"),
    (56, 98, "21af01423ff91b02", "5002d646"),
    (60, 106, "76f8e6c42acfc145", "30e3f28d"),
    (64, 112, "7b3a7cd2d8a51e4b", "c0addb0a"),
]
MESSAGE = np.frombuffer(bytes(range(256)) * 4, np.uint8)


def state_after_load(seed: int) -> int:
    """The driver steps the register 15 times before it takes the first byte."""
    for _ in range(15):
        seed = seed >> 1 | ((seed ^ seed >> 1) & 1) << 14
    return seed


RULE = LfsrKeystreams(0b1000_0000_0000_0011, tuple(state_after_load(seed) for seed in SEEDS))


def controller(t: int, parity: int, *, scrambled: bool = True) -> Recipe:
    """Two codewords a page; `parity` is even, as the controller pads the parity to whole 16-bit words."""
    layout = spare_groups(2048 + 2 * (4 + parity), 2, 1024, 4, -(-14 * t // 8), stride=4 + parity)
    code = Code(14, 0x5803, t, bit_order="lsb")
    return Recipe(128, layout, code, Scrambler("after_ecc", "codeword", RULE) if scrambled else None)


def content(recipe: Recipe, pages: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    return np.tile(MESSAGE, (pages, 2)), np.full((pages, recipe.layout.metadata_bytes), 0xFF, np.uint8)


@pytest.mark.parametrize(("t", "parity", "start", "end"), PARITY)
def test_stored_parity(t: int, parity: int, start: str, end: str) -> None:
    recipe = controller(t, parity, scrambled=False)
    raw = recipe.encode(*content(recipe, 1), np.zeros(1, np.int64), filler=0)
    for codeword in range(2):
        column = 2048 + codeword * (4 + parity) + 4
        stored = raw[0, column : column + -(-14 * t // 8)].tobytes().hex()
        assert stored.startswith(start)
        assert stored.endswith(end)


def test_keystreams() -> None:
    table = RULE.table(16)
    for row, seed in enumerate(SEEDS[:2]):
        assert table[row].tobytes().hex() == KEYSTREAMS[seed]


def test_the_whole_chain_and_back() -> None:
    recipe, plain = controller(40, 70), controller(40, 70, scrambled=False)
    pages = np.arange(8, dtype=np.int64)
    data, metadata = content(recipe, 8)
    raw = recipe.encode(data, metadata, pages)
    key = raw ^ plain.encode(data, metadata, pages)
    for page in range(8):
        seed = SEEDS[page % 4]
        for codeword in range(2):
            # One stream runs over data, metadata and parity of a codeword, and starts anew at the next one.
            column = 2048 + codeword * 74
            stream = np.concatenate([key[page, 1024 * codeword :][:1024], key[page, column : column + 74]])
            if seed in KEYSTREAMS:
                assert stream[:16].tobytes().hex() == KEYSTREAMS[seed]
            assert stream.tobytes() == RULE.table(1098)[page % 4].tobytes()
    noise = np.random.default_rng(3)
    for codeword in range(2):
        places = noise.choice(1024, 40, replace=False)
        raw[:, 1024 * codeword + places] ^= 0x20
    decoded = recipe.decode(raw, pages)
    assert (decoded.errors == 40).all()
    assert np.array_equal(decoded.data, data)
    assert np.array_equal(decoded.metadata, metadata)


def test_the_stream_covers_every_part() -> None:
    scrambler = controller(40, 70).scrambler
    assert scrambler is not None
    assert scrambler.covers == frozenset(Part)
