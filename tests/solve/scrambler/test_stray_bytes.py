"""Which byte of the keystream was added to data that are stored out of their turn."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, bit_packed
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.solve.answer.doubts import VolumeWitness, place_doubt
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.scrambler.coded_pages import Reread, Unscrambled
from deadstick.solve.scrambler.scrambler_before_code import before_code
from deadstick.solve.scrambler.stray_bytes import is_open_restart, with_told_restart

BLOCK, BLOCKS, COUNT, DATA, METADATA, PARITY = 16, 40, 8, 1024, 3, 7
PAGES = np.arange(BLOCK * BLOCKS)
CODE = Code(14, 0x402B, 4)
PLAIN = bit_packed(DATA + METADATA + PARITY, METADATA, 1, DATA, 8 * PARITY)
CHANGED = bit_packed(PLAIN.page_bytes, METADATA, 1, DATA, 8 * PARITY, marker=DATA)


def controller(restart: Restart) -> Recipe:
    """The marker's byte is changed with the first metadata byte: three bytes of the data are out of their turn."""
    seeds = tuple(int(seed) for seed in np.random.default_rng(1).integers(1, 1 << 26, COUNT))
    scrambler = Scrambler("before_ecc", restart, LfsrKeystreams(0x41FCC79, seeds), frozenset({Part.DATA}))
    return Recipe(BLOCK, CHANGED, CODE, scrambler)


def contents(*, blank: float, first: NDArray[np.uint8] | None = None) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Packed data, the beginnings of the pages blank, a share of the pages to the end; metadata of one page each."""
    rng = np.random.default_rng(2)
    data = rng.integers(0, 256, (len(PAGES), DATA), np.uint8)
    data[:, : DATA // 2] = 0
    data[rng.random(len(PAGES)) < blank] = 0
    metadata = np.full((len(PAGES), METADATA), 0xA5, np.uint8)
    metadata[:, 0] = 0xFF if first is None else first[PAGES // BLOCK]
    return data, metadata


def solved(raw: NDArray[np.uint8]) -> Recipe:
    read = Reread(Survey(raw.reshape(-1), PLAIN.page_bytes), PLAIN, CODE, 0)
    found = before_code(read, Unscrambled(Recipe(1, PLAIN, CODE), len(raw), len(raw)))
    assert found is not None
    return found.recipe


@pytest.mark.parametrize("restart", ["column", "codeword"])
def test_blank_pages_tell_whether_a_keystream_goes_by_columns(restart: Restart) -> None:
    true, (data, metadata) = controller(restart), contents(blank=0.3)
    raw = true.encode(data, metadata, PAGES)
    found = solved(raw)
    assert found.layout == CHANGED
    assert (found.decode(raw, PAGES).data == data).all()
    assert not is_open_restart(found, raw, PAGES)


@pytest.mark.parametrize("restart", ["column", "codeword"])
def test_a_marker_in_a_version_keeps_the_keystreams_in_place(restart: Restart) -> None:
    """The first metadata byte is another in every block, and no clearer than data: only its steadiness tells."""
    versions = np.random.default_rng(3).permutation(BLOCKS).astype(np.uint8)
    true, (data, metadata) = controller(restart), contents(blank=0.3, first=versions)
    raw = true.encode(data, metadata, PAGES)
    found = solved(raw)
    assert found.layout == CHANGED
    assert (found.decode(raw, PAGES).data == data).all()


def test_pages_that_are_never_blank_there_leave_it_open() -> None:
    true = controller("column")
    raw = true.encode(*contents(blank=0.0), PAGES)
    other = with_told_restart(true, raw, PAGES)
    assert other == true
    assert is_open_restart(true, raw, PAGES)
    doubt = place_doubt(raw, true, VolumeWitness(500.0, 0.99, is_anchored=True))
    assert doubt == "no blank data tell which keystream a few bytes out of their turn have"


def test_two_keystreams_are_too_few_witnesses() -> None:
    true = controller("column")
    assert true.scrambler is not None
    few = replace(true, scrambler=replace(true.scrambler, keystreams=true.scrambler.keystreams.take([0, 1])))
    raw = few.encode(*contents(blank=0.3), PAGES)
    assert is_open_restart(few, raw, PAGES)


def test_data_in_their_turn_leave_nothing_open() -> None:
    true = replace(controller("page"), layout=PLAIN)
    raw = true.encode(*contents(blank=0.0), PAGES)
    assert not is_open_restart(true, raw, PAGES)
