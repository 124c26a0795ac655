"""The pattern that the host saw, as evidence over the faults of a board.

Each fault belongs to one class: what of the stick it takes away. The table gives the chance of each pattern in each
class, in rounded hundredths (our own figures; common practice, no source). No chance is nought, so that one look never
settles a case.
"""

import math
from collections.abc import Iterable
from enum import StrEnum

from deadstick.board.circuit import PLUG, SERIES_KINDS, Circuit, NetKind, PartKind
from deadstick.board.faults import Fault
from deadstick.board.host import Pattern, Sight
from deadstick.board.models import DIE
from deadstick.board.readings import Evidence


class Class(StrEnum):
    """What a fault takes away, the gravest first: of a pair the graver class counts."""

    INPUT_SHORT = "the supply from the host is shorted"
    RAIL_SHORT = "a rail behind a regulator is shorted"
    NO_SUPPLY = "a supply does not arrive"
    DATA = "a data line is broken"
    CLOCK = "the clock does not swing"
    LOGIC = "the controller itself"
    MEMORY = "the memory or its supply"
    LEAK = "a supply is loaded too much"


_COLUMNS = (Pattern.NO_ATTACH, Pattern.OVER_CURRENT, Pattern.FAILS, Pattern.NO_MEDIUM, Pattern.WRONG_IDENTITY,
            Pattern.READ_ERRORS, Pattern.HEALTHY)  # fmt: skip
_HUNDREDTHS = {
    Class.INPUT_SHORT: (55, 35, 4, 2, 1, 1, 2),
    Class.RAIL_SHORT: (75, 5, 10, 4, 2, 2, 2),
    Class.NO_SUPPLY: (80, 1, 10, 4, 2, 1, 2),
    Class.DATA: (40, 1, 50, 2, 1, 4, 2),
    Class.CLOCK: (50, 1, 43, 2, 2, 1, 1),
    Class.LOGIC: (35, 2, 25, 17, 12, 6, 3),
    Class.MEMORY: (8, 2, 8, 50, 22, 8, 2),
    Class.LEAK: (22, 3, 22, 18, 12, 13, 10),
}
CHANCES = {
    kind: {pattern: row[place] / sum(row) for place, pattern in enumerate(_COLUMNS)}
    for kind, row in _HUNDREDTHS.items()
}


def class_of(circuit: Circuit, fault: Fault) -> Class:
    """What a fault takes away.

    Args:
        circuit: the board.
        fault: one of its faults, or a pair.
    """
    found = {*_of_joins(circuit, fault), *_of_cuts(circuit, fault)}
    if fault.silent:
        found.add(Class.NO_SUPPLY)
    if not found:
        kinds = {circuit.part(part).kind for part in fault.parts}
        found.add(Class.CLOCK if PartKind.CRYSTAL in kinds else Class.LOGIC)
    return min(found, key=list(Class).index)


def host_evidence(sight: Sight, circuit: Circuit, faults: Iterable[Fault]) -> Evidence:
    """What the host saw, as evidence."""
    chances = {fault.key: math.log(CHANCES[class_of(circuit, fault)][sight.pattern]) for fault in faults}
    # For faults of parts that are declared later: neither for nor against them.
    neutral = math.log(sum(math.exp(one) for one in chances.values()) / len(chances)) if chances else 0.0
    return Evidence(f"{sight.pattern.value}: {sight.sentence}", chances, neutral, "host")


def _of_joins(circuit: Circuit, fault: Fault) -> Iterable[Class]:
    memory = all(circuit.part(part).kind is PartKind.NAND for part in fault.parts)
    for pair, spread in zip(fault.joins, fault.spreads, strict=True):
        nets = [net for node in pair if (net := _net(circuit, node)) is not None]
        power = next((net for net in nets if circuit.net(net).kind is NetKind.POWER), None)
        if spread == "through":
            # Too many volts on a rail: what it does is up to the chips behind it.
            yield Class.LOGIC
        elif power is None:
            yield from (_of_signal(circuit, net) for net in nets if circuit.net(net).kind is NetKind.SIGNAL)
        elif memory:
            yield Class.MEMORY
        elif spread == "leak":
            yield Class.LEAK
        else:
            yield Class.INPUT_SHORT if _from_host(circuit, power) else Class.RAIL_SHORT


def _of_cuts(circuit: Circuit, fault: Fault) -> Iterable[Class]:
    for first, second, _ in fault.cuts:
        nets = [net for node in (first, second) if (net := _net(circuit, node)) is not None]
        feeding = [net for net in nets if circuit.net(net).kind in {NetKind.POWER, NetKind.GROUND}]
        if any(circuit.part(part).kind is PartKind.CONTROLLER for part in fault.parts):
            # It has several supply pins, and one of them may feed anything in it.
            yield Class.LOGIC
        elif any(_feeds_memory_alone(circuit, net) for net in feeding):
            yield Class.MEMORY
        elif feeding:
            yield Class.NO_SUPPLY
        else:
            yield from (_of_signal(circuit, net) for net in nets)


def _of_signal(circuit: Circuit, net: str) -> Class:
    """What a broken signal takes away: the data lines lead to the connector, perhaps through a resistor."""
    kinds = {part.kind for part in circuit.on_net(net)}
    if PartKind.CRYSTAL in kinds:
        return Class.CLOCK
    beyond = {pin.net for part in circuit.on_net(net) if part.kind in SERIES_KINDS for pin in part.pins}
    reached = {part.kind for other in beyond for part in circuit.on_net(other)} | kinds
    return Class.DATA if PartKind.CONNECTOR in reached else Class.LOGIC


def _feeds_memory_alone(circuit: Circuit, net: str) -> bool:
    kinds = {part.kind for part in circuit.on_net(net)}
    return PartKind.NAND in kinds and PartKind.CONTROLLER not in kinds and net != circuit.ground.name


def _net(circuit: Circuit, node: str) -> str | None:
    """The net of a node; None for silicon without a pad, such as a chip's ground."""
    pad = node.removesuffix(PLUG).removesuffix(DIE)
    return circuit.pads[pad][1].net if pad in circuit.pads else None


def _from_host(circuit: Circuit, net: str) -> bool:
    """Whether a net carries the host's supply: the connector's own, or one with the same voltage."""
    fed = {
        circuit.net(pin.net).volts
        for part in circuit.parts
        if part.kind is PartKind.CONNECTOR
        for pin in part.pins
        if circuit.net(pin.net).kind is NetKind.POWER
    }
    return circuit.net(net).volts in fed
