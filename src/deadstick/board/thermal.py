"""Hot spots of a powered board, and which part each of them speaks for.

The picture before power is taken from the picture under power, which also takes away most of what differs between
surfaces. What is left is spread by conduction, so the warmest pixel is a poor guide to the width of a spot and a fair
one to its middle. Each spot is fitted with the exact solution for a disc that gives off heat in a thin plate that loses
heat from its faces:

    theta(r) = (q / h) (1 - (s/L) K1(s/L) I0(r/L))   inside the disc, r <= s
    theta(r) = (q / h) (s/L) I1(s/L) K0(r/L)         outside it

with q the power per area, h the loss per area and kelvin, L = sqrt(k t / h) the spreading length of a plate of
conductivity k and thickness t. It solves k t laplace(theta) = h theta - q, the fin equation (H. S. Carslaw, J. C.
Jaeger, *Conduction of Heat in Solids*, 2nd ed., has its family; the tests check the solution against the equation
itself). Edges of the board and far heat are smooth where the spot is sharp, and a plane under the spots takes them up.

Where sources lie near each other, their warm regions melt together. Spots are therefore looked for in the source map:
minus the Laplacian of the smoothed rise, which by the same equation is the power per area but for a smooth rest.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import i0e, i1e, k0e, k1e

from deadstick.board.registration import Projection
from deadstick.board.thermal_files import Frame
from deadstick.errors import InputError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_SPOTS = 6
MOST_BACKGROUND_K = 60.0
"""A board that is warmer than this all over is none: units or scenes differ."""
SCALES_MM = (0.5, 1.0, 2.0)
"""Radii of sources that are looked for: half of a small capacitor, to a chip's die."""
REGISTRATION_MM = 0.4
"""How well a person points at a pad in a thermal picture; common practice, no source."""
_SIGMAS = 7.0
"""A spot stands out from the noise of the source map by so many standard deviations."""
_FAINTEST = 0.15
"""Of the strongest source: weaker ones may be ripples around it."""
_WINDOW_MM, _WIDTHS = 2.5, 2.0
"""A spot is fitted within `_WINDOW_MM` plus so many of its widths."""
_MOST_PIXELS = 1500


@dataclass(frozen=True, slots=True)
class Spot:
    """A place that got warm.

    Attributes:
        x_mm, y_mm: middle of the source on the board.
        rise_k: over background, as the picture shows it at the middle.
        own_k: what the spot itself adds to the warmth around it, by the fit.
        radius_mm: of the disc that was fitted; a rough figure.
        sigma_mm: standard deviation of the position: noise, registration, and what the model does not explain.
        noise_sigmas: how far it stands out from the noise of the source map.
    """

    x_mm: float
    y_mm: float
    rise_k: float
    own_k: float
    radius_mm: float
    sigma_mm: float
    noise_sigmas: float


@dataclass(frozen=True)
class ThermalPicture:
    """What two pictures and their registration tell.

    Attributes:
        rise_k: float64[rows, columns], under power minus before, over background; NaN outside the board.
        background_k: what the whole board rose by.
        noise_k: standard deviation of a pixel.
        spots: warmest first.
        projection: pixels to board.
    """

    rise_k: Floats
    background_k: float
    noise_k: float
    spots: tuple[Spot, ...]
    projection: Projection

    @property
    def faintest_k(self) -> float:
        """A rise over background that would hardly have been missed."""
        return 3.0 * self.noise_k


def disc_rise(distance_mm: Floats, radius_mm: float, spread_mm: float) -> Floats:
    """Rise of a plate around a warm disc, as a share of the rise at its middle.

    Args:
        distance_mm: from the middle of the disc, any shape.
        radius_mm: of the disc.
        spread_mm: the spreading length L.

    >>> disc_rise(np.array([0.0, 0.5, 5.0]), 0.5, 5.0).round(3).tolist()
    [1.0, 0.831, 0.144]
    """
    s, r = radius_mm / spread_mm, np.asarray(distance_mm, float) / spread_mm
    # Exponentially scaled Bessel functions: the plain ones overflow far from the disc.
    at_middle = 1.0 - s * k1e(s) * math.exp(-s)
    inside = 1.0 - s * k1e(s) * i0e(np.minimum(r, s)) * np.exp(np.minimum(r, s) - s)
    beyond = np.maximum(r, s)
    outside = s * i1e(s) * k0e(beyond) * np.exp(s - beyond)
    shape: Floats = np.where(r <= s, inside, outside) / at_middle
    return shape


def compare(before: Frame, powered: Frame, projection: Projection, size_mm: tuple[float, float]) -> ThermalPicture:
    """Find the hot spots between two pictures of the same view.

    Args:
        before: picture of the board without power.
        powered: the same view under power.
        projection: from pixels to the board.
        size_mm: width and height of the board; what lies outside is left out.

    Raises:
        InputError: the pictures differ in size or in their units, or show hardly any of the board.
    """
    if before.celsius.shape != powered.celsius.shape:
        sizes = " and ".join(f"{f.source} {f.celsius.shape[1]} x {f.celsius.shape[0]}" for f in (before, powered))
        raise InputError(f"the pictures differ in size ({sizes} pixels); both must show the same view")
    rows, columns = before.celsius.shape
    pixels = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).astype(float)
    places = projection.to_board(pixels)
    on_board = ((places >= 0) & (places <= np.array(size_mm))).all(axis=-1)
    rise = powered.celsius - before.celsius
    seen = on_board & np.isfinite(rise)
    if seen.sum() < 64:
        raise InputError(f"only {seen.sum()} pixels show the board; check the points of the registration")
    background = float(np.median(rise[seen]))
    if abs(background) > MOST_BACKGROUND_K:
        raise InputError(
            f"the whole board differs by {background:.0f} K between {before.source} and {powered.source}; "
            "are the units right (--scale, --offset), and is it the same scene?"
        )
    rise = np.where(seen, rise - background, np.nan)
    noise = _noise(rise)
    seen &= ~_spikes(rise, seen, noise)
    rise = np.where(seen, rise, np.nan)
    groups = _groups(_candidates(rise, seen, places, noise))
    spots = [spot for group in groups for spot in _fit(rise, seen, places, noise, group, projection)]
    return ThermalPicture(rise, background, noise, _credible(spots, size_mm), projection)


def _credible(spots: Sequence[Spot], size_mm: tuple[float, float]) -> tuple[Spot, ...]:
    """Leave out what the fit moved off the board, and ripples around a much stronger source; warmest first."""
    width, height = size_mm
    inside = [spot for spot in spots if 0 <= spot.x_mm <= width and 0 <= spot.y_mm <= height]
    highest = max((spot.own_k for spot in inside), default=0.0)
    widest = max((spot.own_k * spot.radius_mm**2 for spot in inside), default=0.0)
    kept = [
        spot
        for spot in inside
        if spot.own_k > _FAINTEST * highest or spot.own_k * spot.radius_mm**2 > _FAINTEST * widest
    ]
    return tuple(sorted(kept, key=lambda spot: -spot.rise_k))


def _noise(rise: Floats) -> float:
    """Standard deviation of a pixel, from second differences along rows, which a smooth picture hardly has."""
    second = rise[:, 2:] - 2 * rise[:, 1:-1] + rise[:, :-2]
    second = second[np.isfinite(second)]
    # The median, as sharp spots have second differences too; 1.4826 makes it a standard deviation.
    spread = 1.4826 * float(np.median(np.abs(second))) / math.sqrt(1 + 4 + 1) if second.size else 0.0
    return max(spread, 1e-3)


def _spikes(rise: Floats, seen: Bools, noise: float) -> Bools:
    """Pixels that stand alone: optics spread the smallest source over its neighbours, a faulty pixel has none."""
    filled = _filled(rise, seen)
    second, middle = ndimage.rank_filter(filled, -2, size=3), ndimage.median_filter(filled, size=3)
    spikes: Bools = filled - second > 4 * (second - middle) + 8 * noise
    return spikes


def _pixels_per_mm(places: Floats, seen: Bools) -> float:
    across = np.linalg.norm(np.diff(places, axis=1), axis=-1)[seen[:, 1:] & seen[:, :-1]]
    return float(1.0 / np.median(across))


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A maximum of the source map at one scale: its pixel, its place, and how wide and how strong it is."""

    row: int
    column: int
    place: Floats
    scale_mm: float
    noise_sigmas: float
    strength: float


def _candidates(rise: Floats, seen: Bools, places: Floats, noise: float) -> list[_Candidate]:
    """Maxima of the source map that stand out, at the finest scale at which each does; strongest first."""
    per_mm = _pixels_per_mm(places, seen)
    filled = _filled(rise, seen)
    kept: list[_Candidate] = []
    for scale_mm in SCALES_MM:
        for spot in _maxima(filled, seen, places, noise, scale_mm, max(1.2, scale_mm * per_mm)):
            if all(np.linalg.norm(spot.place - other.place) > 1.5 * (scale_mm + other.scale_mm) for other in kept):
                kept.append(spot)
    best = max((spot.strength for spot in kept), default=0.0)
    strong = [spot for spot in kept if spot.strength > _FAINTEST * best / 2]
    return sorted(strong, key=lambda spot: -spot.strength)[:MOST_SPOTS]


def _maxima(
    filled: Floats, seen: Bools, places: Floats, noise: float, scale_mm: float, sigma: float
) -> list[_Candidate]:
    """Maxima of the source map at one scale, `sigma` in pixels, strongest first."""
    sources = -ndimage.gaussian_laplace(filled, sigma, mode="nearest")
    # What the filter makes of white noise: the sum of its squares is 1 / (2 pi sigma^6).
    in_noise = sources / (noise / (math.sqrt(2 * math.pi) * sigma**3))
    radius = max(1, round(sigma))
    peaks = (sources == ndimage.maximum_filter(sources, size=2 * radius + 1)) & (in_noise > _SIGMAS) & seen
    # Next to the rim of what was seen, the Laplacian is made of values that were filled in.
    peaks &= ndimage.binary_erosion(seen, iterations=radius) & (filled > 3 * noise)
    # Times sigma^2, the same point source is equally strong at every scale: the Laplacian of its logarithm is a delta.
    return [
        _Candidate(row, column, places[row, column], scale_mm, float(in_noise[row, column]),
                   float(sources[row, column] * sigma**2))
        for row, column in sorted(np.argwhere(peaks).tolist(), key=lambda place: -sources[tuple(place)])
    ]  # fmt: skip


def _filled(rise: Floats, seen: Bools) -> Floats:
    """The picture with every pixel that has no value given that of the nearest one."""
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    filled: Floats = rise[tuple(nearest)]
    return filled


def _groups(found: Sequence[_Candidate]) -> list[list[_Candidate]]:
    """Candidates that are near enough to warm each other's surroundings, together."""
    groups: list[list[_Candidate]] = []
    for spot in found:
        near = [
            group for group in groups
            if any(np.linalg.norm(spot.place - other.place) < _WINDOW_MM + _WIDTHS * spot.scale_mm for other in group)
        ]  # fmt: skip
        joined = [spot, *(other for group in near for other in group)]
        groups = [group for group in groups if group not in near] + [joined]
    return groups


def _fit(
    rise: Floats, seen: Bools, places: Floats, noise: float, found: Sequence[_Candidate], projection: Projection
) -> tuple[Spot, ...]:
    """Fit the spots of one group together, over the plane that the rest of the board makes around them."""
    inside = np.zeros_like(seen)
    for spot in found:
        reach = _WINDOW_MM + _WIDTHS * spot.scale_mm
        inside |= seen & (np.linalg.norm(places - spot.place, axis=-1) < reach)
    step = max(1, math.isqrt(int(inside.sum()) // _MOST_PIXELS))
    chosen = np.zeros_like(seen)
    chosen[::step, ::step] = inside[::step, ::step]
    at, values = places[chosen], rise[chosen]
    free = np.array([*(value for s in found for value in (*s.place, math.log(s.scale_mm))), math.log(5.0)])
    reach_of = np.array([*(value for s in found for value in (2 * s.scale_mm, 2 * s.scale_mm, 1.4)), 2.5])
    bounds = (free - reach_of, free + reach_of)
    fitted = least_squares(
        lambda point: _residual(point, at, values)[0] / noise,
        free,
        bounds=bounds,
        x_scale=0.2,
        max_nfev=15,
        tr_solver="lsmr",
    )
    heights = _residual(fitted.x, at, values)[1]
    misfit = max(1.0, math.sqrt(2 * fitted.cost / max(1, len(values) - len(free))))
    deviations = _deviations(fitted.jac, len(found)) * misfit
    spots = []
    for index, start in enumerate(found):
        around = rise[max(0, start.row - 1) : start.row + 2, max(0, start.column - 1) : start.column + 2]
        middle = fitted.x[3 * index : 3 * index + 2]
        # Where the fit and the maximum of the source map disagree, the model is not the whole truth.
        moved = float(np.linalg.norm(middle - start.place)) / 2
        sigma = math.hypot(float(deviations[index]), moved, projection.residual_mm or 0.0, REGISTRATION_MM)
        radius = math.exp(fitted.x[3 * index + 2])
        spots.append(
            Spot(float(middle[0]), float(middle[1]), float(np.nanmax(around)), float(heights[index]), radius, sigma,
                 start.noise_sigmas)
        )  # fmt: skip
    return tuple(spot for spot in spots if spot.own_k > 0)


def _residual(point: Floats, at: Floats, values: Floats) -> tuple[Floats, Floats]:
    """What is left of the picture, and the heights that leave least: they enter linearly and are solved for."""
    spread = math.exp(point[-1])
    columns = [
        disc_rise(np.linalg.norm(at - spot[:2], axis=1), math.exp(spot[2]), spread)
        for spot in point[:-1].reshape(-1, 3)
    ]
    across = at - at.mean(axis=0)
    design = np.column_stack([*columns, np.ones(len(at)), across / max(1.0, float(np.abs(across).max()))])
    # Few columns of like size: the normal equations, with a trace of a ridge where two spots fall together.
    normal = design.T @ design
    heights: Floats = np.linalg.solve(normal + 1e-9 * len(at) * np.eye(len(normal)), design.T @ values)
    left: Floats = design @ heights - values
    return left, heights


def _deviations(jacobian: Floats, spots: int) -> Floats:
    """Standard deviation of each position in mm, the root of half the trace of its covariance."""
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    variances = np.diag(covariance)[:-1].reshape(spots, 3)[:, :2]
    deviations: Floats = np.sqrt(np.maximum(variances, 0).mean(axis=1))
    return deviations
