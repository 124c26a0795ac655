"""What the board commands share: the board with its journal, and words of the command line as values."""

import math
import re
import shlex
from dataclasses import dataclass
from pathlib import Path

from deadstick.board import circuit_file
from deadstick.board.bench import BenchDiagnosis
from deadstick.board.cautions import Step
from deadstick.board.circuit import Circuit, PartKind
from deadstick.board.journal import NAME, Journal
from deadstick.board.odds import Diagnosis
from deadstick.board.probing import METER_KINDS, Test, injection, working_supply
from deadstick.board.readings import Kind, Supply, quantity
from deadstick.errors import HintError, InputError

KINDS = {
    "resistance": Kind.RESISTANCE,
    "four-wire": Kind.FOUR_WIRE,
    "continuity": Kind.CONTINUITY,
    "diode": Kind.DIODE,
    "voltage": Kind.VOLTAGE,
    "current": Kind.CURRENT,
    "drop": Kind.DROP,
    "clock": Kind.CLOCK,
}
"""The words for kinds of readings; a lifted part has a command of its own."""
_PREFIXES = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_VALUE = re.compile(r"(?P<number>[+-]?\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?)\s*(?P<prefix>[numkM]?)(?P<unit>ohm|V|A|)")
BEYOND = 2.0
"""No reading is beyond so many times the limit of the supply."""
MOST_OFFSET_OHM = 1.0
"""A meter whose leads were nulled reads a little below nought."""
_BEYOND = frozenset({"open", "ol", "inf"})
_ANSWERS = {"yes": True, "no": False}


@dataclass(frozen=True, slots=True)
class Bench:
    """A board and its journal."""

    circuit: Circuit
    journal: Journal

    @classmethod
    def open(cls, board: Path, journal: Path | None) -> "Bench":
        """Read both.

        Raises:
            InputError: one of them cannot be used.
        """
        circuit = circuit_file.load(board)
        return cls(circuit, Journal.open(journal or board.parent / NAME))

    def diagnosis(self) -> Diagnosis:
        """The board with everything that counts in its journal."""
        return BenchDiagnosis(self.circuit, self.journal)


def parse_value(text: str, kind: Kind) -> float:
    """A reading as it is typed, in its unit.

    >>> parse_value("310m", Kind.FOUR_WIRE), parse_value("4,7 kohm", Kind.RESISTANCE), parse_value("open", Kind.DIODE)
    (0.31, 4700.0, inf)
    """
    word = text.strip().replace("\N{MINUS SIGN}", "-")
    if kind in {Kind.CONTINUITY, Kind.CLOCK, Kind.LIFTED}:
        return float(parse_answer(word, kind.value))
    if word.lower() in _BEYOND:
        return math.inf
    found = _VALUE.fullmatch(word)
    if found is None:
        raise HintError(f"{text!r} is no value; write for instance 0.31, 310m, 4.7k, or open for an overload")
    wanted = "ohm" if kind in {Kind.RESISTANCE, Kind.FOUR_WIRE} else "A" if kind is Kind.CURRENT else "V"
    if found["unit"] not in {"", wanted}:
        raise HintError(f"{text!r}: a {kind.value} is given in {wanted}")
    # Rounded, because 310 times 0.001 is not 0.31.
    value = float(f"{float(found['number'].replace(',', '.')) * _PREFIXES[found['prefix']]:.12g}")
    if not math.isfinite(value):
        raise HintError(f"{text!r} is beyond every meter; write open for an overload")
    return value


def parse_answer(text: str, what: str) -> bool:
    """Yes or no.

    Raises:
        HintError: it is neither.
    """
    if text.lower() not in _ANSWERS:
        raise HintError(f"{what}: answer yes or no, not {text!r}")
    return _ANSWERS[text.lower()]


def parse_supply(circuit: Circuit, supply: str | None, inject: str | None) -> Supply | None:
    """The supply that `--supply` or `--inject` names.

    Raises:
        HintError: both are given, or the words are none.
        InputError: the board has no such pad or net, or no connector.
    """
    if supply and inject:
        raise HintError("give --supply or --inject, not both")
    if inject:
        found = injection(circuit, circuit.net(inject))
        if found is None:
            raise InputError(f"{circuit.name}: no part lies on net {inject}")
        return found
    if supply == "plug":
        found = working_supply(circuit)
        if found is None:
            raise InputError(f"{circuit.name} has no connector with a power net; give --supply RED,BLACK,VOLTS,AMPERES")
        return found
    return _four_words(circuit, supply) if supply else None


def _four_words(circuit: Circuit, text: str) -> Supply:
    words = [word.strip() for word in text.split(",")]
    try:
        red, black, volts, amperes = words[0], words[1], float(words[2]), float(words[3])
    except (IndexError, ValueError) as error:
        raise HintError(f"--supply {text}: four words are needed, as in J1.VBUS,J1.GND,5,0.1") from error
    if len(words) != 4 or not (0 < volts < 100 and 0 < amperes < 100):
        raise HintError(f"--supply {text}: four words are needed, with both limits above 0, as in J1.VBUS,J1.GND,5,0.1")
    for pad in (red, black):
        circuit.net_of(pad)
    return Supply(red, black, volts, amperes)


def check_reach(value: float, kind: Kind, supply: Supply | None) -> None:
    """Refuse what no board can show: a slip of the finger, or of a prefix, would count as evidence for ever.

    Args:
        value: the reading, in its unit.
        kind: of the reading.
        supply: what fed the board.

    Raises:
        HintError: a voltage or a current is far beyond the limits of the supply, or a resistance is negative.
    """
    if kind in {Kind.RESISTANCE, Kind.FOUR_WIRE} and value < -MOST_OFFSET_OHM:
        raise HintError(f"{quantity(value, 'ohm')}: no part has a negative resistance; look at leads and charge left")
    if supply is None or math.isinf(value):
        return
    unit, limit = ("A", supply.amperes) if kind is Kind.CURRENT else ("V", supply.volts)
    if kind is not Kind.CLOCK and abs(value) > BEYOND * limit:
        raise HintError(f"{quantity(value, unit)} is far more than the supply's {limit:g} {unit}; is a prefix missing?")


def steps_of(test: Test, circuit: Circuit) -> list[Step]:
    """The steps of the bench work that a test is made of, for the cautions."""
    if test.kind is Kind.LIFTED:
        nand = circuit.part(test.place[0]).kind is PartKind.NAND
        return [Step.LIFT_NAND if nand else Step.LIFT]
    if test.kind in METER_KINDS:
        return [Step.PROBE]
    return [Step.POWER if test.powers else Step.INJECT]


def command_for(test: Test, circuit: Circuit, board: Path) -> str:
    """The command that notes the outcome of a test."""
    name = shlex.quote(str(board))
    if test.kind is Kind.LIFTED:
        return f"deadstick board lift {name} {test.place[0]} --found good|faulty"
    kind = next(word for word, kind in KINDS.items() if kind is test.kind)
    return " ".join(["deadstick board read", name, kind, *test.place, "VALUE", *_supply_words(test.supply, circuit)])


def _supply_words(supply: Supply | None, circuit: Circuit) -> list[str]:
    if supply is None:
        return []
    if supply == working_supply(circuit):
        return ["--supply", "plug"]
    net = circuit.net_of(supply.red)
    if supply == injection(circuit, circuit.net(net)):
        return ["--inject", shlex.quote(net)]
    return ["--supply", f"{supply.red},{supply.black},{supply.volts:g},{supply.amperes:g}"]


def new_file(path: Path, content: bytes) -> None:
    """Write a file that must not be there yet.

    Raises:
        InputError: there is such a file.
    """
    try:
        with path.open("xb") as stream:
            stream.write(content)
    except FileExistsError as error:
        raise InputError(f"{path}: there is such a file already; choose a new name") from error
