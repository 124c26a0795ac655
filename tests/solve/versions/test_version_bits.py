"""The constant of a version, bit by bit."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from deadstick.solve.versions.version_bits import lowest_constant


@given(st.lists(st.integers(0, 4000), min_size=1, max_size=40), st.integers(0, 4095))
def test_the_lowest_constant_is_the_lowest(values: list[int], constant: int) -> None:
    some = np.array(values) ^ constant
    lowest = int((some ^ lowest_constant(some)).max())
    assert lowest == min(int((some ^ other).max()) for other in range(4096))
