"""Warm boards by finite differences, seen by a made-up camera: nothing in common with the fitted formulas."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

from deadstick.board.registration import Projection, fit_projection
from deadstick.board.thermal_files import Frame

STEP_MM = 0.25
CORNERS = ((40, 30), (280, 50), (270, 230), (50, 215))
"""Pixels at which a camera held by hand sees the corners of the board."""


@dataclass(frozen=True)
class Heater:
    """A rectangle that gives off heat evenly."""

    x: float
    y: float
    watts: float
    width: float = 1.0
    height: float = 0.5


def warm_plate(heaters: Sequence[Heater], size_mm: tuple[float, float], spread_mm: float) -> NDArray[np.float64]:
    """Rise [y, x] at the centres of square cells, edges insulated, on a scale of its own.

    Solves theta - L^2 laplace(theta) = q by finite volumes.
    """
    across, up = (round(length / STEP_MM) for length in size_mm)
    laplace = sparse.kron(sparse.eye_array(up), _second_difference(across)) + sparse.kron(
        _second_difference(up), sparse.eye_array(across)
    )
    xs, ys = (np.arange(across) + 0.5) * STEP_MM, (np.arange(up) + 0.5) * STEP_MM
    power = np.zeros((up, across))
    for heater in heaters:
        under = (abs(ys - heater.y) <= heater.height / 2)[:, None] & (abs(xs - heater.x) <= heater.width / 2)
        power[under] += heater.watts / under.sum()
    system = sparse.eye_array(up * across) - spread_mm**2 * laplace
    solved = spsolve(system.tocsc(), power.ravel())
    return np.asarray(solved, np.float64).reshape(up, across)


def _second_difference(cells: int) -> sparse.csr_array:
    matrix = sparse.diags_array(
        [np.ones(cells - 1), np.full(cells, -2.0), np.ones(cells - 1)], offsets=[-1, 0, 1]
    ).tolil()
    matrix[0, 0] = matrix[-1, -1] = -1.0
    return matrix.tocsr() / STEP_MM**2


def camera(size_mm: tuple[float, float]) -> Projection:
    width, height = size_mm
    return fit_projection(CORNERS, [(0, 0), (0, height), (width, height), (width, 0)])


def seen(
    plate: NDArray[np.float64], projection: Projection, shape: tuple[int, int] = (240, 320)
) -> NDArray[np.float64]:
    """The plate as the camera sees it, a little out of focus."""
    pixels = np.stack(np.meshgrid(np.arange(shape[1]), np.arange(shape[0])), axis=-1).astype(float)
    board = projection.to_board(pixels)
    at = [board[..., 1] / STEP_MM - 0.5, board[..., 0] / STEP_MM - 0.5]
    sharp = ndimage.map_coordinates(plate, at, order=1, mode="nearest")
    return np.asarray(ndimage.gaussian_filter(sharp, 1.0), np.float64)


def photographed(
    heaters: Sequence[Heater],
    size_mm: tuple[float, float],
    *,
    spread_mm: float = 8.0,
    hottest_k: float = 10.0,
    noise_k: float = 0.06,
    drift_k: float = 0.8,
    seed: int = 1,
) -> tuple[Frame, Frame, Projection]:
    """The board before and under power: surfaces look unlike each other, and the room gets warmer meanwhile."""
    rng = np.random.default_rng(seed)
    projection = camera(size_mm)
    warm = seen(warm_plate(heaters, size_mm, spread_mm), projection) if heaters else np.zeros((240, 320))
    warm = warm * (hottest_k / warm.max()) if heaters else warm
    surfaces = 25 + ndimage.gaussian_filter(rng.normal(0, 6, warm.shape), 2)
    noise = rng.normal(0, noise_k, (2, *warm.shape))
    before = Frame(surfaces + noise[0], "before")
    return before, Frame(surfaces + warm + drift_k + noise[1], "powered"), projection
