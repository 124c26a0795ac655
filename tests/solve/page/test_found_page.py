"""From windows to pages."""

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.decoding import SHALLOW
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.page.found_page import best_complete
from deadstick.solve.page.row_view import RowView
from deadstick.solve.page_size.geometry import PageCandidate

PAGE, BLOCK, BLOCKS = 2048 + 64, 64, 8


@pytest.mark.parametrize("lag", [1, 2])
def test_metadata_that_are_the_same_all_over_a_block_are_seen_in_differences_of_its_pages(lag: int) -> None:
    """The code does not cover them, so nothing else tells that they are more than unused columns."""
    code = Code(13, 0x201B, 8)
    layout = spare_groups(PAGE, 4, 512, 3, 13, covered=False)
    rng = np.random.default_rng(3)
    data = rng.integers(0, 256, (BLOCK * BLOCKS, 2048), np.uint8)
    metadata = np.zeros((BLOCK * BLOCKS, 12), np.uint8)
    metadata[:, 1] = np.arange(BLOCK * BLOCKS) // BLOCK + 1
    pages = Recipe(BLOCK, layout, code).encode(data, metadata, np.arange(BLOCK * BLOCKS))
    view = RowView(Survey(pages.reshape(-1), PAGE), lag)
    windows = view.test.search(view.places, (0x201B,), SHALLOW, 1)
    found = best_complete(view, windows, PageCandidate(PAGE, (1, 2), 20.0, "a comb"))
    assert found is not None
    assert found.layout.codewords == layout.codewords
    read = found.layout.loose
    assert any(span.start <= 8 * 2049 < span.end for span in read)
