"""A small line plot as SVG: logarithmic rates below, shares from 0 to 1 at the side."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 720, 420
LEFT, RIGHT, TOP, BOTTOM = 64, 24, 24, 56


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its points as (rate, share), and whether it is dashed or has marks."""

    name: str
    points: Sequence[tuple[float, float]]
    colour: str
    dashed: bool = False


def svg(lines: Sequence[Line], title: str, below: str, beside: str) -> str:
    """The plot as a file's text.

    Args:
        lines: at least one point in all.
        title: what is shown, for those who cannot see it.
        below: what the rates are.
        beside: what the shares are.
    """
    rates = [rate for line in lines for rate, _ in line.points]
    low, high = math.log10(min(rates)), math.log10(max(rates))

    def place(rate: float, share: float) -> tuple[float, float]:
        along = (math.log10(rate) - low) / (high - low or 1.0)
        return LEFT + along * (WIDTH - LEFT - RIGHT), TOP + (1 - share) * (HEIGHT - TOP - BOTTOM)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" font-family="sans-serif">',
        "<style>text { font-size: 13px }</style>",
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
    ]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        x, y = place(10**low, share)
        parts.append(f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#d8d8d8"/>')
        parts.append(f'<text x="{x - 8:.0f}" y="{y + 4:.1f}" text-anchor="end">{share:.0%}</text>')
    for rate in _marks(low, high):
        x, y = place(rate, 0.0)
        parts.append(f'<path d="M{x:.1f} {TOP}V{y:.1f}" stroke="#eeeeee"/>')
        parts.append(f'<text x="{x:.1f}" y="{y + 18:.1f}" text-anchor="middle">{rate:.0e}</text>')
    for number, line in enumerate(lines):
        parts += _drawn(line, [place(*point) for point in line.points], number)
    middle = (TOP + HEIGHT - BOTTOM) / 2
    parts.append(
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 14}" text-anchor="middle">{escape(below)}</text>'
    )
    parts.append(
        f'<text x="16" y="{middle}" text-anchor="middle" transform="rotate(-90 16 {middle})">{escape(beside)}</text>'
    )
    return "\n".join([*parts, "</svg>"]) + "\n"


def _drawn(line: Line, places: list[tuple[float, float]], number: int) -> list[str]:
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    dash = ' stroke-dasharray="6 4"' if line.dashed else ""
    parts = [f'<polyline points="{path}" fill="none" stroke="{line.colour}" stroke-width="2"{dash}/>']
    if not line.dashed:
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{line.colour}"/>' for x, y in places]
    y = HEIGHT - BOTTOM - 16 - 20 * number
    parts.append(f'<path d="M{LEFT + 14} {y - 4}h28" stroke="{line.colour}" stroke-width="2"{dash}/>')
    parts.append(f'<text x="{LEFT + 50}" y="{y}">{escape(line.name)}</text>')
    return parts


def _marks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times the powers of ten in range."""
    powers = range(math.floor(low), math.ceil(high) + 1)
    rates = [step * 10.0**power for power in powers for step in (1, 2, 5)]
    return [rate for rate in rates if low - 1e-9 <= math.log10(rate) <= high + 1e-9]
