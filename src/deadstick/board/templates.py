"""Boards of our own invention that look like common ones: a USB 2.0 stick, a USB 3 stick, a card.

They are starting points for a board without drawings. Which rails exist, how many capacitors stand on them and what
the values are follows common practice (no source); no template copies a product. With a random generator, counts,
values and positions are drawn from ranges; without one, the middle of each range is taken.
"""

from collections.abc import Callable

import numpy as np

from deadstick.board.circuit import Circuit, NetKind, PartKind, Pin
from deadstick.board.drafting import GROUND, Draft, pin

POWER = NetKind.POWER
CAP, RES = PartKind.CAPACITOR, PartKind.RESISTOR
BUS = ("CE", "CLE", "ALE", "WE", "RE", "WP", "RB", *(f"IO{bit}" for bit in range(8)))


def usb2_stick(rng: np.random.Generator | None = None) -> Circuit:
    """A USB 2.0 stick: 5 V from the plug, 3.3 V from a regulator, the core voltage made inside the controller.

    >>> board = usb2_stick()
    >>> len(board.nets), len(board.parts), board.net("VCC33").volts
    (29, 28, 3.3)
    """
    draft = Draft(rng)
    _usual_nets(draft)
    draft.chip("J1", PartKind.CONNECTOR, (2.0, 7.0), 5.0, [pin("VBUS", "VBUS"), *_data_and_ground("DM_C", "DP_C")])
    _input(draft, (6.0, 3.5))
    _usb_lines(draft, (6.0, 9.5))
    draft.chip("U3", PartKind.REGULATOR, (11.0, 3.5), 2.0, _regulator("VIN", "VCC33"), 3.3)
    draft.caps("VCC33", (13.5, 4.0), draft.count(1, 2), 1e-6)
    _controller(draft, (18.5, 7.0), caps=draft.count(2, 5))
    _nand(draft, "U2", "VCCN", (31.0, 7.0), caps=draft.count(2, 5))
    draft.two("FB", PartKind.FERRITE, ("VCC33", "VCCN"), (25.0, 3.0), draft.between(0.08, 0.4))
    _odds_and_ends(draft)
    return draft.circuit("USB 2.0 stick", 40.0, 14.0)


def usb3_stick(rng: np.random.Generator | None = None) -> Circuit:
    """A USB 3 stick: two regulators, the core voltage through an inductor, more lines, two NAND chips.

    >>> board = usb3_stick()
    >>> len(board.nets), len(board.parts)
    (39, 51)
    """
    draft = Draft(rng)
    _usual_nets(draft)
    draft.net("VCCQ", POWER, 1.8)
    draft.net("SW", POWER, 1.2)
    lines = ("SSTXP", "SSTXN", "SSRXP", "SSRXN")
    for line in lines:
        draft.net(line)
        draft.net(f"{line}_C")
    contacts = [pin("VBUS", "VBUS"), *_data_and_ground("DM_C", "DP_C"), *(pin(line, f"{line}_C") for line in lines)]
    draft.chip("J1", PartKind.CONNECTOR, (2.0, 9.0), 8.0, [*contacts, pin("DRAIN", GROUND)])
    _input(draft, (7.0, 3.5))
    _usb_lines(draft, (7.0, 10.0))
    for name, pair in (("D2", lines[:2]), ("D3", lines[2:])):
        draft.chip(
            name,
            PartKind.ESD_ARRAY,
            (9.0, 13.0 if name == "D2" else 15.5),
            1.6,
            [*(pin(line, f"{line}_C") for line in pair), pin(GROUND, GROUND)],
        )
    for number, line in enumerate(lines):
        if line.startswith("SSTX"):
            draft.two("C", CAP, (line, f"{line}_C"), (13.0, 12.0 + number), 1e-7)
        else:
            draft.two("R", RES, (line, f"{line}_C"), (13.0, 12.0 + number), draft.between(0.5, 2.2))
    draft.chip("U4", PartKind.REGULATOR, (12.0, 3.5), 2.0, _regulator("VIN", "VCC33"), 3.3)
    draft.chip("U5", PartKind.REGULATOR, (17.0, 3.0), 2.0, _regulator("VIN", "SW"), 1.2)
    draft.chip("U6", PartKind.REGULATOR, (28.0, 3.0), 1.6, _regulator("VCC33", "VCCQ"), 1.8)
    draft.two("L", PartKind.INDUCTOR, ("SW", "VCORE"), (19.5, 3.0), draft.between(0.04, 0.2))
    draft.caps("VCC33", (14.0, 4.0), draft.count(2, 3), 1e-6)
    _controller(draft, (22.0, 9.0), caps=draft.count(4, 8), core_inside=False, lines=lines, bus_rail="VCCQ")
    draft.two("FB", PartKind.FERRITE, ("VCC33", "VCCN"), (30.0, 4.0), draft.between(0.08, 0.4))
    _nand(draft, "U2", "VCCN", (35.0, 9.0), caps=draft.count(3, 6), io_rail="VCCQ")
    _nand(draft, "U3", "VCCN", (46.0, 9.0), caps=draft.count(2, 5), io_rail="VCCQ")
    _odds_and_ends(draft)
    return draft.circuit("USB 3 stick", 55.0, 18.0)


def card(rng: np.random.Generator | None = None) -> Circuit:
    """A memory card: 3.3 V from the contacts, the core voltage made inside the controller.

    >>> board = card()
    >>> len(board.nets), len(board.parts)
    (27, 18)
    """
    draft = Draft(rng)
    draft.net(GROUND, NetKind.GROUND)
    draft.net("VDD", POWER, 3.3)
    draft.net("VCC33", POWER, 3.3)
    draft.net("VCORE", POWER, 1.2)
    lines = ("CLK", "CMD", "DAT0", "DAT1", "DAT2", "DAT3")
    for line in (*lines, *BUS, "XI", "XO"):
        draft.net(line)
    draft.chip(
        "J1",
        PartKind.CONNECTOR,
        (3.0, 10.0),
        5.0,
        [pin("VDD", "VDD"), pin("VSS1", GROUND), *(pin(line, line) for line in lines), pin("VSS2", GROUND)],
    )
    draft.two("FB", PartKind.FERRITE, ("VDD", "VCC33"), (6.5, 4.0), draft.between(0.05, 0.3))
    draft.caps("VDD", (6.0, 6.0), draft.count(1, 2), 1e-6)
    _controller(draft, (11.0, 10.0), caps=draft.count(2, 4), lines=lines, usb=False)
    _nand(draft, "U2", "VCC33", (20.0, 10.0), caps=draft.count(2, 5))
    _odds_and_ends(draft, rail="VCC33")
    return draft.circuit("Card", 26.0, 20.0)


TEMPLATES: dict[str, Callable[[np.random.Generator | None], Circuit]] = {
    "usb2": usb2_stick,
    "usb3": usb3_stick,
    "card": card,
}


def _usual_nets(draft: Draft) -> None:
    draft.net(GROUND, NetKind.GROUND)
    for name, volts in (("VBUS", 5.0), ("VIN", 5.0), ("VCC33", 3.3), ("VCCN", 3.3), ("VCORE", 1.2)):
        draft.net(name, POWER, volts)
    for name in ("DP_C", "DM_C", "DP", "DM", "XI", "XO", "LED", "LEDA", *BUS):
        draft.net(name)


def _data_and_ground(minus: str, plus: str) -> list[Pin]:
    return [pin("DM", minus), pin("DP", plus), pin(GROUND, GROUND)]


def _regulator(source: str, rail: str) -> list[Pin]:
    return [pin("IN", source), pin("OUT", rail), pin(GROUND, GROUND)]


def _input(draft: Draft, at: tuple[float, float]) -> None:
    """Plug to regulator: a ferrite or a fuse, and capacitors on both sides."""
    if draft.coin(0.6):
        draft.two("FB", PartKind.FERRITE, ("VBUS", "VIN"), at, draft.between(0.05, 0.3))
    else:
        draft.two("F", PartKind.FUSE, ("VBUS", "VIN"), at, draft.between(0.1, 0.4))
    if draft.coin(0.5):
        draft.caps("VBUS", (at[0] - 1, at[1] + 1), 1, 1e-7)
    draft.caps("VIN", (at[0] + 3, at[1]), draft.count(1, 3), 4.7e-6)


def _usb_lines(draft: Draft, at: tuple[float, float]) -> None:
    draft.chip("D1", PartKind.ESD_ARRAY, at, 1.6, [pin("IO1", "DM_C"), pin("IO2", "DP_C"), pin(GROUND, GROUND)])
    for number, line in enumerate(("DM", "DP")):
        draft.two("R", RES, (f"{line}_C", line), (at[0] + 5, at[1] + number), draft.between(4.7, 27))


def _controller(
    draft: Draft,
    at: tuple[float, float],
    *,
    caps: int,
    core_inside: bool = True,
    lines: tuple[str, ...] = (),
    bus_rail: str | None = None,
    usb: bool = True,
) -> None:
    """The controller with its capacitors and crystal."""
    core = (
        pin("VCORE", "VCORE", supplies_v=1.2) if core_inside else pin("VCORE", "VCORE", load_a=draft.between(0.1, 0.3))
    )
    pins = [pin("VCC1", "VCC33", load_a=draft.between(0.03, 0.09)), core, pin("VCC2", "VCC33", load_a=0.005)]
    if bus_rail is not None:
        pins.append(pin("VCCQ", bus_rail, load_a=0.01))
    pins += [pin("GND1", GROUND), *(pin(line, line) for line in lines), pin("XI", "XI"), pin("XO", "XO")]
    if usb:
        pins += [pin("DM", "DM"), pin("DP", "DP"), pin("LED", "LED")]
    pins += [*(pin(line, line) for line in BUS), pin("GND2", GROUND)]
    draft.chip("U1", PartKind.CONTROLLER, at, 6.0, pins)
    draft.caps("VCC33", at, caps)
    draft.caps("VCORE", (at[0], at[1] - 1.0), max(1, caps // 2), 1e-6)
    draft.two("Y", PartKind.CRYSTAL, ("XI", "XO"), (at[0] + 1, at[1] + 5), 12e6 if usb else 24e6)
    for line in ("XI", "XO"):
        draft.two("C", CAP, (line, GROUND), (at[0] + (0 if line == "XI" else 3), at[1] + 5), 1.8e-11)


def _nand(
    draft: Draft, name: str, rail: str, at: tuple[float, float], *, caps: int, io_rail: str | None = None
) -> None:
    pins = [
        pin("VCC", rail, load_a=draft.between(0.01, 0.03)),
        *(pin(line, line) for line in BUS[:8]),
        pin("VSS", GROUND),
    ]
    pins += [pin("VCCQ", io_rail or rail, load_a=0.005), *(pin(line, line) for line in BUS[8:]), pin("VSSQ", GROUND)]
    draft.chip(name, PartKind.NAND, at, 9.0, pins)
    draft.caps(rail, at, caps)
    if io_rail:
        draft.caps(io_rail, at, max(1, caps // 2))


def _odds_and_ends(draft: Draft, rail: str = "VCCN") -> None:
    """Pull-ups of the bus and, on a stick, the lamp."""
    for place, line in enumerate(("CE", "RB", "WP")):
        x, y = draft.between(15, 24), draft.between(10, 13)
        if draft.rng is None:  # the middle of the range is one place, and they are three parts
            x += 2.0 * (place - 1)
        draft.two("R", RES, (rail, line), (x, y), draft.between(4.7e3, 1e4))
    if "LED" in draft.nets:
        draft.two("R", RES, ("VCC33", "LEDA"), (36.0, 12.0), draft.between(330, 1000))
        draft.two("LED", PartKind.DIODE, ("LED", "LEDA"), (38.0, 12.0), 1.9)
