"""Which rows a step of the search for a code looks at."""

import numpy as np

from deadstick.simulate.nand import add_bit_errors
from deadstick.solve.page.plan import Step
from deadstick.solve.page.row_views import RowViews
from deadstick.solve.page_size.geometry import PageCandidate

PAGE, FREE, FILLED = 528, 48, 64
FREE_LAG = FREE + FILLED


def ways(periods: tuple[int, ...], lags: int) -> list[object]:
    """Of the rows that a step over so many lags takes, in pages that are free, filled, and free again."""
    rng = np.random.default_rng(3)
    pages = np.zeros((FREE + FILLED + FREE, PAGE), np.uint8)
    pages[FREE : FREE + FILLED] = rng.integers(0, 256, (FILLED, PAGE), np.uint8)
    dump = (pages ^ rng.integers(0, 256, PAGE, np.uint8)).reshape(-1)
    add_bit_errors(dump, 2e-3, 1)
    candidate = PageCandidate(PAGE, periods, 0.0, "")
    step = Step("decoding", 1, lags, ())
    return [view.way for view, _ in RowViews(dump, [candidate]).of(candidate, step)]


def test_a_lag_from_free_space_to_free_space_does_not_take_the_turn_of_one_that_tells() -> None:
    assert ways((FREE_LAG, 2, 3), 1) == [0, FREE_LAG, 2]
    assert ways((FREE_LAG, 2, 3), 2) == [0, FREE_LAG, 2, 3]


def test_lags_that_tell_are_as_many_as_the_step_asks_for() -> None:
    assert ways((2, FREE_LAG, 3), 1) == [0, 2]
    assert ways((2, FREE_LAG, 3), 2) == [0, 2, FREE_LAG, 3]
    assert ways((2,), 3) == [0, 2, 1]


def test_neighbours_do_not_wait_for_another_lag_where_pages_often_are_like_the_next_one() -> None:
    """Under a keystream for each block: copies at the lag that words show were of three blocks that nothing reads."""
    assert ways((5, 1, 2), 1) == [0, 5, 1]
    assert ways((1, 5, 2), 1) == [0, 5, 1]
    assert ways((5, 2, 1), 1) == [0, 5]
