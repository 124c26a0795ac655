"""Keystreams that were added to data and metadata before the code saw them."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, StoredKeystreams
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.scrambler.coded_pages import Reread, Unscrambled
from deadstick.solve.scrambler.scrambler_before_code import before_code

BLOCK, BLOCKS, COUNT, SECTOR = 16, 40, 8, 512
DATA, METADATA, PARITY = 1024, 17, 7
PAGES = np.arange(BLOCK * BLOCKS)
CODE = Code(14, 0x402B, 4)


def layout(*, metadata_first: bool) -> PageLayout:
    """Two codewords in line, the first with metadata."""
    parts = [(Part.METADATA, METADATA), (Part.DATA, DATA)]
    first, second = parts if metadata_first else parts[::-1]
    words, column = [], 0
    for message in ((first, second), ((Part.DATA, DATA),)):
        spans = []
        for part, size in (*message, (Part.PARITY, PARITY)):
            spans.append(Span.of_bytes(part, column, size))
            column += size
        words.append(Codeword(tuple(spans[:-1]), (spans[-1],)))
    return PageLayout(column, tuple(words))


def controller(*, metadata_first: bool, count: int = COUNT) -> Recipe:
    rng = np.random.default_rng(1)
    streams = tuple(rng.bytes(DATA + METADATA) for _ in range(count))
    scrambler = Scrambler("before_ecc", "codeword", StoredKeystreams(streams), frozenset({Part.DATA, Part.METADATA}))
    return Recipe(BLOCK, layout(metadata_first=metadata_first), CODE, scrambler)


def contents(blank: float = 1 / 6) -> tuple[np.ndarray, np.ndarray]:
    """Packed data, every sixth sector of which is blank, and metadata that number blocks."""
    rng = np.random.default_rng(2)
    data = rng.integers(0, 256, (len(PAGES), 2 * DATA // SECTOR, SECTOR), np.uint8)
    data[rng.random(data.shape[:2]) < blank] = 0
    metadata = np.full((len(PAGES), METADATA), 0xA5, np.uint8)
    metadata[:, 3] = rng.permutation(BLOCKS)[PAGES // BLOCK]
    return data.reshape(len(PAGES), -1), metadata


def solved(true: Recipe, *, metadata_first: bool) -> tuple[Unscrambled, np.ndarray]:
    """The scrambler from pages whose parts were taken to lie in some order, and the pages."""
    raw = true.encode(*contents(), PAGES)
    read = Reread(Survey(raw.reshape(-1), true.layout.page_bytes), layout(metadata_first=metadata_first), CODE, 0)
    found = before_code(read, Unscrambled(Recipe(1, read.layout, CODE), len(raw), len(raw)))
    assert found is not None
    return found, raw


def test_metadata_before_the_data_show_once_a_table_of_keystreams_is_off() -> None:
    true = controller(metadata_first=True)
    found, raw = solved(true, metadata_first=False)
    assert found.recipe.layout == true.layout
    assert found.derived == 0
    assert (found.recipe.decode(raw, PAGES).data == contents()[0]).all()


def test_metadata_behind_the_data_stay_there() -> None:
    true = controller(metadata_first=False)
    found, raw = solved(true, metadata_first=False)
    assert found.recipe.layout == true.layout
    assert (found.recipe.decode(raw, PAGES).data == contents()[0]).all()


def test_an_order_that_is_right_is_not_turned() -> None:
    true = controller(metadata_first=True)
    found, _ = solved(true, metadata_first=True)
    assert found.recipe.layout == true.layout


def test_metadata_before_the_data_show_where_each_block_has_its_own() -> None:
    """Nothing ties metadata under keystreams that go by block, but those under one of them are alike."""
    true = controller(metadata_first=True, count=19)
    assert true.scrambler is not None
    true = replace(true, scrambler=replace(true.scrambler, page_step=0, block_step=1))
    rng = np.random.default_rng(4)
    data = contents(0)[0]
    data[rng.random(len(data)) < 0.5] = 0
    metadata = rng.integers(0, 256, (BLOCKS, METADATA), np.uint8)[PAGES // BLOCK]
    raw = true.encode(data, metadata, PAGES)
    read = Reread(Survey(raw.reshape(-1), true.layout.page_bytes), layout(metadata_first=False), CODE, 0)
    found = before_code(read, Unscrambled(Recipe(1, read.layout, CODE), len(raw), len(raw)))
    assert found is not None
    assert found.recipe.layout == true.layout
    assert found.derived == 0
    assert (found.recipe.decode(raw, PAGES).data == data).all()


# P. Alfke, Xilinx XAPP052 (1996), table 3: taps 64, 63, 61, 60.
LONGEST = 1 << 64 | 1 << 63 | 1 << 61 | 1 << 60 | 1


def longest_register() -> Recipe:
    """The controller with the longest register, and one seed for all pages of a block."""
    seeds = np.random.default_rng(3).integers(1, 1 << 63, COUNT, dtype=np.uint64)
    covers = frozenset({Part.DATA, Part.METADATA})
    scrambler = Scrambler("before_ecc", "page", LfsrKeystreams(LONGEST, tuple(seeds.tolist())), covers, 0, 1)
    return replace(controller(metadata_first=False), scrambler=scrambler)


def found_under(true: Recipe, data: np.ndarray) -> Unscrambled | None:
    raw = true.encode(data, contents()[1], PAGES)
    read = Reread(Survey(raw.reshape(-1), true.layout.page_bytes), true.layout, CODE, 0)
    return before_code(read, Unscrambled(Recipe(1, true.layout, CODE), len(raw), len(raw)))


def test_the_longest_register_is_found_where_the_code_gives_complements() -> None:
    """The code cannot tell whether it is inverted, so free space may come out as the complement of the output."""
    true = longest_register()
    found = found_under(true, contents()[0] ^ 0xFF)
    assert found is not None
    assert found.register is not None
    assert (found.register.polynomial, found.derived) == (LONGEST, 0)


def test_the_longest_register_cannot_give_complements_as_well() -> None:
    """That takes a stage more than a recipe can hold: no register is claimed."""
    true = longest_register()
    data, turned = contents()[0], PAGES // BLOCK % 2 == 0
    data[turned] ^= 0xFF
    found = found_under(true, data)
    assert found is None or found.register is None


@pytest.mark.parametrize("hidden", [0, 1])
def test_an_order_that_shows_no_keystream_does_not_stand_in_the_way_of_one_that_does(hidden: int) -> None:
    """Each block has eight of 32 keystreams for itself, so that no metadata are clear under all of them.

    Numbers of blocks that are taken for data leave no keystream to be seen. In the right order all are, or all but one
    under which no page is blank.
    """
    rng = np.random.default_rng(4)
    true = controller(metadata_first=True)
    streams = StoredKeystreams(tuple(rng.bytes(DATA + METADATA) for _ in range(4 * COUNT)))
    covers = frozenset({Part.DATA, Part.METADATA})
    scrambler = Scrambler("before_ecc", "codeword", streams, covers, 4, 1)
    true = replace(true, scrambler=scrambler)
    metadata = contents()[1]
    data = rng.integers(0, 256, (len(PAGES), 2 * DATA), np.uint8)
    blank = rng.random((len(PAGES), 2 * DATA // SECTOR)) < 1 / 2
    blank[scrambler.index(PAGES, BLOCK) < hidden] = False
    data.reshape(len(PAGES), -1, SECTOR)[blank] = 0
    raw = true.encode(data, metadata, PAGES)
    read = Reread(Survey(raw.reshape(-1), true.layout.page_bytes), layout(metadata_first=False), CODE, 0)
    found = before_code(read, Unscrambled(Recipe(1, read.layout, CODE), len(raw), len(raw)))
    assert found is not None
    assert found.recipe.layout == true.layout
    assert found.derived == hidden
    known = scrambler.index(PAGES, BLOCK) >= hidden
    assert (found.recipe.decode(raw, PAGES).data[known] == data[known]).all()
