"""Pages that share a keystream, by the words that they have in common."""

import numpy as np

from deadstick.solve.codeword.alike_pages import AlikePages
from deadstick.solve.codeword.survey import Survey

PAGE, PAGES = 528, 400


def noise() -> np.ndarray:
    """`uint8[pages, page_bytes]`, all unlike each other."""
    return np.random.default_rng(11).integers(0, 256, (PAGES, PAGE), np.uint8)


def alike(pages: np.ndarray) -> AlikePages:
    return AlikePages.of(Survey(pages.reshape(-1), PAGE))


def test_pages_that_have_nothing_in_common_make_no_pairs() -> None:
    found = alike(noise())
    assert (len(found.first), found.lag) == (0, 0)


def test_no_pair_is_the_sum_of_others() -> None:
    """Four pages have one word in common and three of these another one: three pairs, and no ring of them."""
    pages = noise()
    pages[[10, 50, 90, 200], 32:36] = [1, 2, 3, 4]
    pages[[10, 90, 200], 80:84] = [5, 6, 7, 8]
    found = alike(pages)
    assert len(found.first) == 3
    assert set(found.first.tolist()) | set(found.second.tolist()) == {10, 50, 90, 200}
    assert (found.second > found.first).all()


def test_a_page_and_its_copy_count_as_one() -> None:
    """But for a bit error their differences with a third page are the same row."""
    pages = noise()
    pages[[10, 50, 90], 32:36] = [1, 2, 3, 4]
    pages[50] = pages[10]
    pages[50, 300] ^= 4
    found = alike(pages)
    assert len(found.first) == 1
    assert found.second.tolist() == [90]


def test_the_lag_is_the_most_frequent_distance() -> None:
    pages = noise()
    for number in range(12):
        pages[[10 * number, 10 * number + 7], 16 * number : 16 * number + 4] = [1, 2, 3, 4]
    pages[[200, 290], 240:244] = [1, 2, 3, 4]
    found = alike(pages)
    assert len(found.first) == 13
    assert found.lag == 7
    rows = found.differences(Survey(pages.reshape(-1), PAGE), 8)
    assert rows.are_differences
    assert rows.values.shape == (8, PAGE)
