"""Readings that depend on more than resistance: the diode test, and the rails of a powered board.

Everything works on *ports*, pairs of nodes between which the linear network is known as a matrix of resistances, for
many boards at once: the first axis of every array is the board (a hypothesis, or the one board of a simulation).

**Diode test.** The meter drives one milliampere and shows the voltage, up to its own limit. One junction at a time is
looked at: with the network seen from probes (p) and junction (j), the junction takes `(Zjp I - Vf) / Zjj` where that is
positive, and the probes show `Zpp I - Zpj i`. The lowest of these readings is taken. That a second junction shares the
current changes the reading by some 20 mV, less than the spread of forward voltages.

**Powered board.** Supply and regulators are each in one of a few states (at its voltage, at its current limit, passing
its input, off), each linear. States are changed until they agree with the voltages; what is piecewise linear is solved
exactly.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.board.models import Regulator

Floats = NDArray[np.float64]

DIODE_TEST_A = 1e-3
DIODE_TEST_LIMIT_V = 2.5
SUPPLY_OHM = 0.05  # leads and clips of a bench supply
REGULATOR_OHM = 0.05
DROPOUT_OHM = 0.4
AWAKE_V = 1.2
QUIESCENT_A = 1e-4
ROUNDS = 14

HOLDING, PASSING, LIMITING, OFF = range(4)


def diode_test(probe: Floats, across: Floats, own: Floats, forward_v: Floats) -> Floats:
    """Voltage that the meter shows.

    Args:
        probe: float64[boards], ohm between the probes.
        across: float64[boards, junctions], transfer resistance from the probes to each junction, positive where the
            test current would drive it forward.
        own: float64[boards, junctions], ohm seen by each junction.
        forward_v: float64[junctions].

    Returns:
        float64[boards], volts; the limit of the meter where nothing conducts.
    """
    open_circuit = probe * DIODE_TEST_A
    lowest: Floats = open_circuit.copy()
    if forward_v.size:
        current = np.maximum(across * DIODE_TEST_A - forward_v, 0.0) / np.maximum(own, 1e-6)
        lowest = np.minimum(lowest, np.min(open_circuit[:, None] - across * current, axis=1))
    return np.clip(lowest, 0.0, DIODE_TEST_LIMIT_V)


@dataclass(frozen=True, slots=True)
class Operating:
    """Where supply and regulators came to rest.

    Attributes:
        currents: float64[boards, ports], into the first node of each port: supply, then inlet and outlet of every
            regulator.
        supply_v: float64[boards], voltage at the supply's clips.
    """

    currents: Floats
    supply_v: Floats


def powered(
    ports: Floats, regulators: Sequence[Regulator], silent: NDArray[np.bool_], volts: float, amperes: float
) -> Operating:
    """Solve a powered board.

    Args:
        ports: float64[boards, ports, ports], resistances between the ports: supply, then inlet and outlet of every
            regulator, each against the ground of its part.
        regulators: in that order.
        silent: bool[boards, regulators], which give nothing.
        volts: voltage limit of the supply.
        amperes: its current limit.
    """
    boards = ports.shape[0]
    held = np.array([regulator.volts for regulator in regulators])
    limit = np.array([regulator.limit_a for regulator in regulators])
    state = np.where(silent, OFF, HOLDING)
    limiting = np.zeros(boards, dtype=bool)
    for _ in range(ROUNDS):
        matrix, constant = _equations(ports, regulators, state, limiting, volts, amperes)
        currents: Floats = np.linalg.solve(matrix, constant[..., None])[..., 0].astype(np.float64)
        voltage: Floats = np.einsum("bij,bj->bi", ports, currents).astype(np.float64)
        old = state.copy(), limiting.copy()
        state = _next_states(state, silent, voltage[:, 1::2], voltage[:, 2::2], currents[:, 2::2], held, limit)
        limiting = np.where(limiting, voltage[:, 0] < volts + 1e-9, currents[:, 0] > amperes)
        if np.array_equal(old[0], state) and np.array_equal(old[1], limiting):
            break
    return Operating(currents, voltage[:, 0])


def _equations(
    ports: Floats,
    regulators: Sequence[Regulator],
    state: NDArray[np.int64],
    limiting: NDArray[np.bool_],
    volts: float,
    amperes: float,
) -> tuple[Floats, Floats]:
    """One linear equation for each port, in the currents of the ports."""
    matrix = np.zeros_like(ports)
    constant = np.zeros(ports.shape[:2])
    identity = np.eye(ports.shape[1])
    matrix[:, 0] = np.where(limiting[:, None], identity[0], ports[:, 0] + SUPPLY_OHM * identity[0])
    constant[:, 0] = np.where(limiting, amperes, volts)
    for number, regulator in enumerate(regulators):
        inlet, outlet = 1 + 2 * number, 2 + 2 * number
        now = state[:, number]
        matrix[:, inlet] = identity[inlet] + regulator.ratio * identity[outlet]
        constant[:, inlet] = np.where(now == OFF, 0.0, -QUIESCENT_A)
        rows = np.broadcast_to(identity[outlet], ports[:, outlet].shape).copy()  # limiting and off: a current
        constant[:, outlet] = np.where(now == LIMITING, regulator.limit_a, 0.0)
        holding, passing = now == HOLDING, now == PASSING
        rows[holding] = ports[holding, outlet] + REGULATOR_OHM * identity[outlet]
        constant[holding, outlet] = regulator.volts
        rows[passing] = ports[passing, inlet] - ports[passing, outlet] - DROPOUT_OHM * identity[outlet]
        matrix[:, outlet] = rows
    return matrix, constant


def _next_states(
    state: NDArray[np.int64],
    silent: NDArray[np.bool_],
    inlet_v: Floats,
    outlet_v: Floats,
    outlet_a: Floats,
    held: Floats,
    limit: Floats,
) -> NDArray[np.int64]:
    """The state that each regulator wants, seeing its voltages."""
    reachable = np.minimum(held, inlet_v)
    conducting = (state == HOLDING) | (state == PASSING)
    wanted = state.copy()
    wanted[(state == HOLDING) & (inlet_v < held + DROPOUT_OHM * np.maximum(outlet_a, 0))] = PASSING
    wanted[(state == PASSING) & (outlet_v > held)] = HOLDING
    wanted[(state == LIMITING) & (outlet_v > reachable)] = HOLDING
    wanted[(state == LIMITING) & (inlet_v < outlet_v + DROPOUT_OHM * limit)] = PASSING  # its source gives no more
    wanted[conducting & (outlet_a > limit)] = LIMITING
    wanted[conducting & (outlet_a < -1e-9)] = OFF
    wanted[(state == OFF) & (inlet_v > AWAKE_V) & (outlet_v < reachable - 1e-3)] = HOLDING
    wanted[silent] = OFF
    return wanted
