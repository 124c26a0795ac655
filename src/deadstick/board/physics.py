r"""Direct current on a board: nodal analysis with the resistance of copper, and many changed boards from one solution.

**Copper.** A trace of length L and width W is `R = Rs L / W`, with the sheet resistance `Rs = rho / t`. The traces of a
net follow the shortest tree through its pads. A plane is a sheet: linear finite elements on the Delaunay triangulation
of its pads and the corners of the board, where the edge between two nodes conducts `(cot a + cot b) / (2 Rs)` with the
angles a and b that face it.

**Nodal analysis.** `G v = i` with the conductance matrix G, one node of ground held at zero (any text on circuits).

**Changed boards.** A fault adds `U D U^T` to G, where the columns of U are differences of two unit vectors and D holds
changes of conductance. By the Woodbury identity the transfer resistance from source pair q to reading pair r becomes
`r^T G^-1 q - (r^T G^-1 U) (D^-1 + U^T G^-1 U)^-1 (U^T G^-1 q)`, so that one factorisation serves all faults and tests.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.sparse.linalg import SuperLU, splu
from scipy.spatial import Delaunay

from deadstick.board.circuit import Circuit, Net
from deadstick.board.models import Element, Junction, PartModel, Regulator, model

Floats = NDArray[np.float64]
Pair = tuple[str, str]

COPPER_OHM_M = 1.72e-8  # annealed copper at 20 C
SHORTEST_MM = 0.3  # pads are no points
NET_LEAK_S = 1e-7  # 10 megohm: dirt, and the input of a meter
NODE_LEAK_S = 1e-9
PLANE_LINK_OHM = 2e-4


def sheet_ohm(copper_um: float = 35.0) -> float:
    """Resistance of a square of copper.

    >>> round(sheet_ohm(35.0) * 1e3, 4)  # milliohm, one ounce
    0.4914
    """
    return COPPER_OHM_M / (copper_um * 1e-6)


def trace_ohm(length_mm: float, width_mm: float, copper_um: float = 35.0) -> float:
    """Resistance of a trace.

    >>> round(trace_ohm(10, 0.25) * 1e3, 1)  # milliohm
    19.7
    """
    return sheet_ohm(copper_um) * length_mm / width_mm


def copper(circuit: Circuit, net: Net) -> tuple[Element, ...]:
    """The copper of a net: conductors between its pads. Keys are `copper NET PAD PAD`."""
    key = ("copper", net.name)
    if key not in circuit.memo:
        circuit.memo[key] = _copper(circuit, net)
    known: tuple[Element, ...] = circuit.memo[key]
    return known


def _copper(circuit: Circuit, net: Net) -> tuple[Element, ...]:
    pads = circuit.pads_by_net[net.name]
    if len(pads) < 2:
        return ()
    places = np.array([(pin.x_mm, pin.y_mm) for pin in (circuit.pads[pad][1] for pad in pads)])
    if net.plane and len(pads) > 2:
        return _plane(circuit, net, pads, places)
    return tuple(
        Element(
            f"copper {net.name} {pads[i]} {pads[j]}",
            pads[i],
            pads[j],
            1 / trace_ohm(mm, net.width_mm, circuit.copper_um),
        )
        for i, j, mm in _shortest_tree(places)
    )


def _shortest_tree(places: Floats) -> list[tuple[int, int, float]]:
    distance = np.linalg.norm(places[:, None] - places[None], axis=2)
    distance = np.triu(np.maximum(distance, SHORTEST_MM), 1)
    tree = minimum_spanning_tree(distance).tocoo()
    return [(int(i), int(j), float(mm)) for i, j, mm in zip(tree.row, tree.col, tree.data, strict=True)]


def _plane(circuit: Circuit, net: Net, pads: Sequence[str], places: Floats) -> tuple[Element, ...]:
    """A filled area over the whole board, as finite elements."""
    unique, member = np.unique(places, axis=0, return_inverse=True)
    corners = [(x, y) for x in (0.0, circuit.width_mm) for y in (0.0, circuit.height_mm)]
    points = np.vstack([unique, corners])
    first = {int(group): pads[int(np.flatnonzero(member == group)[0])] for group in np.unique(member)}
    names = [first[i] for i in range(len(unique))] + [f"{net.name}~{i}" for i in range(len(corners))]
    edges: dict[tuple[int, int], float] = {}
    for triangle in Delaunay(points).simplices:
        for k in range(3):
            apex, i, j = (int(triangle[(k + s) % 3]) for s in range(3))
            p, q = points[i] - points[apex], points[j] - points[apex]
            cotangent = float(p @ q / abs(p[0] * q[1] - p[1] * q[0]))
            edge = (min(i, j), max(i, j))
            edges[edge] = edges.get(edge, 0.0) + cotangent / (2 * sheet_ohm(circuit.copper_um))
    elements = [
        Element(f"copper {net.name} {names[i]} {names[j]}", names[i], names[j], s) for (i, j), s in edges.items()
    ]
    for group, pad in zip(member, pads, strict=True):
        if first[int(group)] != pad:
            other = first[int(group)]
            elements.append(Element(f"copper {net.name} {other} {pad}", other, pad, 1 / PLANE_LINK_OHM))
    return tuple(elements)


@dataclass(frozen=True, slots=True)
class Wiring:
    """A board taken apart into what conducts: the nominal one, or one with other values.

    Attributes:
        elements, junctions, regulators: of copper and parts, at rest and running.
    """

    elements: tuple[Element, ...]
    junctions: tuple[Junction, ...]
    regulators: tuple[Regulator, ...]

    def without(self, removed: Iterable[str]) -> "Wiring":
        """The same with parts off the board; their pads stay."""
        gone = set(removed)
        return Wiring(
            tuple(element for element in self.elements if element.part not in gone),
            tuple(junction for junction in self.junctions if junction.part not in gone),
            tuple(regulator for regulator in self.regulators if regulator.part not in gone),
        )


def wiring(circuit: Circuit) -> Wiring:
    """The nominal, healthy board."""
    key = ("wiring",)
    if key not in circuit.memo:
        models: list[PartModel] = [model(circuit, part) for part in circuit.parts]
        circuit.memo[key] = Wiring(
            tuple(element for net in circuit.nets for element in copper(circuit, net))
            + tuple(element for one in models for element in one.elements),
            tuple(junction for one in models for junction in one.junctions),
            tuple(regulator for one in models for regulator in one.regulators),
        )
    known: Wiring = circuit.memo[key]
    return known


class Network:
    """The factorised conductance matrix of a board.

    Args:
        circuit: gives the pads, and the ground.
        conductors: what conducts; see `select`.
    """

    def __init__(self, circuit: Circuit, conductors: Iterable[Element]) -> None:
        elements = tuple(conductors)
        reference = circuit.pads_by_net[circuit.ground.name][0]
        names = dict.fromkeys(circuit.pads)
        names.update(dict.fromkeys(node for element in elements for node in (element.a, element.b)))
        self.elements = elements
        self.index: Mapping[str, int] = {name: i for i, name in enumerate(names)}
        self._kept = np.array([i for name, i in self.index.items() if name != reference])
        leaks = [circuit.pads_by_net[net.name][0] for net in circuit.nets if circuit.pads_by_net[net.name]]
        self._factor = self._factorise([self.index[pad] for pad in leaks])

    def _factorise(self, leaks: list[int]) -> SuperLU:
        n = len(self.index)
        a = np.array([self.index[element.a] for element in self.elements], dtype=np.intp)
        b = np.array([self.index[element.b] for element in self.elements], dtype=np.intp)
        g = np.array([element.siemens for element in self.elements])
        every = np.arange(n)
        rows = np.concatenate([a, b, a, b, every, leaks])
        columns = np.concatenate([a, b, b, a, every, leaks])
        values = np.concatenate([g, g, -g, -g, np.full(n, NODE_LEAK_S), np.full(len(leaks), NET_LEAK_S)])
        matrix = coo_matrix((values, (rows, columns)), shape=(n, n)).tocsr()[self._kept][:, self._kept]
        return splu(matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}, diag_pivot_thresh=0.0)

    def solve(self, pairs: Sequence[Pair]) -> Floats:
        """Voltages when one ampere goes in at the first node of a pair and out at the second.

        Args:
            pairs: two nodes each.

        Returns:
            float64[nodes, pairs], volts against ground, rows in the order of `index`. A node that is not on the board
            (the silicon of a lifted chip) takes no current.
        """
        currents = np.zeros((len(self.index), len(pairs)))
        for column, pair in enumerate(pairs):
            for node, ampere in zip(pair, (1.0, -1.0), strict=True):
                if node in self.index:
                    currents[self.index[node], column] += ampere
        volts = np.zeros_like(currents)
        if len(pairs):
            volts[self._kept] = self._factor.solve(currents[self._kept])
        return volts

    def across(self, volts: Floats, pairs: Sequence[Pair]) -> Floats:
        """Differences `v[first] - v[second]` of solved voltages.

        Args:
            volts: float64[nodes, columns].
            pairs: two nodes each.

        Returns:
            float64[pairs, columns].
        """
        first, second = (np.array([self.index.get(pair[k], -1) for pair in pairs], dtype=np.intp) for k in (0, 1))
        padded = np.vstack([volts, np.zeros((1, volts.shape[1]))])  # index -1: not on the board
        difference: Floats = padded[first] - padded[second]
        return difference


def select(wires: Wiring, *, running: bool) -> tuple[Element, ...]:
    """What conducts on a board at rest, or on one that runs."""
    unwanted = "rest" if running else "run"
    return tuple(element for element in wires.elements if element.when != unwanted)


def changed(kernels: Floats, deltas: Floats) -> Floats:
    """The middle factor of the Woodbury identity, `(D^-1 + U^T G^-1 U)^-1`.

    Args:
        kernels: float64[..., k, k], `U^T G^-1 U`.
        deltas: float64[..., k], changes of conductance in siemens; none zero.

    Returns:
        float64[..., k, k].
    """
    k = deltas.shape[-1]
    middle = kernels + np.eye(k) / deltas[..., None]
    if k == 1:
        return np.asarray(1 / middle)
    return np.asarray(np.linalg.inv(middle), dtype=np.float64)
