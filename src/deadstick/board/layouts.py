"""How the traces of a net may run: the shortest tree through its pads, or one that differs from it in one trace.

Where pads lie is seen; which of them a trace joins is often hidden under parts and solder mask. A drop along a net
means something else on another tree, so the odds are kept for several trees and summed over them.

A tree that joins pads i and j by a trace of length d instead of one of length l is as likely as a slip of `d - l` in
the positions; nominal and real tree then differ in that one trace.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from deadstick.board.circuit import Circuit, Net
from deadstick.board.models import Element
from deadstick.board.physics import Floats, Wiring, copper, trace_ohm

SLIP_MM = 0.35  # standard deviation of the difference of two lengths
MOST_SLIP_MM = 0.9
TREES_AT_MOST = 14
LEAST_SHARE = 1e-3


@dataclass(frozen=True, slots=True)
class Tree:
    """One way in which the traces of a net may run.

    Attributes:
        share: chance before any reading; all trees of a net add up to 1.
        cut: key of the conductor of the shortest tree that is not there; empty for the shortest tree itself.
        new: the trace that is there instead.
    """

    share: float
    cut: str = ""
    new: Element | None = None

    def applied(self, wires: Wiring) -> Wiring:
        """A board with its traces run this way."""
        if self.new is None:
            return wires
        kept = tuple(element for element in wires.elements if element.key != self.cut)
        return replace(wires, elements=(*kept, self.new))


def trees(circuit: Circuit, net: Net) -> tuple[Tree, ...]:
    """The likely trees of a net, the shortest first."""
    edges = copper(circuit, net)
    if net.plane or len(edges) < 2:
        return (Tree(1.0),)
    place = {pad: np.array([pin.x_mm, pin.y_mm]) for pad, (_, pin) in circuit.pads.items() if pin.net == net.name}
    length = {element.key: _mm(place, element.a, element.b) for element in edges}
    found: list[tuple[float, str, Element]] = []
    for a, b, path in _paths(edges):
        mm = _mm(place, a, b)
        for cut in path:
            slip = mm - length[cut]
            if 0 <= slip < MOST_SLIP_MM and len(path) > 1:
                ohm = trace_ohm(max(mm, 0.3), net.width_mm, circuit.copper_um)
                found.append((slip, cut, Element(f"copper {net.name} {a} {b}", a, b, 1 / ohm)))
    found.sort(key=lambda swap: swap[0])
    weights = [float(np.exp(-0.5 * (slip / SLIP_MM) ** 2)) for slip, _, _ in found[:TREES_AT_MOST]]
    whole = 2.0 + sum(weights)
    others = [
        Tree(w / whole, cut, new) for w, (_, cut, new) in zip(weights, found, strict=False) if w / whole > LEAST_SHARE
    ]
    return (Tree(1 - sum(tree.share for tree in others)), *others)


def _mm(place: dict[str, Floats], a: str, b: str) -> float:
    return float(np.linalg.norm(place[a] - place[b]))


def _paths(edges: Iterable[Element]) -> Iterable[tuple[str, str, tuple[str, ...]]]:
    """Every two pads of a tree with the keys of the traces between them."""
    near: dict[str, list[tuple[str, str]]] = {}
    for element in edges:
        near.setdefault(element.a, []).append((element.b, element.key))
        near.setdefault(element.b, []).append((element.a, element.key))
    for start in near:
        reached: list[tuple[str, str, tuple[str, ...]]] = [(start, "", ())]
        while reached:
            pad, came, path = reached.pop()
            if pad > start:
                yield start, pad, path
            reached += [(other, key, (*path, key)) for other, key in near[pad] if key != came]
