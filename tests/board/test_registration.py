from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.board.registration import fit_projection, read_points
from deadstick.board.templates import usb2_stick
from deadstick.errors import InputError

SQUARE = [(0.0, 0.0), (320.0, 0.0), (320.0, 240.0), (0.0, 240.0)]
small = st.floats(-0.0008, 0.0008)


def transform(tilt_x: float, tilt_y: float, turn: float) -> np.ndarray:
    """A camera that is held at an angle, written down on its own."""
    return np.array([[0.05 * np.cos(turn), -0.04 * np.sin(turn), 3.0], [0.05 * np.sin(turn), 0.04 * np.cos(turn), 1.0],
                     [tilt_x, tilt_y, 1.0]])  # fmt: skip


def mapped(matrix: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    homogeneous = np.column_stack([pixels, np.ones(len(pixels))]) @ matrix.T
    return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])


@settings(deadline=None, max_examples=40)
@given(small, small, st.floats(-3, 3))
def test_four_points_give_the_transform_back(tilt_x: float, tilt_y: float, turn: float) -> None:
    matrix = transform(tilt_x, tilt_y, turn)
    projection = fit_projection(SQUARE, mapped(matrix, np.array(SQUARE)))
    pixels = np.array([(11.0, 200.0), (160.0, 120.0), (300.0, 33.0)])
    np.testing.assert_allclose(projection.to_board(pixels), mapped(matrix, pixels), atol=1e-6)
    np.testing.assert_allclose(projection.to_picture(projection.to_board(pixels)), pixels, atol=1e-6)
    assert projection.residual_mm is None


def test_more_points_average_their_errors_away() -> None:
    rng = np.random.default_rng(3)
    matrix = transform(0.0005, -0.0003, 0.2)
    pixels = rng.uniform(0, 1, (40, 2)) * (320, 240)
    board = mapped(matrix, pixels) + rng.normal(0, 0.2, (40, 2))
    many = fit_projection(pixels, board)
    check = np.array([(160.0, 120.0), (40.0, 200.0)])
    error = np.linalg.norm(many.to_board(check) - mapped(matrix, check), axis=1)
    assert error.max() < 0.2
    # 80 numbers, 8 of them used up; the rest has a deviation of 0.2 in either direction.
    assert many.residual_mm == pytest.approx(0.2 * np.sqrt(2 * 72 / 80), rel=0.2)


def test_least_squares_is_no_worse_than_the_truth() -> None:
    rng = np.random.default_rng(4)
    matrix = transform(0.0008, 0.0008, -1.0)
    pixels = rng.uniform(0, 1, (9, 2)) * (320, 240)
    board = mapped(matrix, pixels) + rng.normal(0, 0.5, (9, 2))
    found = fit_projection(pixels, board)
    truth = np.sqrt(((mapped(matrix, pixels) - board) ** 2).sum(axis=1).mean())
    assert found.residual_mm is not None
    assert found.residual_mm <= truth


@pytest.mark.parametrize(
    ("pixels", "words"),
    [
        (SQUARE[:3], "3 points are too few"),
        ([(0, 0), (10, 10), (20, 20), (0, 50)], "nearly on one line"),
        ([(0, 0), (0, 0), (20, 0), (0, 50)], "nearly on one line"),
        ([(0, 0), (float("nan"), 0), (20, 0), (0, 50)], "not a number"),
    ],
)
def test_points_that_fix_nothing_are_refused(pixels: list[tuple[float, float]], words: str) -> None:
    with pytest.raises(InputError, match=words):
        fit_projection(pixels, SQUARE[: len(pixels)])


def points_file(folder: Path, *tables: str) -> Path:
    path = folder / "points.toml"
    path.write_text("".join(f"[[point]]\n{table}\n" for table in tables))
    return path


def test_a_file_of_points_by_pad_and_by_place(tmp_path: Path) -> None:
    circuit = usb2_stick()
    pad, (_, pin) = next(iter(circuit.pads.items()))
    corners = [(0.0, circuit.height_mm), (circuit.width_mm, circuit.height_mm), (circuit.width_mm, 0.0)]
    tables = [f"thermal = {[10 * x, 10 * y]}\nboard_mm = {[x, y]}" for x, y in corners]
    tables.append(f'thermal = {[10 * pin.x_mm, 10 * pin.y_mm]}\npad = "{pad}"')
    found = read_points(points_file(tmp_path, *tables), circuit)
    assert found.photo is None
    np.testing.assert_allclose(found.thermal.to_board((55.0, 70.0)), (5.5, 7.0), atol=1e-9)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('thermal = [1, 2]\npad = "Z9.1"', "no pad Z9.1"),
        ("thermal = [1, 2]", "point 4 needs its place"),
        ("thermal = [1, 2]\nboard_mm = [1, 2, 3]", r"point\.3\.board_mm"),
        ("thermal = [1", "Unclosed array"),
    ],
)
def test_a_bad_file_of_points_is_refused_by_name(tmp_path: Path, table: str, words: str) -> None:
    good = [f"thermal = {[10 * x, 10 * y]}\nboard_mm = {[x, y]}" for x, y in ((0, 0), (40, 0), (40, 14))]
    with pytest.raises(InputError, match=rf"points\.toml: .*{words}"):
        read_points(points_file(tmp_path, *good, table), usb2_stick())
