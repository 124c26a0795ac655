"""Which page has which keystream, where the code alone tells."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.scrambler.code_schedule import schedule_by_code

LAYOUT = spare_groups(1024 + 64, 2, 512, 2, 26)
PLAIN = Recipe(1, LAYOUT, Code(13, 0x201B, 16))
PER_BLOCK, BLOCKS = 64, 20


def dump(count: int, page_step: int, block_step: int, rate: float) -> np.ndarray:
    """Random data, of which no two bytes are told to be equal."""
    rng = np.random.default_rng(count)
    keystreams = StoredKeystreams(tuple(rng.bytes(LAYOUT.page_bytes) for _ in range(count)))
    scrambler = Scrambler("after_ecc", "page", keystreams, frozenset(Part), page_step, block_step)
    recipe = Recipe(PER_BLOCK, LAYOUT, PLAIN.code, scrambler)
    pages = PER_BLOCK * BLOCKS
    data, metadata = (rng.integers(0, 256, (pages, size), np.uint8) for size in (1024, 4))
    raw = recipe.encode(data, metadata, np.arange(pages))
    return raw ^ np.packbits(rng.random((pages, 8 * raw.shape[1]), np.float32) < rate, axis=1)


@pytest.mark.parametrize("rate", [0.0, 1e-3])
@pytest.mark.parametrize(("count", "page_step", "block_step"), [(12, 1, 3), (16, 4, 15), (22, 7, 15), (17, 2, 7)])
def test_pages_that_share_a_keystream_do_so_under_the_rule(
    count: int, page_step: int, block_step: int, rate: float
) -> None:
    raw = dump(count, page_step, block_step, rate)
    raw[3 * PER_BLOCK : 4 * PER_BLOCK] = raw[0] ^ 0x5A  # a trial block
    pages = np.flatnonzero(np.arange(len(raw)) // PER_BLOCK != 7)  # one block is erased
    rule = schedule_by_code(PLAIN, raw[pages], pages, PER_BLOCK * count)
    assert rule is not None
    block, place = np.divmod(pages, PER_BLOCK)
    block, place, pages = (each[block != 3] for each in (block, place, pages))
    true = (page_step * place + block_step * block) % count
    pairs = set(zip(true.tolist(), rule.index(pages).tolist(), strict=True))
    assert len(pairs) == rule.count == count


def test_random_pages_share_nothing() -> None:
    raw = np.random.default_rng(5).integers(0, 256, (640, LAYOUT.page_bytes), np.uint8)
    assert schedule_by_code(PLAIN, raw, np.arange(640), 0) is None
    assert schedule_by_code(PLAIN, raw, np.arange(640), 48) is None
