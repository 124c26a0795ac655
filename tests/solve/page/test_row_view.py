"""Rows in which the first codeword is looked for, where a register starts anew inside the page."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, in_line, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.simulate.nand import add_bit_errors
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.codeword.words import bits_at, corrected, exact_spans
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page.plan import first_steps
from deadstick.solve.page.row_view import FEWEST_NEAR, FEWEST_ROWS, RowView
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.register.register import find_registers

POLYNOMIAL = 0x1002D  # x^16 + x^5 + x^3 + x^2 + 1, primitive
LAYOUT = in_line(2112, 4, 512, 3, 13)
CODE = Code(13, 0x201B, 8)
PAGES, KEYSTREAMS, SECTOR = 1200, 24, 512


def pages_of(restart: Restart, begun: int) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Pages of which most are free, some end in their third sector, and every few in the first, as small files do."""
    rng = np.random.default_rng(6)
    data = np.zeros((PAGES, LAYOUT.data_bytes), np.uint8)
    for number in range(0, PAGES, 5):
        filled = SECTOR // 2 if number % begun == 0 else 2 * SECTOR + SECTOR // 2
        data[number, :filled] = rng.integers(0, 256, filled, np.uint8)
    metadata = rng.integers(0, 256, (PAGES, LAYOUT.metadata_bytes), np.uint8)
    seeds = rng.integers(1, 1 << 16, KEYSTREAMS).tolist()
    keystreams = LfsrKeystreams(POLYNOMIAL, tuple(seeds))
    scrambler = Scrambler("after_ecc", restart, keystreams, frozenset(Part))
    raw = Recipe(64, LAYOUT, CODE, scrambler).encode(data, metadata, np.arange(PAGES))
    add_bit_errors(raw.reshape(-1), 2e-4, 1)
    return raw


def decoding(rows: np.ndarray[tuple[int, int], np.dtype[np.uint8]], word: int) -> float:
    """Share of the rows in which a codeword of the page decodes."""
    _, errors = corrected(bits_at(rows, exact_spans(LAYOUT.codewords[word], CODE.bch)), CODE.bch)
    return float((errors >= 0).mean())


RESTARTS: tuple[Restart, ...] = ("codeword", "page")


@pytest.mark.parametrize("restart", RESTARTS)
def test_the_first_codeword_is_looked_for_where_it_is_bare_for_certain(restart: Restart) -> None:
    """Pages that show the register behind their first codeword alone may not tell its state in the first."""
    dump = pages_of(restart, 20).reshape(-1)
    (register, *_) = find_registers(dump)
    view = RowView(Survey(dump, LAYOUT.page_bytes), register)
    assert decoding(view.heads.rows.values, 0) > 0.95
    assert FEWEST_NEAR <= len(view.heads.rows.values) < len(view.rows.values)
    # All together tell of the whole page, where the register runs through it.
    assert (decoding(view.rows.values, 2) > 0.95) == (restart == "page")


def test_too_few_such_pages_are_joined_by_the_others() -> None:
    dump = pages_of("page", 400).reshape(-1)
    (register, *_) = find_registers(dump)
    view = RowView(Survey(dump, LAYOUT.page_bytes), register)
    assert len(view.heads.rows.values) == len(view.rows.values) > FEWEST_ROWS
    assert decoding(view.heads.rows.values, 0) > 0.95


def test_parity_behind_metadata_that_neither_code_nor_register_covers_is_searched_first() -> None:
    """Without the register's output such metadata look like parity, and where the parity begins is seen as read."""
    code = Code(13, 0x201B, 24)
    layout = spare_groups(640, 1, SECTOR, 20, code.parity_bytes, offset=3, covered=False)
    rng = np.random.default_rng(8)
    data = np.zeros((PAGES, SECTOR), np.uint8)
    data[::3, SECTOR // 2 :] = rng.integers(0, 256, (PAGES // 3, SECTOR // 2), np.uint8)
    metadata = np.tile(rng.integers(0, 256, layout.metadata_bytes, np.uint8), (PAGES, 1))
    keystreams = LfsrKeystreams(POLYNOMIAL, tuple(rng.integers(1, 1 << 16, PAGES).tolist()))
    scrambler = Scrambler("after_ecc", "column", keystreams, frozenset({Part.DATA, Part.PARITY}))
    raw = Recipe(64, layout, code, scrambler).encode(data, metadata, np.arange(PAGES))
    dump = raw.reshape(-1)
    add_bit_errors(dump, 5e-4, 1)
    candidate = PageCandidate(layout.page_bytes, (), 0.0, "", shows_restarts=True)
    search = CodeSearch(dump, [candidate], find_registers(dump))
    step = next(step for step in first_steps(1) if step.at_ends)
    found = search.over([candidate], step)
    assert found is not None
    assert (found.layout.codewords, found.code.t) == (layout.codewords, code.t)
