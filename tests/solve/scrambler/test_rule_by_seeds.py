"""The rule of the keystreams where few pages show the register, and its seeds are fewer than the keystreams."""

import numpy as np

from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.register.register import Register, find_hits
from deadstick.solve.scrambler.coded_pages import Reread
from deadstick.solve.scrambler.rule_by_seeds import rule_by_seeds
from deadstick.solve.scrambler.scrambler_after_code import best_register

POLYNOMIAL, KEYSTREAMS, ORBIT = 0x165, 64, 5
BLOCK, BLOCKS, FREE = 202, 12, 40
LAYOUT, CODE = spare_groups(128 + 26, 1, 128, 4, 22), Code(11, 0x805, 16)
REGISTER = Register(POLYNOMIAL, "lsb", 100, 1000)


def recipe() -> Recipe:
    """A register that is back at its first seed after five keystreams."""
    seeds = tuple(Lfsr(POLYNOMIAL).advance(111, 255 // ORBIT * number) for number in range(KEYSTREAMS))
    scrambler = Scrambler("after_ecc", "codeword", LfsrKeystreams(POLYNOMIAL, seeds), frozenset(Part), 7, 23)
    return Recipe(BLOCK, LAYOUT, CODE, scrambler)


def chip() -> Reread:
    """Packed data with a little free space and some bit errors."""
    rng = np.random.default_rng(4)
    numbers = np.arange(BLOCK * BLOCKS)
    data = rng.integers(0, 256, (len(numbers), 128), np.uint8)
    data[100 : 100 + FREE] = 0
    pages = recipe().encode(data, np.full((len(numbers), 4), 0xFF, np.uint8), numbers)
    pages ^= np.packbits(rng.random((len(numbers), 8 * LAYOUT.page_bytes)) < 1e-3, axis=1)
    return Reread(Survey(pages.reshape(-1), LAYOUT.page_bytes), LAYOUT, CODE, 0)


def test_the_code_tells_the_seed_of_every_page_and_these_the_rule() -> None:
    found = chip()
    seen = [(REGISTER, find_hits(found.survey.data, REGISTER))]
    assert best_register(found, seen) is None
    best = rule_by_seeds(found, seen)
    assert best is not None
    scrambler = best.recipe.scrambler
    assert scrambler is not None
    assert (scrambler.keystreams.count, best.recipe.pages_per_block) == (KEYSTREAMS, BLOCK)
    assert best.rule is not None
    assert FREE / 2 < best.rule.agreeing == best.rule.counted <= FREE
    numbers = np.arange(BLOCK * BLOCKS)
    ours, true = (one.decode(found.survey.pages, numbers) for one in (best.recipe, recipe()))
    assert (ours.errors >= 0).all()
    assert (ours.data == true.data).all()
