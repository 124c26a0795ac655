"""Reed-Solomon codes under keystreams that come again in no order which a lag would tell."""

from time import monotonic

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.solve.other_codes.find_other_code import OtherCodeSearch
from deadstick.solve.other_codes.kept_rows import FEWEST_ALIKE, KeptRows
from deadstick.solve.page_size.geometry import PageCandidate

PAGE, PAGES, KEYSTREAMS = 528, 900, 60
CODE = Code(10, 0x409, 4, 1, family="reed_solomon")
STRONG = Code(10, 0x4E7, 15, 497, family="reed_solomon")


def dump(alike: int) -> NDArray[np.uint8]:
    """Packed data, so many pages with the same four bytes somewhere, each page under some keystream or other."""
    rng = np.random.default_rng(12)
    data = rng.integers(0, 256, (PAGES, 512), np.uint8)
    data[rng.permutation(PAGES)[:alike], 48:52] = [0x50, 0x4B, 0x03, 0x04]
    pages = np.full((PAGES, PAGE), 0xFF, np.uint8)
    pages[:, :512], pages[:, 515:525] = data, CODE.codec.encode(data)
    keystreams = rng.integers(0, 256, (KEYSTREAMS, PAGE), np.uint8)
    pages ^= keystreams[rng.integers(0, KEYSTREAMS, PAGES)]
    return pages.reshape(-1)


@pytest.mark.parametrize("periods", [(), (19, 155)])
def test_differences_of_pages_with_equal_words_show_a_code_that_no_lag_does(periods: tuple[int, ...]) -> None:
    found = OtherCodeSearch(dump(300), (PageCandidate(PAGE, periods, 50.0, "right"),)).named("rs", monotonic() + 60)
    assert found is not None
    assert found.lag > 1
    assert "equal words" in found.kind
    assert found.code == CODE
    assert [span.start for span in found.layout.codewords[0].parity] == [8 * 515]


def test_few_pages_with_equal_words_take_the_turn_of_no_lag() -> None:
    few, many = (KeptRows(dump(alike), ()) for alike in (FEWEST_ALIKE, 300))
    assert few.lags(PAGE, (19, 155, 193), 2) == [19, 155]
    alike, *rest = many.lags(PAGE, (19, 155, 193), 2)
    assert alike not in {19, 155, 193}
    assert rest == [19]


def worn(rows: int) -> NDArray[np.uint8]:
    """Pages 16 apart share a keystream, and one difference in thirty has no error: one bit in 2,500 is wrong."""
    rng = np.random.default_rng(13)
    data = rng.integers(0, 256, (rows + 16, 1024), np.uint8)
    pages = np.full((rows + 16, 1072), 0xFF, np.uint8)
    pages[:, :1024], pages[:, 1032:1070] = data, STRONG.codec.encode(data)
    pages ^= np.tile(rng.integers(0, 256, (16, 1072), np.uint8), (rows // 16 + 1, 1))
    pages ^= np.packbits(rng.random((rows + 16, 8 * 1072)) < 2e-4, axis=1)
    return pages.reshape(-1)


def test_one_clean_difference_in_thirty_is_enough_of_many() -> None:
    candidate = PageCandidate(1072, (16,), 50.0, "right")
    found = OtherCodeSearch(worn(512), (candidate,)).named("rs", monotonic() + 120)
    assert found is not None
    assert found.code == STRONG
    assert found.words < found.examined / 16
    assert [span.start for span in found.layout.codewords[0].parity] == [8 * 1032]
    assert OtherCodeSearch(worn(128), (candidate,)).named("rs", monotonic() + 120) is None
