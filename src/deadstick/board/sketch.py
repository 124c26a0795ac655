"""An unknown board, declared line by line as it is buzzed out.

```text
board Logger stick 40x14
net GND ground plane
net VBUS power 5.0
J1 connector VBUS=VBUS GND=GND at 2,7
C1 capacitor VBUS GND at 6,3 value 1e-6
U1 controller VCC=? GND=GND at 18,7
joined C1.1 U1.VCC
apart C1.1 C1.2
```

Pins without a name are numbered (a diode's are K and A, a regulator's IN, OUT and GND, in that order). A net that is
not known yet is `?`: continuity then says where the pin belongs. A beep joins pads whose net is open, and is checked
against those that are declared; it stays a reading as well, since a shorted part makes the beeper lie.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from deadstick.board.circuit import SERIES_KINDS, Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.board.drafting import around, side_by_side
from deadstick.board.models import value_of
from deadstick.board.predict import JOINED_BELOW_OHM
from deadstick.board.readings import Kind, Reading
from deadstick.errors import InputError

OPEN = "?"
FORMS = {
    "board": "board NAME WIDTHxHEIGHT, in mm",
    "net": "net NAME [ground|power|signal] [VOLTS] [plane]",
    "joined": "joined PART.PIN PART.PIN",
    "apart": "apart PART.PIN PART.PIN",
}
"""How each line is written; any other begins with the name of a part."""
_PART_FORM = "PART KIND [PIN=]NET ... at X,Y [value NUMBER]"
PIN_NAMES = {PartKind.DIODE: ("K", "A"), PartKind.REGULATOR: ("IN", "OUT", "GND")}


@dataclass
class Sketch:
    """A board as far as it is known.

    Attributes:
        name: for people.
        width_mm, height_mm: size of the board.
        nets: declared nets.
        parts: declared parts; a pin may lie on the net `?`.
        beeps: continuity readings: two pads, and whether the meter beeped.

    Example:
        >>> sketch = parse('''
        ... board Little 20x10
        ... net GND ground plane
        ... net VCC power 3.3
        ... C1 capacitor VCC GND at 5,5
        ... R1 resistor ? GND at 9,5 value 1000
        ... joined C1.1 R1.1
        ... ''')
        >>> sketch.circuit().part("R1").pin("1").net
        'VCC'
    """

    name: str = "Sketch"
    width_mm: float = 50.0
    height_mm: float = 20.0
    nets: dict[str, Net] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    beeps: list[tuple[str, str, bool]] = field(default_factory=list)

    def net(
        self, name: str, kind: NetKind = NetKind.SIGNAL, volts: float | None = None, *, plane: bool = False
    ) -> None:
        """Declare a net, or declare it anew."""
        self.nets[name] = Net(name, kind, volts, plane, 0.6 if kind is NetKind.POWER else 0.2)

    def part(self, part: Part) -> None:
        """Declare a part, or declare it anew; its nets are declared with it."""
        self.parts[part.name] = part
        for pin in part.pins:
            if pin.net not in self.nets and pin.net != OPEN:
                self.net(pin.net)

    def beep(self, first: str, second: str, *, joined: bool) -> None:
        """Note a continuity reading between two pads.

        Raises:
            InputError: a pad does not exist.
        """
        known = {part.pad(pin) for part in self.parts.values() for pin in part.pins}
        for pad in (first, second):
            if pad not in known:
                raise InputError(
                    f"no pad {pad} was declared before this reading; a pad is written part.pin, as in C1.1"
                )
        self.beeps.append((first, second, joined))

    def readings(self) -> tuple[Reading, ...]:
        """The continuity readings, for `Diagnosis.add`."""
        return tuple(Reading(Kind.CONTINUITY, (a, b), float(joined), "", 0.01) for a, b, joined in self.beeps)

    def circuit(self) -> Circuit:
        """The circuit as far as it is known; pads of open nets get nets named `N1`, `N2`, ... by continuity."""
        nets = dict(self.nets)
        place = self._places(nets)
        parts = tuple(
            replace(part, pins=tuple(replace(pin, net=place[part.pad(pin)]) for pin in part.pins))
            for part in self.parts.values()
        )
        return Circuit(self.name, tuple(nets.values()), parts, self.width_mm, self.height_mm)

    def conflicts(self) -> tuple[str, ...]:
        """Continuity readings that the declared nets do not explain, in words.

        A beep between two nets is explained by parts of low resistance between them.
        """
        circuit = self.circuit()
        near = _low_ohm_groups(circuit)
        found = []
        for first, second, joined in self.beeps:
            one, other = circuit.net_of(first), circuit.net_of(second)
            if joined and near[one] != near[other]:
                found.append(f"{first} and {second} beep, but lie on {one} and {other}: a short, or a net is wrong")
            if not joined and one == other:
                found.append(f"{first} and {second} do not beep, but both lie on {one}: a break, or a net is wrong")
        return tuple(found)

    def _places(self, nets: dict[str, Net]) -> dict[str, str]:
        """The net of every pad; nets that continuity alone speaks for are added to `nets`."""
        declared = {part.pad(pin): pin.net for part in self.parts.values() for pin in part.pins}
        joined = [(a, b) for a, b, beeped in self.beeps if beeped and OPEN in {declared[a], declared[b]}]
        leader = _groups(declared, joined)
        named = {leader[pad]: net for pad, net in declared.items() if net != OPEN}
        for pad, net in declared.items():
            if net == OPEN and leader[pad] not in named:
                named[leader[pad]] = name = f"N{sum(other.startswith('N') for other in named.values()) + 1}"
                nets[name] = Net(name)
        return {pad: named[leader[pad]] if net == OPEN else net for pad, net in declared.items()}


def parse(text: str) -> Sketch:
    """A sketch from its lines.

    Raises:
        InputError: a line cannot be understood; the message gives its number.
    """
    sketch = Sketch()
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split("#", 1)[0].split()
        if not words:
            continue
        try:
            _take(sketch, words)
        except InputError as error:
            raise InputError(f"line {number}: {line.strip()!r}: {error}") from error
        except (ValueError, IndexError) as error:
            form = FORMS.get(words[0], _PART_FORM)
            raise InputError(f"line {number}: {line.strip()!r}: a line of this kind is: {form}") from error
    return sketch


def _take(sketch: Sketch, words: list[str]) -> None:
    first, rest = words[0], words[1:]
    if first == "board":
        sketch.name = " ".join(rest[:-1])
        sketch.width_mm, sketch.height_mm = (float(side) for side in rest[-1].split("x"))
    elif first == "net":
        volts = next((float(word) for word in rest[2:] if word != "plane"), None)
        sketch.net(rest[0], NetKind(rest[1]) if len(rest) > 1 else NetKind.SIGNAL, volts, plane="plane" in rest)
    elif first in {"joined", "apart"}:
        sketch.beep(rest[0], rest[1], joined=first == "joined")
    else:
        sketch.part(_part(first, rest))


def _part(name: str, words: list[str]) -> Part:
    if words and words[0] not in list(PartKind):
        raise InputError(f"{words[0]!r} is no kind of part; kinds are {', '.join(PartKind)}")
    kind = PartKind(words[0])
    place = words.index("at")
    x, y = (float(side) for side in words[place + 1].split(","))
    value = float(words[words.index("value") + 1]) if "value" in words else None
    usual = PIN_NAMES.get(kind, ())
    pins = []
    for number, word in enumerate(words[1:place]):
        pin, _, net = word.rpartition("=")
        pins.append(Pin(pin or (usual[number] if number < len(usual) else str(number + 1)), net, x, y))
    placed = side_by_side(pins, x, y) if len(pins) == 2 else around(pins, x, y, 2.0 if len(pins) < 6 else 6.0)
    return Part(name, kind, placed, value)


def _groups(pads: Iterable[str], joined: Iterable[tuple[str, str]]) -> dict[str, str]:
    """For every pad the leader of its group."""
    leader = {pad: pad for pad in pads}

    def lead(pad: str) -> str:
        while leader[pad] != pad:
            pad = leader[pad]
        return pad

    for a, b in joined:
        leader[lead(a)] = lead(b)
    return {pad: lead(pad) for pad in leader}


def _low_ohm_groups(circuit: Circuit) -> dict[str, str]:
    """For every net the leader of the nets that parts of low resistance join to it."""
    pairs = [
        (part.pins[0].net, part.pins[1].net)
        for part in circuit.parts
        if part.kind in SERIES_KINDS and value_of(part) < JOINED_BELOW_OHM
    ]
    return _groups((net.name for net in circuit.nets), pairs)
