"""CRCs of any width against the bit-serial twin."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes.crc import Crc
from deadstick.codes.reference import crc_bit_by_bit


@st.composite
def crcs(draw: st.DrawFn) -> Crc:
    width = draw(st.integers(1, 64))
    values = st.integers(0, 2**width - 1)
    return Crc(width, draw(values), draw(values), draw(st.booleans()), draw(st.booleans()), draw(values))


@given(crcs(), st.binary(max_size=40))
@settings(deadline=None, max_examples=200)
def test_table_agrees_with_bit_by_bit(crc: Crc, data: bytes) -> None:
    assert crc.compute(data) == crc_bit_by_bit(crc, data)


def test_rows_arrays_and_bytes_are_the_same() -> None:
    crc = Crc(24, 0x864CFB, 0xB704CE)
    rows = np.arange(60, dtype=np.uint8).reshape(4, 15)
    assert crc.compute_rows(rows).tolist() == [crc.compute(row.tobytes()) for row in rows]
    assert crc.compute(rows) == crc.compute(rows.tobytes())


def test_parameters_must_fit() -> None:
    with pytest.raises(ValueError, match="1 to 64"):
        Crc(65, 1)
    with pytest.raises(ValueError, match="fit into 8 bits"):
        Crc(8, 0x107)
