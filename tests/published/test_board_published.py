"""Networks and figures from outside: textbook circuits, USB 2.0, copper, IPC-2221. The source stands beside each."""

import math

import numpy as np
import pytest

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.board.physics import Network, select, sheet_ohm, trace_ohm, wiring
from deadstick.board.probing import working_supply
from deadstick.board.templates import usb2_stick


def resistors(*rows: tuple[str, str, float]) -> Circuit:
    """A circuit of resistors between nets; traces are wide and short, so that they add microohms."""
    nets = {net for first, second, _ in rows for net in (first, second)}
    parts = tuple(
        Part(f"R{k}", PartKind.RESISTOR, (Pin("1", first, 0.3 * k, 0.0), Pin("2", second, 0.3 * k, 0.1)), ohm)
        for k, (first, second, ohm) in enumerate(rows)
    )
    kinds = (Net(net, NetKind.GROUND if net == "GND" else NetKind.SIGNAL, width_mm=2000.0) for net in sorted(nets))
    return Circuit("resistors", tuple(kinds), parts, 10, 10)


def between(circuit: Circuit, first: str, second: str) -> float:
    network = Network(circuit, select(wiring(circuit), running=False))
    pair = (circuit.pads_by_net[first][0], circuit.pads_by_net[second][0])
    return float(network.across(network.solve([pair]), [pair])[0, 0])


def test_balanced_wheatstone_bridge_carries_no_current_in_its_detector() -> None:
    # Any text on circuits: balanced when R1/R2 = R3/R4, and the detector's value does not matter.
    bridge = resistors(("A", "B", 100), ("B", "GND", 200), ("A", "C", 150), ("C", "GND", 300), ("B", "C", 50))
    network = Network(bridge, select(wiring(bridge), running=False))
    volts = network.solve([("R0.1", "R1.2")])
    assert abs(network.across(volts, [("R4.1", "R4.2")])[0, 0]) < 1e-3
    assert between(bridge, "A", "GND") == pytest.approx(300 * 450 / 750, rel=1e-4)


def test_unbalanced_bridge_by_star_delta_transformation() -> None:
    # Delta A-B-C of 10, 20, 30 ohm (AB, AC, BC) becomes a star of AB*AC/60 = 10/3, AB*BC/60 = 5, AC*BC/60 = 10 ohm.
    # Below: 15 ohm from B, 40 ohm from C to ground. By hand: 10/3 + (5 + 15) || (10 + 40) = 10/3 + 100/7.
    bridge = resistors(("A", "B", 10), ("A", "C", 20), ("B", "C", 30), ("B", "GND", 15), ("C", "GND", 40))
    assert between(bridge, "A", "GND") == pytest.approx(10 / 3 + 1000 / 70, rel=1e-4)


def test_ladder_of_equal_resistors_follows_the_fibonacci_numbers() -> None:
    # Well-known result for the R-R ladder of n sections: R F(2n+1)/F(2n) with F the Fibonacci numbers.
    rows: list[tuple[str, str, float]] = []
    for k in range(5):
        rows += [(f"N{k}", f"N{k + 1}", 1000.0), (f"N{k + 1}", "GND", 1000.0)]
    fibonacci = [0, 1]
    while len(fibonacci) < 12:
        fibonacci.append(fibonacci[-1] + fibonacci[-2])
    assert between(resistors(*rows), "N0", "GND") == pytest.approx(1000 * fibonacci[11] / fibonacci[10], rel=1e-3)


def test_cube_of_resistors_across_its_diagonal_is_five_sixths() -> None:
    # Classical: twelve equal resistors on the edges of a cube give 5/6 R between opposite corners.
    names = {corner: "GND" if corner == 7 else f"K{corner}" for corner in range(8)}
    edges = [(a, a | bit) for a in range(8) for bit in (1, 2, 4) if not a & bit]
    cube = resistors(*((names[a], names[b], 60.0) for a, b in edges))
    assert between(cube, "K0", "GND") == pytest.approx(50.0, rel=1e-4)


def test_idle_data_line_at_attach_stands_at_three_volts() -> None:
    # USB 2.0, 7.1.5: pull-up 1.5 kohm +-5 % to 3.0..3.6 V at the device, pull-down 15 kohm +-5 % at the host. These
    # values and tolerances are from memory; the division is worked by hand: 3.3 V * 15 / (1.5 + 15) = 3.00 V. What
    # is tested is that the network divides as Ohm's law does, and that the line stands above the 2.0 V (from memory)
    # that a host takes as high at every corner of those tolerances.
    pulls = resistors(("V33", "DP", 1500), ("DP", "GND", 15000))
    network = Network(pulls, select(wiring(pulls), running=False))
    supply = ("R0.1", "R1.2")
    volts = network.solve([supply])
    ratio = network.across(volts, [("R1.1", "R1.2")])[0, 0] / network.across(volts, [supply])[0, 0]
    assert 3.3 * ratio == pytest.approx(3.00, abs=0.005)
    for up, down in ((1575, 14250), (1425, 15750)):
        corner = resistors(("V33", "DP", up), ("DP", "GND", down))
        solved = Network(corner, select(wiring(corner), running=False))
        share = solved.across(solved.solve([supply]), [("R1.1", "R1.2"), supply])
        assert share[0, 0] / share[1, 0] == pytest.approx(down / (up + down), rel=1e-3)
        assert 3.0 * share[0, 0] / share[1, 0] > 2.0


def test_bench_supply_stays_within_what_a_usb_host_gives() -> None:
    # USB 2.0, chapter 7.2: 4.75..5.25 V at a high-power port, units of 100 mA, at most 5 (secondary source).
    supply = working_supply(usb2_stick())
    assert supply is not None
    assert 4.75 <= supply.volts <= 5.25
    assert supply.amperes <= 0.5


def test_one_ounce_copper() -> None:
    # Rule of the trade: 0.49 milliohm a square for 1 oz (35 um), rho = 1.72e-8 ohm m; 40 squares are 20 milliohm.
    assert sheet_ohm(35.0) == pytest.approx(0.49e-3, rel=0.01)
    assert trace_ohm(10, 0.25) == pytest.approx(20e-3, rel=0.02)
    assert sheet_ohm(17.5) == pytest.approx(1.0e-3, rel=0.02)  # half an ounce
    assert sheet_ohm(70.0) == pytest.approx(0.25e-3, rel=0.02)  # two ounces


@pytest.mark.parametrize(("k", "width_mm"), [(0.048, 0.300), (0.024, 0.781)])
def test_injected_ampere_suits_ordinary_traces(k: float, width_mm: float) -> None:
    # IPC-2221: I = k dT^0.44 A^0.725, A in square mil, k = 0.048 outside and 0.024 inside; 1 A at 10 K in 1 oz copper
    # needs 0.300 mm outside and 0.781 mm inside. Its power per length then follows from P = I^2 R.
    area = (1 / (k * 10**0.44)) ** (1 / 0.725)
    assert area / 1.378 * 0.0254 == pytest.approx(width_mm, abs=0.002)
    watts_per_mm = 1.0**2 * trace_ohm(1.0, width_mm)
    assert watts_per_mm == pytest.approx(sheet_ohm() / width_mm)
    assert watts_per_mm < 2e-3


def test_power_of_a_short() -> None:
    # P = I^2 R: 1 A into 0.2 ohm is 0.2 W, here as voltage times current of the solved network.
    short = resistors(("A", "GND", 0.2))
    ohm = between(short, "A", "GND")
    assert 1.0**2 * ohm == pytest.approx(0.2, rel=1e-3)
    assert math.isclose(ohm, 0.2, rel_tol=1e-3)


def test_plane_between_two_edges_has_the_resistance_of_its_squares() -> None:
    # Definition of sheet resistance: a rectangle L by W between contacts along its edges is L/W squares.
    xs = np.linspace(0.0, 10.0, 11)
    pads = [(x, y) for x in (0.0, 20.0) for y in xs] + [(x, y) for x in np.linspace(2, 18, 9) for y in xs]
    pins = tuple(Pin(str(k), "GND", float(x), float(y)) for k, (x, y) in enumerate(pads))
    board = Circuit(
        "plane", (Net("GND", NetKind.GROUND, plane=True),), (Part("J1", PartKind.CONNECTOR, pins),), 20.0, 10.0
    )
    network = Network(board, select(wiring(board), running=False))
    currents = network.solve([(f"J1.{k}", f"J1.{k + 11}") for k in range(11)])
    weights = np.array([0.5, *[1.0] * 9, 0.5]) / 10  # an even current along the edge
    drop = network.across((currents @ weights)[:, None], [("J1.5", "J1.16")])[0, 0]
    assert drop == pytest.approx(2 * sheet_ohm(), rel=0.02)
