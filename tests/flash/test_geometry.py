import pytest

from deadstick.flash.geometry import Geometry


def test_sizes_follow_from_the_dimensions() -> None:
    chip = Geometry(page_data=2048, page_spare=64, pages_per_block=64, blocks=1024, planes=2, targets=2)
    assert chip.page_bytes == 2112
    assert chip.block_bytes == 135168
    assert chip.pages == 131072
    assert chip.total_bytes == 276824064


def test_a_reader_may_leave_the_spare_area_out() -> None:
    assert Geometry(page_data=512, page_spare=0, pages_per_block=1, blocks=1).total_bytes == 512


@pytest.mark.parametrize("field", ["page_data", "page_spare", "pages_per_block", "blocks", "planes", "targets"])
@pytest.mark.parametrize("value", [-1, 1 << 31, 2048.0, True, None, "64"])
def test_an_impossible_dimension_is_named(field: str, value: object) -> None:
    dimensions = {"page_data": 2048, "page_spare": 64, "pages_per_block": 64, "blocks": 4}
    with pytest.raises(ValueError, match=field):
        Geometry(**{**dimensions, field: value})  # type: ignore[arg-type] # the wrong types are the point


@pytest.mark.parametrize("field", ["page_data", "pages_per_block", "blocks", "planes", "targets"])
def test_all_but_the_spare_area_must_exist(field: str) -> None:
    dimensions = {"page_data": 2048, "page_spare": 0, "pages_per_block": 64, "blocks": 4}
    with pytest.raises(ValueError, match=f"{field} is 0"):
        Geometry(**{**dimensions, field: 0})
