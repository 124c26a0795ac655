from collections.abc import Callable

import numpy as np
import pytest
import pytsk3
from numpy.typing import NDArray

from deadstick.simulate.history import History, scenario_history


@pytest.fixture(scope="module")
def history() -> History:
    return scenario_history(31, 4 << 20, steps=4)


def test_every_state_is_a_sound_volume_and_the_last_one_holds_the_live_files(
    history: History,
    image_info: Callable[[NDArray[np.uint8]], pytsk3.Img_Info],
    list_files: Callable[[pytsk3.FS_Info], list[tuple[str, bytes, bool]]],
) -> None:
    assert len(history.states) == 4
    for state in history.states:
        listing = list_files(pytsk3.FS_Info(image_info(state)))
        found = {path: data for path, data, used in listing if used}
        assert found
    assert found == {file.path: file.data for file in history.live}


def test_deleted_and_older_contents_are_told_apart(history: History) -> None:
    live = {file.path: file.data for file in history.live}
    assert history.deleted
    assert history.older
    assert not {file.path for file in history.deleted} & set(live)
    for file in history.older:
        assert live[file.path] != file.data
        assert live[file.path].startswith(file.data)


def test_deleted_contents_still_lie_on_the_disk(history: History) -> None:
    image = history.disk.tobytes()
    whole = [file for file in history.deleted if len(file.data) > 64 and file.data[:64] in image]
    assert len(whole) >= len(history.deleted) // 2


def test_equal_arguments_give_equal_histories(history: History) -> None:
    again = scenario_history(31, 4 << 20, steps=4)
    assert again.live == history.live
    assert all((a == b).all() for a, b in zip(again.states, history.states, strict=True))


def test_one_step_is_a_volume_without_a_past() -> None:
    history = scenario_history(32, 2 << 20, steps=1, fill=0.3, first_sector=64)
    assert len(history.states) == 1
    assert history.deleted == history.older == ()
    assert history.disk[510:512].tobytes() == b"\x55\xaa"


def test_wrong_calls_say_what_is_wrong() -> None:
    with pytest.raises(ValueError, match=r"fill from 0 to 0\.8"):
        scenario_history(1, 2 << 20, fill=0.9)
    with pytest.raises(ValueError, match="at least 1 step"):
        scenario_history(1, 2 << 20, steps=0)
