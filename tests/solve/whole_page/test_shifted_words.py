"""A part of a page that looks like a page, since a cyclic code bears codewords that are some bytes off their place."""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.whole_page.whole_page import whole_page

CODE = Code(13, 0x201B, 8)
METADATA, DATA, WORD = 8, 512, 8 + 512 + 13
PART = WORD + 1
PAGES = 240


def layout_of(page_bytes: int, count: int) -> PageLayout:
    """Codewords in line, metadata first, and what is unused behind the last one."""
    words = [
        Codeword(
            (Span.of_bytes(Part.METADATA, first, METADATA), Span.of_bytes(Part.DATA, first + METADATA, DATA)),
            (Span.of_bytes(Part.PARITY, first + METADATA + DATA, CODE.parity_bytes),),
        )
        for first in range(0, count * WORD, WORD)
    ]
    return PageLayout(page_bytes, tuple(words))


def stored(layout: PageLayout, *, changing: bool = False) -> NDArray[np.uint8]:
    """A dump of packed data under one keystream over the whole page, with the same metadata everywhere.

    Args:
        layout: of the page.
        changing: whether the last byte of the page is another in every page, as one that a marker has moved.
    """
    rng = np.random.default_rng(17)
    count = PAGES // len(layout.codewords)
    metadata = np.full((count, layout.metadata_bytes), 0x5A, np.uint8)
    data = rng.integers(0, 256, (count, layout.data_bytes), np.uint8)
    pages = Recipe(1, layout, CODE).encode(data, metadata, np.arange(count))
    if changing:
        pages[:, -1] = rng.integers(0, 256, count, np.uint8)
    pages ^= rng.integers(0, 256, layout.page_bytes, np.uint8)
    return pages.reshape(-1)


def found_in(dump: NDArray[np.uint8], size: int, lag: int) -> FoundPage:
    """The page that the search finds where one size is asked."""
    found = CodeSearch(dump, (PageCandidate(size, (lag,), 100.0, "a comb"),)).first()
    assert found is not None
    return found


def test_parts_of_which_each_has_its_codeword_further_off_are_one_page() -> None:
    layout = layout_of(4 * PART, 4)
    part = found_in(stored(layout), PART, 4)
    assert part.layout.page_bytes == PART
    assert part.share == 1
    page = whole_page(part, ())
    assert page.layout == layout
    assert page.lag == 1


def test_halves_of_two_codewords_are_one_page() -> None:
    layout = layout_of(4 * PART, 4)
    assert whole_page(found_in(stored(layout), 2 * PART, 2), ()).layout == layout


def test_a_byte_that_changes_behind_the_last_codeword_hides_no_part() -> None:
    """It looks like metadata outside the code, in every half of a page."""
    layout = layout_of(4 * PART, 4)
    half = found_in(stored(layout, changing=True), 2 * PART, 2)
    assert half.layout.loose
    page = whole_page(half, ())
    assert page.layout.codewords == layout.codewords
    assert page.layout.page_bytes == layout.page_bytes
    assert page.layout.loose[-1].end == 8 * layout.page_bytes


def test_a_page_with_something_unused_behind_its_codeword_stays_a_page() -> None:
    layout = layout_of(PART, 1)
    assert whole_page(found_in(stored(layout), PART, 4), ()).layout == layout


def test_the_page_itself_is_no_part_of_a_larger_one() -> None:
    layout = layout_of(4 * PART, 4)
    assert whole_page(found_in(stored(layout), 4 * PART, 4), ()).layout == layout
