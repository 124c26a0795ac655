"""Reed-Solomon codes under a register that runs over the codewords one after the other, and not by columns."""

from time import monotonic

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.history import scenario_history
from deadstick.solve.other_codes.find_other_code import FoundOther, OtherCodeSearch
from deadstick.solve.other_codes.in_turn import InTurn, Output, ways_in_turn
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.register.register import Register, find_registers
from deadstick.solve.scrambler.find_scrambler import find_scrambler

DISK_BYTES = 2 << 20
STORED = frozenset({Part.DATA, Part.PARITY})
DATA = frozenset({Part.DATA})
CODE = Code(10, 0x409, 4, 1, family="reed_solomon")
LAYOUT = spare_groups(2112, 2, 1024, 4, 10, covered=False)
CANDIDATE = PageCandidate(2112, (64,), 50.0, "right", shows_restarts=True)


def keystreams(polynomial: int = 0x1002D) -> LfsrKeystreams:
    """One for each page of a block."""
    seeds = np.random.default_rng(9).choice(np.arange(1, 1 << 16), 64, replace=False)
    return LfsrKeystreams(polynomial, tuple(seeds.tolist()))


def played(scrambler: Scrambler, rate: float = 0.0) -> tuple[Recipe, NDArray[np.uint8]]:
    """A dump of a stick whose blocks lie in order."""
    recipe = Recipe(64, LAYOUT, CODE, scrambler)
    blocks = -(-DISK_BYTES // (64 * LAYOUT.data_bytes)) + 2
    return recipe, identity_dump(scenario_history(9, DISK_BYTES, fill=0.6).disk, recipe, blocks, 9, rate=rate)


def searched(dump: NDArray[np.uint8]) -> tuple[FoundOther | None, tuple[Register, ...]]:
    """The search for usual codes on the right page size, and the registers that it had."""
    registers = find_registers(dump)
    search = OtherCodeSearch(dump, (CANDIDATE,), registers)
    search.steps = [step for step in search.steps if (step.kind, step.candidate) == ("known", 0)]
    return search.later(monotonic() + 600), registers


@pytest.mark.parametrize(("restart", "covers"), [("page", STORED), ("codeword", STORED), ("page", DATA)])
def test_the_output_is_taken_off_codeword_by_codeword(restart: Restart, covers: frozenset[Part]) -> None:
    """One word in five has no error, so one difference in twenty-five; by columns no parity is bare."""
    recipe, dump = played(Scrambler("after_ecc", restart, keystreams(), covers), 2e-4)
    found, registers = searched(dump)
    assert found is not None
    assert "in turn" in found.kind
    assert found.code == CODE
    assert found.layout.codewords == LAYOUT.codewords
    plain = find_scrambler(found, registers)
    assert plain is not None
    assert plain.recipe.layout.codewords == LAYOUT.codewords
    assert plain.recipe.scrambler is not None
    numbers = np.arange(256)
    pages = dump.reshape(-1, LAYOUT.page_bytes)[numbers]
    ours, theirs = (one.decode(pages, numbers) for one in (plain.recipe, recipe))
    assert np.array_equal(ours.errors, theirs.errors)
    assert np.array_equal(ours.data, theirs.data) or np.array_equal(~ours.data[~ours.erased], theirs.data[~ours.erased])


def test_nothing_is_found_where_the_register_lies_over_no_code() -> None:
    _, dump = played(Scrambler("after_ecc", "page", keystreams(), STORED))
    pages = dump.reshape(-1, LAYOUT.page_bytes).copy()
    pages[:, 2048:] = np.random.default_rng(1).integers(0, 256, (len(pages), 64), np.uint8)
    assert searched(pages.reshape(-1))[0] is None


@pytest.mark.parametrize("layout", [LAYOUT, in_line(2160, 16, 128, 0, 6), spare_groups(1056, 4, 256, 3, 5)])
@pytest.mark.parametrize(
    ("restart", "covers"),
    [("page", frozenset(Part)), ("codeword", frozenset(Part)), ("page", DATA), ("codeword", DATA), ("column", DATA)],
)
def test_what_is_taken_off_is_what_the_scrambler_added(
    layout: PageLayout, restart: Restart, covers: frozenset[Part]
) -> None:
    polynomial = 0x1002D
    scrambler = Scrambler("after_ecc", restart, keystreams(polynomial), covers)
    stream = scrambler.keystreams.table(layout.page_bytes)
    way = InTurn(Register(polynomial, "lsb", 1, 1), 128, covers)
    pages = np.random.default_rng(2).integers(0, 256, stream.shape, np.uint8)
    bare = Output(pages, stream, way, restart).off(layout.codewords)
    assert np.array_equal(bare, pages ^ scrambler.masks(layout))


def test_messages_longer_than_the_data_of_a_page_have_no_way() -> None:
    register = Register(0x1002D, "lsb", 1, 1)
    assert {way.message for way in ways_in_turn(register, 528)} == {128, 256, 512}
