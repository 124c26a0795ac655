"""Rows in which other codes are looked for."""

from weakref import ref

import numpy as np

from deadstick.solve.other_codes.kept_rows import MOST_HUNTS, KeptRows


def test_no_more_than_the_last_few_sets_of_rows_are_kept() -> None:
    rows = KeptRows(np.random.default_rng(1).integers(0, 256, 64 * 2112, np.uint8), ())
    _, first = rows.hunt(528, 0, complement=False)
    assert first is not None
    assert rows.hunt(528, 0, complement=False)[1] is first
    gone = ref(first)
    del first
    for lag in range(1, MOST_HUNTS):
        rows.hunt(528, lag, complement=False)
        assert gone() is not None
    rows.hunt(2112, 0, complement=True)
    assert gone() is None
