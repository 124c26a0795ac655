"""A board of 60 nets and 120 parts, for the tests of speed."""

from dataclasses import replace

from deadstick.board.circuit import Circuit, Net, Part, PartKind, Pin
from deadstick.board.templates import usb3_stick


def big_board() -> Circuit:
    """The USB 3 stick with more of everything."""
    board = usb3_stick()
    rails = ("VCC33", "VCCN", "VCORE", "VCCQ", "VIN")
    nets = [*board.nets, *(Net(f"X{k}") for k in range(60 - len(board.nets)))]
    parts = list(board.parts)
    for k in range(120 - len(parts)):
        x, y = 3.0 + 0.7 * k, 2.0 + (5 * k) % 14
        if k % 4:
            pins = (Pin("1", rails[k % 5], x, y), Pin("2", "GND", x + 1, y))
            parts.append(Part(f"C{100 + k}", PartKind.CAPACITOR, pins, 1e-7))
        else:
            pins = (Pin("1", "VCC33", x, y), Pin("2", f"X{(k // 4) % (60 - len(board.nets))}", x + 1, y))
            parts.append(Part(f"R{100 + k}", PartKind.RESISTOR, pins, 1e4))
    return replace(board, nets=tuple(nets), parts=tuple(parts), width_mm=60.0)
