"""What warm places say about parts, and so about faults: softly, by position.

A part that gives off heat is taken as evenly warm over its body, and the position of the spot has a normal error; the
density of a spot at x is then the mean of the normal density over the body, which for a rectangle is a product of
differences of error functions. A large body spreads its density over its area, so that a small part under the spot is
not outvoted by a large one nearby.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from deadstick.board.circuit import Circuit, Part
from deadstick.board.readings import Evidence, Supply, percent
from deadstick.board.thermal import Spot, ThermalPicture

KELVIN_PER_WATT = 100.0
"""A small part soldered to a plane: order of magnitude only (from memory; common practice, no source)."""
ORDER_OF_MAGNITUDE = math.log(3.0)
"""One standard deviation of the logarithm of the warming, as it is known to an order of magnitude."""
STRAY = 0.1
"""Chance that a spot is none of the expected warmth: a reflection, a trace, a finger's warmth."""
BODY_MARGIN_MM = 0.3
"""How far a body reaches beyond the middles of its pads."""
LEAST_HALF_MM = 0.25


@dataclass(frozen=True, slots=True)
class Body:
    """The rectangle that a part covers."""

    left: float
    bottom: float
    right: float
    top: float

    def density(self, x: float, y: float, sigma: float) -> float:
        """Density per square millimetre of a spot at a place, if this body is its source."""
        return _mean_normal(x, self.left, self.right, sigma) * _mean_normal(y, self.bottom, self.top, sigma)


def body(part: Part) -> Body:
    """The rectangle around a part's pads."""
    xs, ys = [pin.x_mm for pin in part.pins], [pin.y_mm for pin in part.pins]
    x, y = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    across = max((max(xs) - min(xs)) / 2 + BODY_MARGIN_MM, LEAST_HALF_MM)
    up = max((max(ys) - min(ys)) / 2 + BODY_MARGIN_MM, LEAST_HALF_MM)
    return Body(x - across, y - up, x + across, y + up)


def parts_at(spot: Spot, circuit: Circuit) -> dict[str, float]:
    """Which part a spot lies on, by position alone: probabilities, most likely first; the rest is no part at all."""
    densities = {part.name: body(part).density(spot.x_mm, spot.y_mm, spot.sigma_mm) for part in circuit.parts}
    # Before looking, a spot is on one of the parts, each as likely, or with the chance STRAY anywhere.
    weights = {name: density * (1 - STRAY) / len(densities) for name, density in densities.items()}
    total = sum(weights.values()) + STRAY / (circuit.width_mm * circuit.height_mm)
    return dict(sorted(((name, weight / total) for name, weight in weights.items()), key=lambda item: -item[1]))


def thermal_evidence(
    picture: ThermalPicture, circuit: Circuit, watts: Mapping[str, Mapping[str, float]], supply: Supply, files: str = ""
) -> Evidence:
    """The picture as evidence over faults.

    For each fault the chance of what was seen: every spot lies on a part in proportion to the power that the fault
    makes in it, or is a stray; and warmth that was expected would have been seen, as far as its size is known.

    Args:
        picture: with its spots; none is evidence too.
        circuit: the board.
        watts: power in each part, by fault key, under the supply that was on.
        supply: what was on; pictures under the same supply are one source.
        files: names of the pictures, for the text.
    """
    area = circuit.width_mm * circuit.height_mm
    bodies = {part.name: body(part) for part in circuit.parts}
    densities = [
        {name: one.density(spot.x_mm, spot.y_mm, spot.sigma_mm) for name, one in bodies.items()}
        for spot in picture.spots
    ]
    chances: dict[str, float] = {}
    for key, heat in watts.items():
        total = sum(heat.values())
        visible = _visible(max(heat.values(), default=0.0), picture.faintest_k)
        if not picture.spots:
            chances[key] = math.log(max(1 - visible, STRAY / 2))
            continue
        # With next to no power any spot is a stray; the floor keeps the odds from being settled by one picture.
        chance = math.log(max(visible, STRAY / 2))
        for density in densities:
            expected = sum(share / total * density[name] for name, share in heat.items()) if total > 0 else 0.0
            chance += math.log(STRAY / area + (1 - STRAY) * expected)
        chances[key] = chance
    named = f" ({files})" if files else ""
    source = f"thermal picture, {supply.volts:g} V at {supply.red}"
    # For faults of parts that are declared later: neither for nor against them.
    top = max(chances.values(), default=0.0)
    neutral = top + math.log(sum(math.exp(one - top) for one in chances.values()) / len(chances)) if chances else 0.0
    return Evidence(describe(picture, circuit) + named, chances, neutral, source)


def describe(picture: ThermalPicture, circuit: Circuit) -> str:
    """The spots in a sentence."""
    if not picture.spots:
        return f"no spot warmer than the board around it by {picture.faintest_k:.2g} K"
    words = []
    for spot in picture.spots:
        likely = [f"{name} {percent(share)}" for name, share in parts_at(spot, circuit).items() if share >= 0.1][:3]
        where = f"{spot.rise_k:.2g} K at ({spot.x_mm:.1f}, {spot.y_mm:.1f}) mm"
        words.append(f"{where}: {', '.join(likely) or 'no part that is known'}")
    return f"{len(words)} warm {'place' if len(words) == 1 else 'places'}: " + "; ".join(words)


def _visible(watts: float, faintest_k: float) -> float:
    """Chance that a part with so much power is warm enough to be seen."""
    if watts <= 0:
        return 0.0
    return _normal_below(math.log(watts * KELVIN_PER_WATT / faintest_k) / ORDER_OF_MAGNITUDE)


def _mean_normal(x: float, low: float, high: float, sigma: float) -> float:
    return (_normal_below((x - low) / sigma) - _normal_below((x - high) / sigma)) / (high - low)


def _normal_below(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))
