"""A board in the making: draws values from ranges, numbers the parts, places the pads. Used by `templates`."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin

GROUND = "GND"


@dataclass
class Draft:
    """Collects nets and parts.

    Attributes:
        rng: draws values and positions; None takes the middle of every range and the exact positions.
    """

    rng: np.random.Generator | None
    nets: dict[str, Net] = field(default_factory=dict)
    parts: list[Part] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def between(self, low: float, high: float) -> float:
        """A value between two limits, even on a logarithmic scale, in three digits."""
        place = 0.5 if self.rng is None else float(self.rng.uniform())
        return float(f"{low * (high / low) ** place:.3g}")

    def count(self, low: int, high: int) -> int:
        """A number from `low` to `high`, both included."""
        return (low + high) // 2 if self.rng is None else int(self.rng.integers(low, high + 1))

    def coin(self, chance: float) -> bool:
        """True with this chance; without a generator, what is more likely."""
        return chance >= 0.5 if self.rng is None else bool(self.rng.uniform() < chance)

    def net(self, name: str, kind: NetKind = NetKind.SIGNAL, volts: float | None = None) -> str:
        """Declare a net; ground becomes a plane, power gets the wider traces."""
        width = self.between(0.4, 1.2) if kind is NetKind.POWER else self.between(0.12, 0.25)
        self.nets[name] = Net(name, kind, volts, plane=kind is NetKind.GROUND, width_mm=width)
        return name

    def name(self, letter: str) -> str:
        """The next free designator."""
        self.counts[letter] = self.counts.get(letter, 0) + 1
        return f"{letter}{self.counts[letter]}"

    def two(self, letter: str, kind: PartKind, nets: tuple[str, str], at: tuple[float, float], value: float) -> str:
        """A part with two pads, one millimetre apart, lying along x or y; gives its name."""
        name = self.name(letter)
        x, y = at[0] + self._jitter(0.6), at[1] + self._jitter(0.6)
        dx, dy = (0.5, 0.0) if self.coin(0.5) else (0.0, 0.5)
        pads = ("K", "A") if kind is PartKind.DIODE else ("1", "2")
        pins = (Pin(pads[0], nets[0], x - dx, y - dy), Pin(pads[1], nets[1], x + dx, y + dy))
        self.parts.append(Part(name, kind, pins, value))
        return name

    def caps(self, net: str, centre: tuple[float, float], count: int, value: float = 1e-7) -> None:
        """Capacitors from a rail to ground, in a ring around a point."""
        start = 0.3 if self.rng is None else float(self.rng.uniform(0, 2 * np.pi))
        for number in range(count):
            angle = start + 2 * np.pi * number / count
            radius = self.between(2.2, 4.2)
            at = (centre[0] + radius * float(np.cos(angle)), centre[1] + radius * float(np.sin(angle)))
            self.two("C", PartKind.CAPACITOR, (net, GROUND), at, value)

    def chip(
        self,
        name: str,
        kind: PartKind,
        at: tuple[float, float],
        size_mm: float,
        pins: list[Pin],
        value: float | None = None,
    ) -> None:
        """A part whose pads run around a square; the positions in `pins` are replaced."""
        x, y = at[0] + self._jitter(0.5), at[1] + self._jitter(0.5)
        self.parts.append(Part(name, kind, around(pins, x, y, size_mm), value))

    def circuit(self, name: str, width_mm: float, height_mm: float) -> Circuit:
        """The finished board; what fell off its edge is moved back onto it."""

        def inside(pin: Pin) -> Pin:
            x, y = np.clip(pin.x_mm, 0.3, width_mm - 0.3), np.clip(pin.y_mm, 0.3, height_mm - 0.3)
            return replace(pin, x_mm=round(float(x), 2), y_mm=round(float(y), 2))

        parts = tuple(replace(part, pins=tuple(inside(pin) for pin in part.pins)) for part in self.parts)
        return Circuit(name, tuple(self.nets.values()), parts, width_mm, height_mm)

    def _jitter(self, size_mm: float) -> float:
        return 0.0 if self.rng is None else float(self.rng.uniform(-size_mm, size_mm))


def pin(name: str, net: str, *, load_a: float | None = None, supplies_v: float | None = None) -> Pin:
    """A pin that `Draft.chip` will place."""
    return Pin(name, net, 0.0, 0.0, load_a=load_a, supplies_v=supplies_v)


def around(pins: Sequence[Pin], x_mm: float, y_mm: float, size_mm: float) -> tuple[Pin, ...]:
    """Pins placed around a square."""
    placed = []
    for number, one in enumerate(pins):
        side, along = divmod(4 * (number + 0.5) / len(pins), 1)
        edge = ((along - 0.5, -0.5), (0.5, along - 0.5), (0.5 - along, 0.5), (-0.5, 0.5 - along))[int(side)]
        placed.append(replace(one, x_mm=x_mm + size_mm * edge[0], y_mm=y_mm + size_mm * edge[1]))
    return tuple(placed)


def side_by_side(pins: Sequence[Pin], x_mm: float, y_mm: float) -> tuple[Pin, ...]:
    """Two pins a millimetre apart along x."""
    first, second = pins
    return replace(first, x_mm=x_mm - 0.5, y_mm=y_mm), replace(second, x_mm=x_mm + 0.5, y_mm=y_mm)
