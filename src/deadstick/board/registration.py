"""From the pixels of a picture to millimetres on the board: a projective transform through four or more points.

A flat board seen by a camera without lens distortion is a projective image of itself. Four points, no three in line,
fix the transform; with more, the sum of squared distances on the board is made least, starting from the normalised
linear solution (R. Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19(6), 1997, for why to normalise).
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from scipy.optimize import least_squares

from deadstick.board.circuit import Circuit
from deadstick.errors import InputError

Floats = NDArray[np.float64]
FARTHEST = 1e6
"""Pixels or millimetres."""
_NEARLY_IN_LINE = 0.01
"""Least height of any three points' triangle over its longest side."""
Pair = Annotated[tuple[float, float], Field()]


@dataclass(frozen=True)
class Projection:
    """A projective transform from pixels (column, row) to millimetres on the board (x, y).

    Attributes:
        matrix: float64[3, 3], for homogeneous coordinates.
        residual_mm: root mean square distance that is left at the points; None with four points, which always fit.
    """

    matrix: Floats
    residual_mm: float | None

    def to_board(self, pixels: ArrayLike) -> Floats:
        """Positions on the board, float64[..., 2], of pixels `[..., 2]`."""
        return _apply(self.matrix, np.asarray(pixels, float))

    def to_picture(self, board_mm: ArrayLike) -> Floats:
        """Pixels, float64[..., 2], of positions on the board `[..., 2]`."""
        back = np.linalg.inv(self.matrix).astype(np.float64)
        return _apply(back, np.asarray(board_mm, float))


def fit_projection(pixels: ArrayLike, board_mm: ArrayLike) -> Projection:
    """Find the transform through given points.

    Args:
        pixels: float[n, 2], column and row, n at least 4.
        board_mm: float[n, 2], where they lie on the board.

    Raises:
        InputError: fewer than four points, or points too close to one line to fix a transform.

    >>> square = [(0, 0), (100, 0), (100, 50), (0, 50)]
    >>> fit_projection(square, [(0, 0), (20, 0), (20, 10), (0, 10)]).to_board((50, 25)).round(6).tolist()
    [10.0, 5.0]
    """
    source, target = np.asarray(pixels, float), np.asarray(board_mm, float)
    if source.shape != target.shape or source.ndim != 2 or source.shape[1] != 2:
        raise InputError("registration: as many points on the board as in the picture are needed, two numbers each")
    if not (np.abs(source).max() < FARTHEST and np.abs(target).max() < FARTHEST):
        raise InputError(f"registration: a point is not a number, or lies beyond {FARTHEST:g}")
    if len(source) < 4:
        raise InputError(f"registration: {len(source)} points are too few; four are needed, at best near the corners")
    for points, where in ((source, "in the picture"), (target, "on the board")):
        _refuse_lines(points, where)
    linear = _linear(source, target)
    if len(source) == 4:
        return Projection(linear, None)
    scale = np.max(np.abs(target - target.mean(axis=0)))
    found = least_squares(lambda free: ((_apply(_matrix(free), source) - target) / scale).ravel(), _free(linear))
    matrix = _matrix(found.x)
    left = _apply(matrix, source) - target
    return Projection(matrix, float(np.sqrt((left**2).sum(axis=1).mean())))


def _apply(matrix: Floats, points: Floats) -> Floats:
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    result: Floats = mapped[..., :2] / mapped[..., 2:]
    return result


def _free(matrix: Floats) -> Floats:
    free: Floats = (matrix / matrix[2, 2]).ravel()[:8]
    return free


def _matrix(free: Floats) -> Floats:
    return np.append(free, 1.0).reshape(3, 3)


def _normaliser(points: Floats) -> Floats:
    """Moves the centre to the origin and makes the mean distance from it the square root of 2."""
    centre = points.mean(axis=0)
    scale = np.sqrt(2) / np.linalg.norm(points - centre, axis=1).mean()
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]])


def _linear(source: Floats, target: Floats) -> Floats:
    """The direct linear transform: the null vector of two equations a point."""
    before, after = _normaliser(source), _normaliser(target)
    rows = []
    for (x, y), (u, v) in zip(_apply(before, source), _apply(after, target), strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    matrix = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    whole = np.linalg.inv(after) @ matrix @ before
    scaled: Floats = whole / whole[2, 2]
    return scaled


def _refuse_lines(points: Floats, where: str) -> None:
    """Four points need every three of them apart from a line; of more, some four do."""
    if any(_spans(points[list(four)]) for four in combinations(range(len(points)), 4)):
        return
    raise InputError(f"registration: the points {where} lie nearly on one line or on each other; "
                     "take four that span the board")  # fmt: skip


def _spans(four: Floats) -> bool:
    for a, b, c in combinations(four, 3):
        longest = max(np.linalg.norm(a - b), np.linalg.norm(b - c), np.linalg.norm(c - a))
        doubled_area = abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])
        if doubled_area <= _NEARLY_IN_LINE * longest**2:
            return False
    return True


# The file of points -----------------------------------------------------------------------------------------


class _Point(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    thermal: Pair | None = None
    photo: Pair | None = None
    board_mm: Pair | None = None
    pad: str | None = None


class _PointsFile(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    point: list[_Point] = Field(min_length=4)


@dataclass(frozen=True, slots=True)
class Registered:
    """The transforms that a file of points gives: of the thermal picture, and of the photo where it has four points."""

    thermal: Projection
    photo: Projection | None


def read_points(path: Path, circuit: Circuit) -> Registered:
    """Read a file of points and fit the transforms.

    Each `[[point]]` has `thermal = [column, row]` or `photo = [column, row]` or both, and its place on the board as
    `board_mm = [x, y]` or as `pad = "C7.1"`.

    Raises:
        InputError: the file cannot be read, or its points do not fix a transform; the line names the file.
    """
    try:
        given = _PointsFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
        places = [_place(point, number, circuit) for number, point in enumerate(given.point, start=1)]
        return _registered(given.point, places)
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(f"{path}: {where}: {first['msg']}") from error
    except (InputError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: {error}") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _registered(points: Sequence[_Point], places: Sequence[tuple[float, float]]) -> Registered:
    thermal = _fit([point.thermal for point in points], places)
    if thermal is None:
        raise InputError("no point has a place in the thermal picture")
    return Registered(thermal, _fit([point.photo for point in points], places))


def _place(point: _Point, number: int, circuit: Circuit) -> tuple[float, float]:
    if (point.board_mm is None) == (point.pad is None):
        raise InputError(f"point {number} needs its place on the board, as board_mm or as pad")
    if point.board_mm is not None:
        return point.board_mm
    if point.pad not in circuit.pads:
        raise InputError(f"point {number}: {circuit.name} has no pad {point.pad}")
    pin = circuit.pads[point.pad][1]
    return pin.x_mm, pin.y_mm


def _fit(pixels: Sequence[tuple[float, float] | None], places: Sequence[tuple[float, float]]) -> Projection | None:
    both = [(pixel, place) for pixel, place in zip(pixels, places, strict=True) if pixel is not None]
    if not both:
        return None
    return fit_projection([pixel for pixel, _ in both], [place for _, place in both])
