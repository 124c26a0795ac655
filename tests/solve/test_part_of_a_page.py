"""A part of a page that looks like a page, because the codewords of every second one are in step."""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.history import scenario_history
from deadstick.solve.find_code import CodeSearch
from deadstick.solve.geometry import PageCandidate

DISK_BYTES = 2 << 20


def played(recipe: Recipe) -> NDArray[np.uint8]:
    """A dump of a stick whose blocks lie in order."""
    history = scenario_history(1, DISK_BYTES, fill=0.6)
    block = recipe.pages_per_block * recipe.layout.data_bytes
    return identity_dump(history.disk, recipe, -(-DISK_BYTES // block), 1)


def test_a_half_at_whose_borders_the_register_starts_anew_by_chance_is_no_page() -> None:
    """Each codeword has its keystream, and the middle of the page lies in a gap between two of them.

    More is unused at the end of the page than such a gap may have, so its own borders tell nothing.
    """
    layout = in_line(2304, 4, 512, 0, 13)
    dump = played(Recipe(32, layout, Code(13, 0x201B, 8, 1)))
    half = PageCandidate(1152, (), 100.0, "the register starts anew", shows_restarts=True)
    found = CodeSearch(dump, (half, PageCandidate(2304, (), 30.0, "a comb"))).first()
    assert found is not None
    assert found.layout.page_bytes == 2304
    assert len(found.layout.codewords) == 4
