"""A part of a page that looks like a page, because the codewords of every second one are in step."""

from time import monotonic

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, in_line
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.controller import identity_dump
from deadstick.simulate.history import scenario_history
from deadstick.solve.other_codes.find_other_code import OtherCodeSearch
from deadstick.solve.page import find_code
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page.rival_pages import likelier_pages
from deadstick.solve.page_size.geometry import PageCandidate

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


def test_the_likeliest_size_has_its_turn_however_little_time_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rows of a wrong size may take all of it: they hold words that fail in costly ways."""
    layout = in_line(2304, 4, 512, 0, 13)
    dump = played(Recipe(32, layout, Code(13, 0x201B, 8, 1)))
    half, whole = (PageCandidate(size, (), 50.0, "a comb") for size in (1152, 2304))
    monkeypatch.setattr(find_code, "RIVALS_SECONDS", 0.0)
    first = CodeSearch(dump, (half,)).first()
    assert first is not None
    assert first.layout.page_bytes == 1152
    assert CodeSearch(dump, (whole, half)).best_page(first).layout.page_bytes == 2304


@pytest.mark.parametrize("sizes", [(1196, 1152, 4608, 2304), (2304, 1196, 1152)])
def test_sizes_under_which_most_rows_begin_with_a_codeword_come_first(
    sizes: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The likeliest size may be a wrong one, and take all the time; of the multiples the smallest is the page."""
    dump = played(Recipe(32, in_line(2304, 4, 512, 0, 13), Code(13, 0x201B, 8, 1)))
    candidates = {size: PageCandidate(size, (), 50.0, "a comb") for size in sizes}
    monkeypatch.setattr(find_code, "RIVALS_SECONDS", 0.0)
    first = CodeSearch(dump, (candidates[1152],)).first()
    assert first is not None
    search = CodeSearch(dump, tuple(candidates.values()))
    likelier = likelier_pages(first, tuple(candidates.values()), search.rows)
    assert [page.page_bytes for page in likelier] == [size for size in (2304, 4608) if size in sizes]
    assert search.best_page(first).layout.page_bytes == 2304


def with_metadata_between(page_bytes: int, count: int) -> PageLayout:
    """Codewords of 512 data bytes in line, 9 bytes outside of their cover before each parity."""
    parity = [524 * number + 521 for number in range(count)]
    words = [
        Codeword((Span.of_bytes(Part.DATA, first - 521, 512),), (Span.of_bytes(Part.PARITY, first, 3),))
        for first in parity
    ]
    loose = [Span.of_bytes(Part.METADATA, first - 9, 9) for first in parity]
    return PageLayout(page_bytes, tuple(words), tuple(loose))


def hamming_page(layout: PageLayout, *sizes: int) -> int:
    """Bytes of the page that the search finds among some sizes."""
    dump = played(Recipe(32, layout, Code.hamming(512)))
    candidates = tuple(PageCandidate(size, (), 50.0, "blank stretches end at sectors") for size in sizes)
    found = OtherCodeSearch(dump, candidates).later(monotonic() + 60)
    assert found is not None
    return found.layout.page_bytes


def test_a_parity_that_every_second_row_bears_makes_no_page() -> None:
    assert hamming_page(with_metadata_between(2124, 4), 1062, 531, 2124, 4248) == 2124


def test_a_page_does_not_lose_to_its_multiples() -> None:
    assert hamming_page(with_metadata_between(1062, 2), 1062, 531, 2124, 4248) == 1062
