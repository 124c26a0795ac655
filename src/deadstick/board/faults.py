"""What can be wrong: every single fault of a board and the likely pairs, each with its chance before any reading.

A fault joins nodes by a resistance that is not known (a short, a leak), takes conductors away (an open joint), or
silences a regulator. The unknown resistance is spread over steps that are even on a logarithmic scale; one step of one
fault is a *row*, and the odds are kept by rows.

The chances by kind are the lab's own figures to set (common practice, no source); a cracked ceramic capacitor first
leaks, then shorts (TDK, "Flex crack countermeasures"), which is why its resistance spreads so far.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, product
from math import hypot

import numpy as np
from numpy.typing import NDArray

from deadstick.board.circuit import PLUG, SERIES_KINDS, Circuit, NetKind, Part, PartKind
from deadstick.board.models import CONTACT_OHM, DIE, JOINT_OHM, die, ground_of, is_supply, value_of
from deadstick.errors import InputError

Pair = tuple[str, str]

# Spread of an unknown resistance: lowest and highest ohm, even on a logarithmic scale, and the number of steps.
SPREADS = {"short": (0.05, 50.0, 20), "leak": (50.0, 2000.0, 8), "through": (0.1, 5.0, 6)}
PAIR_STEPS = 4
PAIR_SHARE = 0.03
PAIRS_AT_MOST = 100
NEAR_MM = 6.0
DRAWN_THROUGH, DRAWN_NEAR, DRAWN_TORN = 3.0, 1.0, 0.1

WEIGHTS: dict[str, float] = {
    "capacitor short": 0.25,
    "controller short": 0.14,
    "controller leak": 0.05,
    "nand short": 0.04,
    "nand leak": 0.02,
    "esd short": 0.06,
    "regulator output short": 0.03,
    "regulator input short": 0.02,
    "regulator through": 0.02,
    "regulator dead": 0.05,
    "connector open": 0.10,
    "series open": 0.08,
    "diode short": 0.005,
    "crystal dead": 0.02,
    "logic": 0.12,
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault, or a pair of them.

    Attributes:
        key: for files and evidence: `"C7 short"`, `"U1.VCC1 short"`, `"J1.VBUS open"`; a pair joins two with ` + `.
        parts: guilty parts, sorted.
        text: in words.
        prior: chance before any reading; all faults of a board add up to 1.
        joins: pairs of nodes that an unknown resistance joins.
        spreads: for each of `joins`, a name in `SPREADS`.
        cuts: conductors taken away: two nodes and siemens.
        silent: regulators that give nothing (`models.Regulator.key`).
        no_clock: chance that the crystal does not swing although the board is powered.
    """

    key: str
    parts: tuple[str, ...]
    text: str
    prior: float
    joins: tuple[Pair, ...] = ()
    spreads: tuple[str, ...] = ()
    cuts: tuple[tuple[str, str, float], ...] = ()
    silent: tuple[str, ...] = ()
    no_clock: float = 0.02

    @property
    def is_through(self) -> bool:
        """Whether input voltage reaches a rail that is not made for it."""
        return "through" in self.spreads


@dataclass(frozen=True)
class Hypotheses:
    """All faults, spread over the steps of their unknown resistances.

    Attributes:
        faults: every fault.
        fault_of_row: int64[rows], index into `faults`.
        ohms: float64[rows, 2], the resistance of each join in this row; nan where there is none.
        spread: float64[rows], standard deviation of the logarithm of the resistance within one step.
        log_prior: float64[rows].
        parts: distinct sets of guilty parts.
        parts_of_row: int64[rows], index into `parts`.
    """

    faults: tuple[Fault, ...]
    fault_of_row: NDArray[np.int64]
    ohms: NDArray[np.float64]
    spread: NDArray[np.float64]
    log_prior: NDArray[np.float64]
    parts: tuple[tuple[str, ...], ...]
    parts_of_row: NDArray[np.int64]

    @cached_property
    def _numbers(self) -> dict[str, int]:
        return {fault.key: number for number, fault in enumerate(self.faults)}

    def only(self, rows: NDArray[np.intp]) -> "Hypotheses":
        """The same with some of the rows; the priors are kept as they are."""
        return replace(
            self,
            fault_of_row=self.fault_of_row[rows],
            ohms=self.ohms[rows],
            spread=self.spread[rows],
            log_prior=self.log_prior[rows],
            parts_of_row=self.parts_of_row[rows],
        )

    def index(self, key: str) -> int:
        """Number of a fault.

        Raises:
            InputError: no fault of this board has that key.
        """
        if key in self._numbers:
            return self._numbers[key]
        raise InputError(f"no fault {key!r} on this board; keys look like {self.faults[0].key!r}")


def steps(spread: str, count: int | None = None) -> tuple[NDArray[np.float64], float]:
    """Resistances in the middle of equal steps, and the deviation of their logarithm within a step.

    >>> ohms, deviation = steps("short", 3)
    >>> [round(float(ohm), 3) for ohm in ohms], round(deviation, 2)
    ([0.158, 1.581, 15.811], 0.66)
    """
    low, high, usual = SPREADS[spread]
    count = count or usual
    width = np.log(high / low) / count
    return low * np.exp(width * (np.arange(count) + 0.5)), float(width / np.sqrt(12))


def faults_by_kind(circuit: Circuit) -> dict[str, list[Fault]]:
    """Every single fault that the models know, by its name in `WEIGHTS`, without priors."""
    found: dict[str, list[Fault]] = {}
    for part in circuit.parts:
        for kind, fault in _MAKERS[part.kind](circuit, part):
            found.setdefault(kind, []).append(fault)
    return found


def single_faults(circuit: Circuit, weights: Mapping[str, float] = WEIGHTS) -> tuple[Fault, ...]:
    """Every single fault that the models know; the priors add up to 1.

    The weight of a kind is shared evenly by all faults of that kind on the board.
    """
    found = faults_by_kind(circuit)
    total = sum(weights[kind] for kind in found)
    return tuple(
        replace(fault, prior=weights[kind] / total / len(faults)) for kind, faults in found.items() for fault in faults
    )


def likely_pairs(circuit: Circuit, singles: tuple[Fault, ...]) -> tuple[Fault, ...]:
    """Pairs with a common cause, or common enough to meet by accident.

    A regulator that let the input through kills what hangs on its rail; a blow that cracks one capacitor cracks its
    neighbour; a torn connector or a blown fuse comes with any short. The priors add up to `PAIR_SHARE`, shared by the
    product of the single chances and by how strongly one fault draws the other along.
    """
    chosen = [
        (first.prior * second.prior * draw, first, second)
        for first, second in combinations(singles, 2)
        for draw in (_draws_along(circuit, first, second),)
        if draw > 0
    ]
    chosen.sort(key=lambda one: -one[0])
    chosen = chosen[:PAIRS_AT_MOST]
    total = sum(weight for weight, _, _ in chosen)
    return tuple(
        Fault(
            f"{first.key} + {second.key}",
            tuple(sorted({*first.parts, *second.parts})),
            f"{first.text}, and {second.text}",
            PAIR_SHARE * weight / total,
            first.joins + second.joins,
            first.spreads + second.spreads,
            first.cuts + second.cuts,
            first.silent + second.silent,
            max(first.no_clock, second.no_clock),
        )
        for weight, first, second in chosen
    )


def hypotheses(circuit: Circuit, weights: Mapping[str, float] = WEIGHTS) -> Hypotheses:
    """Every single fault and the likely pairs of a board, spread over their unknown resistances."""
    singles = single_faults(circuit, weights)
    pairs = likely_pairs(circuit, singles)
    share = 1 - sum(pair.prior for pair in pairs)
    return spread_out((*(replace(fault, prior=fault.prior * share) for fault in singles), *pairs))


def spread_out(faults: tuple[Fault, ...]) -> Hypotheses:
    """Rows for faults whose priors add up to 1."""
    fault_of_row: list[int] = []
    ohms: list[tuple[float, float]] = []
    spread: list[float] = []
    log_prior: list[float] = []
    for number, fault in enumerate(faults):
        axes = [steps(name, PAIR_STEPS if len(fault.joins) > 1 else None) for name in fault.spreads]
        values = list(product(*(axis for axis, _ in axes)))
        for value in values:
            fault_of_row.append(number)
            ohms.append((*(float(ohm) for ohm in value), *[np.nan] * (2 - len(value))))  # type: ignore[arg-type]  # two
            spread.append(max((deviation for _, deviation in axes), default=0.0))
            log_prior.append(float(np.log(fault.prior / len(values))))
    parts = tuple(dict.fromkeys(fault.parts for fault in faults))
    place = {names: number for number, names in enumerate(parts)}
    rows = np.array(fault_of_row, dtype=np.int64)
    return Hypotheses(
        faults,
        rows,
        np.array(ohms, dtype=np.float64).reshape(len(rows), 2),
        np.array(spread, dtype=np.float64),
        np.array(log_prior, dtype=np.float64),
        parts,
        np.array([place[faults[number].parts] for number in fault_of_row], dtype=np.int64),
    )


_TEARING = frozenset({PartKind.CONNECTOR, PartKind.FUSE})


def _draws_along(circuit: Circuit, first: Fault, second: Fault) -> float:
    """How strongly one fault draws the other along; 0 where they have nothing in common."""
    if first.parts == second.parts:
        return 0.0
    one, other = (circuit.part(fault.parts[0]) for fault in (first, second))
    if first.is_through != second.is_through:
        through, victim = (first, second) if first.is_through else (second, first)
        rail = circuit.net_of(through.joins[0][1])
        killed = any(circuit.net_of(join[0].removesuffix(DIE)) == rail for join in victim.joins)
        return DRAWN_THROUGH if killed else 0.0
    tearing = ((first, one), (second, other))
    cuts = [fault for fault, part in tearing if part.kind in _TEARING and fault.cuts]
    if cuts:
        # Of a connector only the supply pin counts: a fault of a data line is found by itself.
        supply = circuit.net(circuit.net_of(cuts[0].cuts[0][0])).kind is NetKind.POWER
        return DRAWN_TORN if supply and (first.joins or second.joins) else 0.0
    if one.kind is other.kind is PartKind.CAPACITOR and one.pins[0].net == other.pins[0].net:
        mm = hypot(one.pins[0].x_mm - other.pins[0].x_mm, one.pins[0].y_mm - other.pins[0].y_mm)
        return DRAWN_NEAR if mm < NEAR_MM else 0.0
    return 0.0


def _short(part: Part, key: str, text: str, join: Pair, spread: str = "short") -> Fault:
    return Fault(key, (part.name,), text, 0.0, (join,), (spread,))


def _capacitor(_circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    a, b = (part.pad(pin) for pin in part.pins[:2])
    yield "capacitor short", _short(part, f"{part.name} short", f"{part.name} is cracked and shorts", (a, b))


def _series(_circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    a, b = (part.pad(pin) for pin in part.pins[:2])
    # Pull-ups do not kill a stick; only what current or USB data must pass counts.
    if part.kind is PartKind.RESISTOR and value_of(part) > 200:
        return
    cut = (a, b, 1 / value_of(part))
    yield "series open", Fault(f"{part.name} open", (part.name,), f"{part.name} is open", 0.0, cuts=(cut,))


def _connector(circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    grounds = [pin for pin in part.pins if pin.net == circuit.ground.name]
    for pin in part.pins:
        pad = part.pad(pin)
        if pin in grounds and len(grounds) > 1:
            continue  # the others carry on
        cut = (pad + PLUG, pad, 1 / CONTACT_OHM)
        yield (
            "connector open",
            Fault(f"{pad} open", (part.name,), f"the {pin.name} pad of {part.name} is cracked", 0.0, cuts=(cut,)),
        )


def _diode(_circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    a, b = (part.pad(pin) for pin in part.pins[:2])
    yield "diode short", _short(part, f"{part.name} short", f"{part.name} is shorted", (a, b))


def _esd(circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    ground = ground_of(circuit, part)
    for pin in part.pins:
        if ground is not None and pin.net != circuit.ground.name:
            pad = part.pad(pin)
            yield "esd short", _short(part, f"{pad} short", f"{part.name} shorts {pin.net} to ground", (pad, ground))


def _regulator(_circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    inlet, outlet, ground = (part.pad(part.pin(name)) for name in ("IN", "OUT", "GND"))
    name = part.name
    yield (
        "regulator output short",
        _short(part, f"{name} output short", f"the output of {name} is shorted", (outlet, ground)),
    )
    yield (
        "regulator input short",
        _short(part, f"{name} input short", f"the input of {name} is shorted", (inlet, ground)),
    )
    yield (
        "regulator through",
        _short(part, f"{name} through", f"{name} lets its input through", (inlet, outlet), "through"),
    )
    yield "regulator dead", Fault(f"{name} dead", (name,), f"{name} gives no voltage", 0.0, silent=(name,))


def _crystal(_circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    yield "crystal dead", Fault(f"{part.name} dead", (part.name,), f"{part.name} does not swing", 0.0, no_clock=0.98)


def _chip(circuit: Circuit, part: Part) -> Iterator[tuple[str, Fault]]:
    kind = "controller" if part.kind is PartKind.CONTROLLER else "nand"
    ground = part.name + DIE
    for pin in part.pins:
        if not is_supply(circuit, pin):
            continue
        node, pad = die(part, pin), part.pad(pin)
        rail = f"its {pin.net} supply ({pin.name})"
        yield f"{kind} short", _short(part, f"{pad} short", f"{part.name} is shorted inside at {rail}", (node, ground))
        yield f"{kind} leak", _short(part, f"{pad} leak", f"{part.name} leaks inside at {rail}", (node, ground), "leak")
        if kind == "controller":
            cut = (pad, node, 1 / JOINT_OHM)
            yield (
                "logic",
                Fault(
                    f"{pad} open",
                    (part.name,),
                    f"the joint of {part.name} at {rail} is open",
                    0.0,
                    cuts=(cut,),
                    no_clock=0.5,
                ),
            )
    if kind == "controller":
        yield (
            "logic",
            Fault(
                f"{part.name} logic",
                (part.name,),
                f"nothing that a meter finds: the logic or firmware of {part.name}, or its lines to the NAND",
                0.0,
                no_clock=0.3,
            ),
        )


_MAKERS: dict[PartKind, Callable[[Circuit, Part], Iterator[tuple[str, Fault]]]] = {
    PartKind.CAPACITOR: _capacitor,
    **dict.fromkeys(SERIES_KINDS, _series),
    PartKind.CONNECTOR: _connector,
    PartKind.DIODE: _diode,
    PartKind.ESD_ARRAY: _esd,
    PartKind.REGULATOR: _regulator,
    PartKind.CRYSTAL: _crystal,
    PartKind.CONTROLLER: _chip,
    PartKind.NAND: _chip,
}
