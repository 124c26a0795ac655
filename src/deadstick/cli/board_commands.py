"""What the board commands do; each returns the exit status."""

import math
from dataclasses import dataclass
from pathlib import Path

from deadstick.board import circuit_file
from deadstick.board.advice import Costs
from deadstick.board.advice import advise as do_advise
from deadstick.board.cautions import CAUTIONS, Step, cautions_for
from deadstick.board.circuit import Circuit, PartKind
from deadstick.board.instruments import UNITS, Instrument
from deadstick.board.journal import NAME, Journal
from deadstick.board.kicad import Choices, read_netlist, to_circuit
from deadstick.board.observations import FITTED, LIFTED, note_reading, note_step, removed
from deadstick.board.predict import INSTRUMENT_SIGMA
from deadstick.board.readings import Kind, Reading
from deadstick.board.sketch import parse as parse_sketch
from deadstick.board.templates import card, usb2_stick, usb3_stick
from deadstick.board.warming import memory_watts
from deadstick.cli import board_show
from deadstick.cli.board_bench import (
    KINDS,
    Bench,
    check_reach,
    command_for,
    new_file,
    parse_supply,
    parse_value,
    steps_of,
)
from deadstick.errors import HintError, InputError

TEMPLATES = {"usb2": usb2_stick, "usb3": usb3_stick, "card": card}
SURE = 0.01
"""Chance of a mistake in an answer that is yes or no."""


@dataclass(frozen=True, slots=True)
class KicadWords:
    """The options that say what a netlist does not."""

    kinds: tuple[str, ...]
    volts: tuple[str, ...]
    pins: tuple[str, ...]
    left_out: tuple[str, ...]
    ground: str | None
    size: str

    def choices(self) -> Choices:
        """As values.

        Raises:
            HintError: a word is none.
        """
        try:
            kinds = {part: PartKind(kind) for part, kind in map(_pair, self.kinds)}
        except ValueError as error:
            raise HintError(f"--kind: {error}; kinds are {', '.join(PartKind)}") from error
        try:
            volts = {net: float(value) for net, value in map(_pair, self.volts)}
            width, height = (float(side) for side in self.size.lower().split("x"))
        except ValueError as error:
            raise HintError(f"--volts and --size need numbers, as in --volts VCC=3.3 --size 40x15: {error}") from error
        pins = {}
        for place, name in map(_pair, self.pins):
            part, _, number = place.rpartition(".")
            if not part:
                raise HintError(f"--pin {place}={name}: write it as U3.1=GND")
            pins[part, number] = name
        if not all(0 < number < math.inf for number in (width, height, *volts.values())):
            raise HintError("--size and --volts need numbers above 0")
        return Choices(kinds, volts, pins, self.ground, (width, height), frozenset(self.left_out))


@dataclass(frozen=True, slots=True)
class ReadWords:
    """The words of `board read`."""

    kind: str
    words: tuple[str, ...]
    sigma: float | None
    supply: str | None
    inject: str | None
    instrument: str | None
    visa: str
    meter: str
    note: str

    def checked(self) -> Kind:
        """The kind of the reading.

        Raises:
            HintError: there is no such kind, or words do not go together.
        """
        for word in self.words:  # the command takes unknown options for values, as a value may begin with a minus
            if word.startswith("--"):
                raise HintError(f"there is no option {word}; `deadstick board read --help` has them")
        if self.kind not in KINDS:
            raise HintError(f"there is no kind {self.kind}; kinds are {', '.join(KINDS)}")
        if self.instrument and self.meter:
            raise HintError("an instrument at --instrument gives its own name; leave out --meter")
        if self.sigma is not None and not math.isfinite(self.sigma):
            raise HintError(f"--sigma {self.sigma}: a number is needed")
        return KINDS[self.kind]


def new(board: Path, template: str | None, sketch: Path | None, kicad: Path | None, given: KicadWords) -> int:
    """Write a circuit file; readings of a sketch go into the journal."""
    if sum(source is not None for source in (template, sketch, kicad)) != 1:
        raise HintError("give one of --template, --sketch and --kicad")
    readings: tuple[Reading, ...] = ()
    conflicts: tuple[str, ...] = ()
    if template is not None:
        if template not in TEMPLATES:
            raise HintError(f"there is no template {template}; there are {', '.join(TEMPLATES)}")
        circuit = TEMPLATES[template]()
    elif kicad is not None:
        circuit = to_circuit(read_netlist(kicad), given.choices())
    else:
        circuit, readings, conflicts = _sketched(sketch or Path())
    if not board.parent.is_dir() and not board.parent.parent.is_dir():
        raise InputError(f"{board.parent}: there is no such folder")
    journal = Journal.open(board.parent / NAME)
    if journal.entries:
        raise InputError(f"{journal.path}: there is a journal already; a new board needs a folder of its own")
    board.parent.mkdir(exist_ok=True)  # one folder for each board, so the last one may be new
    new_file(board, circuit_file.dumps(circuit).encode())
    for reading in readings:
        journal = note_reading(journal, reading)
    board_show.circuit(circuit, board, len(readings), conflicts)
    return 0


def read(board: Path, journal: Path | None, given: ReadWords, by: str) -> int:
    """Add a reading, then show what it changed."""
    bench = Bench.open(board, journal)
    diagnosis = bench.diagnosis()
    before = diagnosis.odds()
    reading = _reading(bench, given)
    diagnosis.add(reading)
    note_reading(bench.journal, reading, by=by)
    board_show.after(reading.text, before, diagnosis.odds())
    return 0


def lift(
    board: Path, journal: Path | None, part: str, found: str | None, *, fit: bool, by: str = "", note: str = ""
) -> int:
    """Note that a part came off, with what it turned out to be, or that it is on again."""
    bench = Bench.open(board, journal)
    bench.circuit.part(part)
    if found not in {None, "good", "faulty"}:
        raise HintError(f"--found {found}: the part is good or faulty")
    if fit and found:
        raise HintError("--found belongs to a part that comes off, not to --fit")
    before = bench.diagnosis().odds()
    noted = note_step(bench.journal, FITTED if fit else LIFTED, [part], by=by, note=note)
    if found:
        faulty = found == "faulty"
        noted = note_reading(
            noted, Reading(Kind.LIFTED, (part,), float(faulty), "", SURE, removed=removed(noted)), by=by
        )
    now = Bench(bench.circuit, noted).diagnosis().odds()
    board_show.after(f"{part} is {'on' if fit else 'off'} the board{f', {found}' if found else ''}", before, now)
    return 0


def odds(board: Path, journal: Path | None, most: int) -> int:
    """How likely each fault is."""
    bench = Bench.open(board, journal)
    board_show.odds(bench.diagnosis().odds(), most)
    return 0


def advise(board: Path, journal: Path | None, certain: float | None, *, nand_route: bool) -> int:
    """The next test, or the verdict."""
    bench = Bench.open(board, journal)
    usual = Costs()
    costs = Costs(certain=usual.certain if certain is None else certain, nand_route_chosen=nand_route)
    diagnosis = bench.diagnosis()
    advice = do_advise(diagnosis, costs)
    steps = steps_of(advice.step.test, bench.circuit) if advice.step else []
    if not any(entry.kind in {"reading", "step"} for entry in bench.journal.entries):
        steps.insert(0, Step.OPEN)
    noting = command_for(advice.step.test, bench.circuit, board) if advice.step else ""
    supply = advice.step.test.supply if advice.step and Step.INJECT in steps else None
    memory = board_show.memory_in_the_path(memory_watts(diagnosis, supply), supply) if supply else []
    board_show.advice(advice, bench.circuit, diagnosis.odds(), noting, memory, cautions_for(steps))
    return 0


def journal(board: Path, path: Path | None, strike: int | None, reason: str, remark: str | None, by: str) -> int:
    """Show, strike, remark."""
    journal_now = Bench.open(board, path).journal
    if strike is not None:
        if not reason:
            raise HintError("--strike needs a --reason")
        journal_now = journal_now.strike(strike, reason, by=by)
    if remark is not None:
        journal_now = journal_now.add("remark", kind="remark", note=remark, by=by)
    board_show.journal(journal_now)
    return 0


def cautions(steps: tuple[str, ...]) -> int:
    """The cautions of some steps, or all."""
    known = [step.value for step in Step]
    strange = [step for step in steps if step not in known]
    if strange:
        raise HintError(f"there is no step {', '.join(strange)}; steps are {', '.join(known)}")
    board_show.cautions(cautions_for(steps) if steps else CAUTIONS, sources=True)
    return 0


def _pair(word: str) -> tuple[str, str]:
    name, separator, value = word.partition("=")
    if not separator or not name or not value:
        raise HintError(f"{word!r}: write it as NAME=VALUE")
    return name, value


def _sketched(path: Path) -> tuple[Circuit, tuple[Reading, ...], tuple[str, ...]]:
    try:
        sketch = parse_sketch(path.read_text(encoding="utf-8"))
        return sketch.circuit(), sketch.readings(), sketch.conflicts()
    except (InputError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: {error}") from error


def _reading(bench: Bench, given: ReadWords) -> Reading:
    kind = given.checked()
    supply = parse_supply(bench.circuit, given.supply, given.inject)
    if supply is None and kind in {Kind.VOLTAGE, Kind.CURRENT, Kind.DROP, Kind.CLOCK}:
        raise HintError(f"a {given.kind} needs what fed the board: --supply, or --inject")
    if supply is not None and kind in {Kind.RESISTANCE, Kind.FOUR_WIRE, Kind.CONTINUITY, Kind.DIODE}:
        raise HintError(f"a {given.kind} is read with the supply off; leave out --supply and --inject")
    *places, last = given.words
    if given.instrument:
        places.append(last)
    wanted = 1 if kind in {Kind.CURRENT, Kind.CLOCK} else 2
    if len(places) != wanted:
        value = "" if given.instrument else ", and the value after it" if wanted == 1 else ", and the value after them"
        raise HintError(f"a {given.kind} needs {'one place' if wanted == 1 else 'two pads, red first'}{value}")
    name = given.meter
    usual = INSTRUMENT_SIGMA.get(kind, SURE)
    if given.instrument:
        with Instrument.open(given.instrument, given.visa) as instrument:
            name, measured = instrument.identity(), instrument.measure(kind)
        value_read, usual = measured.value, max(usual, measured.spread)
    else:
        value_read = parse_value(last, kind)
    check_reach(value_read, kind, supply)
    return Reading(
        kind, tuple(places), value_read, UNITS[kind], usual if given.sigma is None else given.sigma, supply,
        removed(bench.journal), name, given.note,
    )  # fmt: skip
