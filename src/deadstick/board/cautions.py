"""Cautions, shown at the steps of the bench work where they matter.

They remind; they do not train, and they are no instruction for the work. Rules of the workplace and of the country,
the data sheets, and people who are qualified for the work come before them. Each names its source; "common practice,
no source" and "from memory" mean what they say.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

DEFER = (
    "These are reminders, not instructions. Your workplace's and country's rules, the data sheets, and people "
    "qualified for this work come first; if you are not one of them, hand this step to one."
)
PRACTICE = "common practice, no source"


class Step(StrEnum):
    """Steps of the bench work that can hurt a person, the device or the data."""

    OPEN = "open"
    """Take the board out of its case."""
    PROBE = "probe"
    """Measure with the supply off."""
    POWER = "power"
    """Feed the board, from a supply or from a host."""
    INJECT = "inject"
    """Drive a known current into a net to follow a short."""
    THERMAL = "thermal"
    """Look for warmth."""
    LIFT = "lift"
    """Take a part off, or put one on, with hot air or iron."""
    LIFT_NAND = "lift-nand"
    """Heat the memory chip itself."""


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Attributes:
        subject: what it is about, a word or two.
        text: what to mind, in one or two sentences.
        source: on what it rests.
        steps: where it matters.
    """

    subject: str
    text: str
    source: str
    steps: frozenset[Step]


def _caution(subject: str, text: str, source: str, *steps: Step) -> Caution:
    return Caution(subject, text, source, frozenset(steps))


CAUTIONS = (
    _caution(
        "lithium cell",
        "Look for a lithium cell before anything else. Where there is one, take it out before any heat or any "
        "supply; do not heat, bend, puncture or short it. A swollen or damaged cell is a matter for people trained "
        "for it.",
        "common practice; limits of the cell's own data sheet rule",
        Step.OPEN,
        Step.POWER,
        Step.INJECT,
        Step.LIFT,
        Step.LIFT_NAND,
    ),
    _caution(
        "static",
        "Work in a protected area with a checked wrist strap: person and strap to ground below 35 megohm. Never wear a "
        "strap on equipment that is live from the mains.",
        "IEC 61340-5-1:2016 for the strap's limit, read in a secondary source; the rest: " + PRACTICE,
        Step.OPEN,
        Step.PROBE,
        Step.POWER,
        Step.INJECT,
        Step.LIFT,
        Step.LIFT_NAND,
    ),
    _caution(
        "charge left",
        "Unplug, wait for capacitors to discharge and check for a voltage before a resistance or a diode is "
        "measured: a charged net falsifies the reading and can harm the meter.",
        PRACTICE,
        Step.PROBE,
    ),
    _caution(
        "current limit",
        "Set voltage and current limit of the supply, and check both into a dummy load, before the board is "
        "connected. Begin low. Keep the voltage at or below the lowest rating of any part on the net: on the core "
        "rail that is far below 5 V.",
        PRACTICE,
        Step.POWER,
        Step.INJECT,
    ),
    _caution(
        "your computer",
        "A shorted stick can make a port switch off or fail. Use a powered hub or a supply, not the port of a "
        "computer that you need.",
        PRACTICE,
        Step.POWER,
    ),
    _caution(
        "data at power",
        "Every power-up lets a controller that still runs write to the memory. Where a raw read or a repair is "
        "still open, power no longer and no more often than the test needs, and let nothing mount or repair the "
        "volume.",
        PRACTICE,
        Step.POWER,
    ),
    _caution(
        "through the NAND",
        "Never inject current into a pin or a rail of the NAND beyond its rating; inject from the far side of the "
        "net, and stop when the memory itself warms up.",
        PRACTICE,
        Step.INJECT,
    ),
    _caution(
        "hot parts",
        "A shorted part can be hot enough to burn skin within seconds, and small parts can burst. No bare finger as a "
        "thermometer; eye protection; nothing left alone under power.",
        PRACTICE,
        Step.POWER,
        Step.INJECT,
        Step.THERMAL,
    ),
    _caution(
        "solvents",
        "If a volatile liquid is used to make warmth visible: flammable vapour, so no flame, no hot air and no iron "
        "near it, and good ventilation.",
        PRACTICE,
        Step.THERMAL,
    ),
    _caution(
        "flux fume",
        "Rosin fume causes occupational asthma. Extract it at its source, every time and correctly placed: moderate "
        "soldering without control passed the British exposure limits (0.05 mg/m3 over 8 h, 0.15 mg/m3 over 15 min) "
        "more than thirtyfold.",
        "HSE research report RR900",
        Step.LIFT,
        Step.LIFT_NAND,
    ),
    _caution(
        "hot air",
        "Nozzle, board and tweezers burn skin, and plastic nearby melts and smokes. Shield the neighbours, above "
        "all the NAND; nothing flammable near; let the board cool before it is touched or measured.",
        PRACTICE,
        Step.LIFT,
        Step.LIFT_NAND,
    ),
    _caution(
        "heat against data",
        "Heat costs retention. One study found that thermal removal can raise the errors by two or more orders of "
        "magnitude; another found no significant effect of the temperature on success. Heat the NAND "
        "only when the raw read is the chosen route, once, as short and as cool as the solder allows.",
        "Fukami et al., DFRWS-EU 2017, doi 10.1016/j.diin.2017.01.011; against it Ence et al., JDFSL 13(4), 2018, "
        "doi 10.15394/jdfsl.2018.1545 (abstracts)",
        Step.LIFT_NAND,
    ),
    _caution(
        "moisture against data",
        "A moist package can crack when it is heated fast, so moist parts are baked first. For a NAND that bake is "
        "not free: by Arrhenius with 1.1 eV, 24 h at 125 C age the charge like decades at 30 C. Weigh it; a longer "
        "bake at a lower temperature, or a dry store, costs less.",
        "J-STD-033 for the practice (from memory); the figure: Arrhenius extrapolated far beyond its proven range",
        Step.LIFT_NAND,
    ),
    _caution(
        "no way back",
        "This step cannot be undone. Note who agreed to it, photograph the board first, and keep every part that "
        "comes off.",
        PRACTICE,
        Step.LIFT,
        Step.LIFT_NAND,
    ),
)


def cautions_for(steps: Iterable[Step | str]) -> tuple[Caution, ...]:
    """The cautions that matter at any of some steps, in the order in which they are listed, each once.

    >>> [caution.subject for caution in cautions_for([Step.THERMAL])]
    ['hot parts', 'solvents']

    Raises:
        ValueError: a step has no such name.
    """
    wanted = {Step(step) for step in steps}
    return tuple(caution for caution in CAUTIONS if caution.steps & wanted)
