import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.board.circuit import Circuit, Net, NetKind, Part, PartKind, Pin
from deadstick.board.faults import hypotheses
from deadstick.board.layouts import trees
from deadstick.board.models import Element, Regulator
from deadstick.board.operating import diode_test, powered
from deadstick.board.physics import Network, copper, select, wiring
from deadstick.board.predict import Predictor
from deadstick.board.probing import Test, candidate_tests, ground_pad, injection
from deadstick.board.readings import Kind
from deadstick.board.templates import TEMPLATES, usb2_stick


def rebuilt(circuit: Circuit, row: int) -> Network:
    """The board of one row, built anew instead of corrected."""
    faults = hypotheses(circuit)
    fault = faults.faults[faults.fault_of_row[row]]
    joins = [Element(f"f{k}", pair[0], pair[1], 1 / faults.ohms[row, k]) for k, pair in enumerate(fault.joins)]
    cut = {frozenset(nodes[:2]) for nodes in fault.cuts}
    wires = select(wiring(circuit), running=False)
    kept = [one for one in wires if not (one.part and frozenset((one.a, one.b)) in cut)]
    return Network(circuit, [*kept, *joins])


@pytest.mark.parametrize("name", list(TEMPLATES))
@settings(max_examples=12, deadline=None, derandomize=True)
@given(data=st.data())
def test_corrected_boards_equal_boards_built_anew(name: str, data: st.DataObject) -> None:
    circuit = TEMPLATES[name](None)
    faults = hypotheses(circuit)
    row = data.draw(st.integers(0, len(faults.fault_of_row) - 1))
    tests = [test for test in candidate_tests(circuit) if test.kind is Kind.FOUR_WIRE]
    drops = [test for test in candidate_tests(circuit) if test.kind is Kind.DROP][::5]
    predicted = Predictor(circuit, faults).predict([*tests, *drops]).values[row]
    network = rebuilt(circuit, row)
    for test, value in zip([*tests, *drops], predicted, strict=True):
        pair = (test.place[0], test.place[1])
        if test.kind is Kind.FOUR_WIRE:
            assert value == pytest.approx(network.across(network.solve([pair]), [pair])[0, 0], rel=1e-3, abs=1e-6)
        else:
            assert test.supply is not None
            source = (test.supply.red, test.supply.black)
            volts = network.solve([source])
            ampere = min(1.0, 1.0 / (network.across(volts, [source])[0, 0] + 0.05))
            # A hundredth of a microvoltmeter's digit: nets of megohms leave some nanovolts of rounding.
            assert value == pytest.approx(network.across(volts, [pair])[0, 0] * ampere, rel=1e-3, abs=2e-8)


def test_a_lifted_part_takes_its_fault_along() -> None:
    circuit = usb2_stick()
    faults = hypotheses(circuit)
    row = np.flatnonzero(faults.fault_of_row == faults.index("C6 short"))[5]
    net = circuit.part("C6").pins[0].net
    test = Test(Kind.FOUR_WIRE, ("C6.1", ground_pad(circuit)))
    on = Predictor(circuit, faults).predict([test]).values[row, 0]
    off = Predictor(circuit, faults, frozenset({"C6"})).predict([test]).values[row, 0]
    assert on < 1.0, net
    assert off > 500


def test_current_ends_at_the_short() -> None:
    circuit = usb2_stick()
    faults = hypotheses(circuit)
    row = np.flatnonzero(faults.fault_of_row == faults.index("C6 short"))[0]
    net = circuit.net(circuit.net_of("C6.1"))
    supply = injection(circuit, net)
    assert supply is not None
    pads = circuit.pads_by_net[net.name]
    drops = Predictor(circuit, faults).predict([Test(Kind.DROP, (pad, "C6.1"), supply) for pad in pads]).values[row]
    assert np.all(drops > -1e-7), "the pad at the short is the lowest of its net"
    assert max(drops) > 1e-4


def test_junction_reading_by_hand() -> None:
    # 1 mA through 100 ohm in series with a junction of 0.6 V that has 10 kohm across it: the 10 kohm takes 0.06 mA.
    answer = diode_test(np.array([10100.0]), np.array([[10000.0]]), np.array([[10000.0]]), np.array([0.6]))
    assert answer[0] == pytest.approx(0.1 + 0.6, abs=1e-9)
    shorted = diode_test(np.array([5.0]), np.array([[4.0]]), np.array([[4.0]]), np.array([0.6]))
    assert shorted[0] == pytest.approx(5e-3)
    nothing = diode_test(np.array([1e7]), np.zeros((1, 0)), np.zeros((1, 0)), np.zeros(0))
    assert nothing[0] == 2.5


def regulated(load_ohm: float, input_ohm: float = 0.0) -> tuple[float, float, float]:
    """Input current, input and output voltage of a 3.3 V regulator at 5 V, 0.2 A, by `powered`."""
    regulator = Regulator("U", "U", "in", "out", "gnd", 3.3, 0.6)
    big = 1e9
    ports = np.array([[[big, big, 0], [big, big + input_ohm, 0], [0, 0, load_ohm]]])
    state = powered(ports, [regulator], np.array([[False]]), 5.0, 0.2)
    volts = ports[0] @ state.currents[0]
    return float(state.currents[0, 0]), float(volts[1]), float(volts[2])


def test_regulator_holds_its_voltage() -> None:
    current, _, out = regulated(33.0)
    assert out == pytest.approx(3.3, abs=0.01)
    assert current == pytest.approx(0.1, abs=0.001)


def test_supply_gives_no_more_than_its_limit() -> None:
    current, _, out = regulated(1.0)
    assert current == pytest.approx(0.2, abs=1e-6)
    assert out == pytest.approx(0.2, abs=0.01)


def test_trees_share_all_chances_and_keep_the_net_whole() -> None:
    circuit = TEMPLATES["usb3"](np.random.default_rng(3))
    net = circuit.net("VCC33")
    found = trees(circuit, net)
    assert sum(tree.share for tree in found) == pytest.approx(1.0)
    assert len(found) > 2
    pads = circuit.pads_by_net["VCC33"]
    for tree in found:
        elements = [one for one in tree.applied(wiring(circuit)).elements if one.key.startswith("copper VCC33 ")]
        assert len(elements) == len(pads) - 1
        reached = {pads[0]}
        for _ in pads:
            reached |= {node for one in elements if {one.a, one.b} & reached for node in (one.a, one.b)}
        assert reached == set(pads)


def test_pads_at_the_same_spot_are_joined() -> None:
    pins = (Pin("1", "GND", 1, 1), Pin("2", "GND", 1, 1), Pin("3", "GND", 4, 2))
    board = Circuit("b", (Net("GND", NetKind.GROUND, plane=True),), (Part("J1", PartKind.CONNECTOR, pins),), 5, 5)
    network = Network(board, copper(board, board.ground))
    pair = ("J1.1", "J1.2")
    assert network.across(network.solve([pair]), [pair])[0, 0] == pytest.approx(2e-4)
