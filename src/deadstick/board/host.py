"""What the host sees when the stick is plugged in, as one pattern and as evidence over the faults.

The pattern says how far the attach went. A stick without power or pull-up is not noticed at all; one whose data lines
or clock are bad is noticed and then fails to answer; one whose controller runs but cannot reach its memory enumerates,
with no medium, no capacity, or an identity that is not its own.

How often each fault gives each pattern is a table of our own round figures (common practice, no source). They are kept
soft, as one board in a few does otherwise.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from deadstick.board.host_log import ERRORS, LogEvent, LogKind
from deadstick.board.host_tree import Disk, Snapshot, UsbDevice

UNSET_IDS = frozenset({"0000", "ffff"})
"""Vendor numbers that no device of a maker carries."""


class Pattern(StrEnum):
    """How far the attach went."""

    NO_ATTACH = "no attach at all"
    OVER_CURRENT = "over-current"
    FAILS = "attach and fail"
    NO_MEDIUM = "enumerates with no medium"
    WRONG_IDENTITY = "enumerates with a wrong identity"
    READ_ERRORS = "enumerates, but cannot be read"
    HEALTHY = "healthy"


@dataclass(frozen=True, slots=True)
class Expected:
    """What the stick is known to be: from its label, a bill, or another one of its kind.

    Attributes:
        vendor, product: four hexadecimal digits; None where they are not known.
        bytes: its capacity; None where it is not known.
    """

    vendor: str | None = None
    product: str | None = None
    bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Sight:
    """The pattern, why, and where.

    Attributes:
        pattern: how far the attach went.
        sentence: for the report.
        port: on which port; empty where nothing was noticed.
    """

    pattern: Pattern
    sentence: str
    port: str = ""


NOTHING_EXPECTED = Expected()


def judge_log(events: Sequence[LogEvent], expected: Expected = NOTHING_EXPECTED) -> Sight:
    """The pattern of one attempt in a kernel log; see `host_log.last_attempt`.

    Args:
        events: of one port, in their order. None at all means that nothing was noticed, so the log must cover the
            moment at which the stick was plugged in.
        expected: what the stick should be.
    """
    if not events:
        return Sight(Pattern.NO_ATTACH, "the log shows no sign that anything was plugged in")
    port = next((event.port for event in events if event.port), "")
    kinds = {event.kind for event in events}
    found = [event for event in events if event.kind is LogKind.FOUND]
    if not found:
        return Sight(*_failed(events, kinds), port)
    device = _device(events, found[-1], port)
    disks = [event for event in events if event.kind in {LogKind.CAPACITY, LogKind.DISK}]
    errors = sum(event.kind is LogKind.READ_ERROR for event in events)
    disk = Disk(name=disks[-1].values["disk"], bytes=_bytes(events), port=port) if disks else None
    return _enumerated(device, disk, errors, expected)


def judge_snapshots(before: Snapshot, after: Snapshot, expected: Expected = NOTHING_EXPECTED) -> Sight:
    """The pattern of what is new since a snapshot that was taken before the stick was plugged in."""
    known = {(device.port, device.vendor, device.product, device.names) for device in before.devices}
    fresh = [
        device for device in after.devices
        if (device.port, device.vendor, device.product, device.names) not in known
    ]  # fmt: skip
    if not fresh:
        counts = {
            port: count - before.over_currents.get(port, 0)
            for port, count in after.over_currents.items()
            if count > before.over_currents.get(port, 0)
        }
        if counts:
            port = max(counts, key=counts.__getitem__)
            return Sight(Pattern.OVER_CURRENT, f"port {port} switched off for over-current", port)
        sentence = "no new device appeared; a failed attach shows in the kernel log only, so give that too (--log)"
        return Sight(Pattern.NO_ATTACH, sentence)
    device = max(fresh, key=lambda device: device.is_storage)
    disk = next((disk for disk in after.disks if disk.port == device.port), None) or _only_new(before, after)
    return _enumerated(device, disk, 0, expected)


def _only_new(before: Snapshot, after: Snapshot) -> Disk | None:
    """The one disk that is new and of which only lsblk tells, so that its port is not known."""
    known = {disk.name for disk in before.disks}
    fresh = [disk for disk in after.disks if disk.name not in known and not disk.port]
    return fresh[0] if len(fresh) == 1 else None


def _failed(events: Sequence[LogEvent], kinds: set[LogKind]) -> tuple[Pattern, str]:
    """Pattern and sentence of an attempt that brought no device."""
    if LogKind.OVER_CURRENT in kinds:
        return Pattern.OVER_CURRENT, "the port switched off for over-current"
    failures = [event for event in events if event.kind in {LogKind.NO_DESCRIPTOR, LogKind.NO_ADDRESS}]
    numbers = sorted({abs(int(event.values["error"])) for event in failures if "error" in event.values})
    meanings = "; ".join(f"error -{number}: {ERRORS.get(number, 'see the kernel')}" for number in numbers)
    speeds = sorted({event.values["speed"] for event in events if event.kind is LogKind.ATTACH})
    what = f"a {speeds[-1]} device was noticed" if speeds else "something was noticed"
    count = "once" if len(failures) == 1 else f"{len(failures)} times"
    how = f"{count} it did not answer" if failures else "no descriptor came"
    return Pattern.FAILS, f"{what}, but {how}{f' ({meanings})' if meanings else ''}"


def _device(events: Sequence[LogEvent], found: LogEvent, port: str) -> UsbDevice:
    names = {event.values["what"]: event.values["text"] for event in events if event.kind is LogKind.NAME}
    storage = any(event.kind in {LogKind.STORAGE, LogKind.CAPACITY, LogKind.DISK} for event in events)
    return UsbDevice(
        port=port,
        vendor=found.values["vendor"],
        product=found.values["product"],
        names=(names.get("Manufacturer", ""), names.get("Product", ""), names.get("SerialNumber", "")),
        interfaces=(0x08,) if storage else (),
    )


def _bytes(events: Sequence[LogEvent]) -> int:
    sizes = [
        int(event.values["blocks"]) * int(event.values["block_bytes"])
        for event in events
        if event.kind is LogKind.CAPACITY and "blocks" in event.values
    ]
    return sizes[-1] if sizes else 0


def _enumerated(device: UsbDevice, disk: Disk | None, errors: int, expected: Expected) -> Sight:
    """The pattern of a device that told its descriptors."""
    who = f"{device.vendor}:{device.product}" + "".join(f" {name!r}" for name in device.names if name)
    doubts = _doubts(device, disk, expected)
    if disk is not None and disk.bytes == 0:
        also = f"; and {doubts}" if doubts else ""
        return Sight(
            Pattern.NO_MEDIUM, f"{who} enumerates, but its disk has no medium or no capacity{also}", device.port
        )
    if doubts:
        return Sight(Pattern.WRONG_IDENTITY, f"{who} enumerates, but {doubts}", device.port)
    if errors:
        return Sight(Pattern.READ_ERRORS, f"{who} enumerates with its capacity; {errors} reads failed", device.port)
    size = f" with {disk.bytes:,} bytes" if disk else ""
    return Sight(Pattern.HEALTHY, f"{who} enumerates{size}", device.port)


def _doubts(device: UsbDevice, disk: Disk | None, expected: Expected) -> str:
    """Why the identity may not be the stick's own; empty without a reason."""
    found = []
    if expected.vendor and expected.vendor.lower() != device.vendor.lower():
        found.append(f"the vendor should be {expected.vendor}")
    if expected.product and expected.product.lower() != device.product.lower():
        found.append(f"the product should be {expected.product}")
    if device.vendor.lower() in UNSET_IDS:
        found.append("no maker has that vendor number")
    if not device.is_storage:
        found.append("it shows no mass storage")
    if expected.bytes and disk is not None and disk.bytes and not 0.8 < disk.bytes / expected.bytes < 1.25:
        found.append(f"its capacity is {disk.bytes:,} bytes instead of about {expected.bytes:,}")
    return " and ".join(found)
