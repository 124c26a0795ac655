"""What was measured, seen or reported on a board, and the odds that follow: the words all of `board` speaks in."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class Kind(StrEnum):
    """What a reading is. The values are what a journal writes."""

    RESISTANCE = "resistance"  # two-wire: leads and contacts are in the reading; unit ohm
    FOUR_WIRE = "four-wire resistance"  # unit ohm
    CONTINUITY = "continuity"  # the beeper: 1 joined, 0 not
    DIODE = "diode test"  # red lead on the first place; unit V; infinity is "open"
    VOLTAGE = "voltage"  # under a supply; unit V
    CURRENT = "current"  # out of the supply; unit A
    DROP = "voltage drop"  # between two pads of a net while a supply injects current; unit V
    CLOCK = "clock"  # a scope at the crystal of the powered board: 1 swings, 0 does not
    LIFTED = "part off the board"  # the part by itself after lifting: 1 faulty, 0 good


@dataclass(frozen=True, slots=True)
class Supply:
    """A bench supply joined to two pads, with both of its limits.

    Attributes:
        red, black: pads, as in `Reading`.
        volts: voltage limit.
        amperes: current limit.
    """

    red: str
    black: str
    volts: float
    amperes: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one instrument.

    Attributes:
        kind: what was measured.
        place: the pads that the leads touched, red first: `("C7.1", "J1.4")`. A pad is `part.pin`; the contact of a
            connector, where a plug would touch, is `part.pin@plug`. A reading of one part (`LIFTED`, `CLOCK`) has the
            part's name alone: `("C7",)`.
        value: in `unit`; `math.inf` where the meter showed that its range was exceeded.
        unit: "ohm", "V", "A", or "" for yes (1) and no (0).
        sigma: standard deviation of the instrument at this value, in `unit`; for yes and no the chance of a mistake.
        supply: what fed the board meanwhile, if anything did.
        removed: names of the parts that were off the board.
        instrument, note: for the journal.
        time: when it was taken; None where nobody wrote it down.
    """

    kind: Kind
    place: tuple[str, ...]
    value: float
    unit: str
    sigma: float
    supply: Supply | None = None
    removed: frozenset[str] = frozenset()
    instrument: str = ""
    note: str = ""
    time: datetime | None = None

    def __post_init__(self) -> None:
        if math.isnan(self.value) or not self.sigma >= 0:
            raise ValueError(f"a reading needs a value and a sigma of at least 0, not {self.value} and {self.sigma}")
        if not self.place:
            raise ValueError("a reading needs a place: the pads that the leads touched, or the part")

    @property
    def text(self) -> str:
        """The reading in one line.

        >>> Reading(Kind.FOUR_WIRE, ("C7.1", "C7.2"), 0.31, "ohm", 0.001).text
        'four-wire resistance C7.1 to C7.2: 310 mohm'
        """
        return f"{self.kind} {' to '.join(self.place)}: {quantity(self.value, self.unit)}"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Anything else that speaks for or against faults: a thermal picture, what the host saw, a remark of the owner.

    Attributes:
        text: one line for the report.
        log_likelihoods: natural logarithm of the chance of this observation by the key of the fault
            (`faults.Fault.key`); only differences count.
        otherwise: the same for every fault that is not named.
        source: "thermal picture", "host", ...
    """

    text: str
    log_likelihoods: Mapping[str, float] = field(default_factory=dict)
    otherwise: float = 0.0
    source: str = ""
    time: datetime | None = None


Observation = Reading | Evidence


@dataclass(frozen=True, slots=True)
class Chance:
    """One fault and its probability.

    Attributes:
        key: `faults.Fault.key`.
        parts: names of the parts that are at fault; two for a pair.
        text: the fault in words.
        probability: between 0 and 1.
    """

    key: str
    parts: tuple[str, ...]
    text: str
    probability: float


@dataclass(frozen=True, slots=True)
class Odds:
    """All faults with their probabilities, most likely first; they add up to 1."""

    chances: tuple[Chance, ...]

    @property
    def best(self) -> Chance:
        """The most likely fault."""
        return self.chances[0]

    def of(self, key: str) -> float:
        """Probability of one fault; 0 for a key that is not there."""
        return next((chance.probability for chance in self.chances if chance.key == key), 0.0)

    def by_parts(self) -> dict[tuple[str, ...], float]:
        """Probability of each set of guilty parts, whatever is wrong with them, most likely first."""
        sums: dict[tuple[str, ...], float] = {}
        for chance in self.chances:
            sums[chance.parts] = sums.get(chance.parts, 0.0) + chance.probability
        return dict(sorted(sums.items(), key=lambda item: -item[1]))

    def guilt(self, part: str) -> float:
        """Probability that a part is at fault, alone or with another."""
        return sum(chance.probability for chance in self.chances if part in chance.parts)


_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"))


def percent(chance: float) -> str:
    """A chance for a person; never 0 % or 100 % for what is not settled.

    >>> percent(0.4321), percent(0.0004), percent(0.99991), percent(0.0)
    ('43 %', 'under 0.1 %', 'over 99.9 %', '0 %')
    """
    if 0 < chance < 0.001:
        return "under 0.1 %"
    if 0.999 < chance < 1:
        return "over 99.9 %"
    digits = 1 if chance < 0.1 or chance > 0.9 else 0
    return f"{100 * chance:.{digits}f}".removesuffix(".0") + " %"


def quantity(value: float, unit: str) -> str:
    """A value with its unit as a person writes it, three digits.

    >>> quantity(0.0197, "ohm"), quantity(1520, "ohm"), quantity(3.2e-5, "V"), quantity(math.inf, "V"), quantity(1, "")
    ('19.7 mohm', '1.52 kohm', '32 uV', 'beyond the range', 'yes')
    """
    if not unit:
        return "yes" if value > 0.5 else "no"
    if math.isinf(value):
        return "beyond the range"
    size = abs(value)
    if size < 1e-9:
        return f"0 {unit}"
    scale, prefix = next(((s, p) for s, p in _PREFIXES if size >= 0.9995 * s), _PREFIXES[-1])
    return f"{value / scale:.3g} {prefix}{unit}"
