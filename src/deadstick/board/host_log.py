"""What a kernel's log says about a USB port: lines of Linux turned into events.

The phrases are those of Linux 6.1: drivers/usb/core/hub.c (attach, descriptor, address, over-current),
drivers/usb/storage/usb.c (mass storage), drivers/scsi/sd.c (disk and its size), fs/buffer.c (read errors). The names
of ports are those of drivers/usb/core/port.c: port 3 of the root hub `usb1` is `usb1-port3`, and what hangs on it is
`1-3`. Any prefix of time or of a logging daemon is passed over.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from deadstick.errors import InputError

MOST_BYTES = 64 << 20
_KERNEL_LINE = re.compile(
    r"(?:^|<\d+>|:)\s*\[(?:\s*\+?\d+\.\d+|\w{3} [\w\s:]+)\]\s|\bkernel:|^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[.,]\d+"
)
"""Lines of dmesg begin with a time, mostly in brackets; logging daemons name the kernel."""


class LogKind(StrEnum):
    """Kinds of events, in the order in which a healthy attach brings them; failures stand beside their stage."""

    OVER_CURRENT = "over-current"
    CANNOT_ENABLE = "port cannot be enabled"
    ATTACH = "attach"
    NO_DESCRIPTOR = "descriptor not read"
    NO_ADDRESS = "address not accepted"
    GIVEN_UP = "enumeration given up"
    FOUND = "device found"
    STRINGS = "strings"
    NAME = "name"
    STORAGE = "mass storage"
    CAPACITY = "capacity"
    DISK = "disk attached"
    READ_ERROR = "read error"
    DETACH = "detach"


@dataclass(frozen=True, slots=True)
class LogEvent:
    """One event.

    Attributes:
        kind: what happened.
        port: of the device, as in `1-3` or `1-1.2`; empty where the line does not tell.
        line: number of the line in the log, from 1.
        values: what the line says, by name; all text.
    """

    kind: LogKind
    port: str
    line: int
    values: dict[str, str]


_USB = r"\busb (?P<port>\d+-[\d.]+): "
_PORT = r"\busb (?P<hub>usb\d+|\d+-[\d.]+)-port(?P<number>\d+): "
_DISK = r"\bsd (?P<host>\d+):\d+:\d+:\d+: \[(?P<disk>\w+)\] "
_PATTERNS = tuple(
    (kind, re.compile(pattern))
    for kind, pattern in (
        (LogKind.OVER_CURRENT, _PORT + "over-current condition"),
        (LogKind.CANNOT_ENABLE, _PORT + "Cannot enable"),
        (LogKind.ATTACH, _USB + r"new (?P<speed>[\w-]+(?: Plus)?(?: Gen \S+)?) USB device number (?P<address>\d+)"),
        (LogKind.NO_DESCRIPTOR, _USB + r"device descriptor read/(?P<what>\w+), error (?P<error>-?\d+)"),
        (LogKind.NO_ADDRESS, _USB + r"device not accepting address (?P<address>\d+), error (?P<error>-?\d+)"),
        (LogKind.NO_ADDRESS, _USB + r"(?P<what>Device not responding to setup address)"),
        (LogKind.GIVEN_UP, _PORT + "unable to enumerate USB device"),
        (
            LogKind.FOUND,
            _USB + r"New USB device found, idVendor=(?P<vendor>[0-9a-f]{4}), idProduct=(?P<product>[0-9a-f]{4})"
            r"(?:, bcdDevice=\s*(?P<release>[\d.a-f]+))?",
        ),
        (LogKind.STRINGS, _USB + r"New USB device strings: Mfr=(?P<mfr>\d+), Product=(?P<prod>\d+), "
                                 r"SerialNumber=(?P<serial>\d+)"),
        (LogKind.NAME, _USB + r"(?P<what>Product|Manufacturer|SerialNumber): (?P<text>.*)"),
        (LogKind.STORAGE, r"\busb-storage (?P<port>\d+-[\d.]+):\d+\.\d+: USB Mass Storage device detected"),
        (LogKind.STORAGE, r"\bscsi host(?P<host>\d+): (?:usb-storage|uas)(?: (?P<port>\d+-[\d.]+):\d+\.\d+)?"),
        (LogKind.CAPACITY, _DISK + r"(?P<blocks>\d+) (?P<block_bytes>\d+)-byte logical blocks"),
        (LogKind.CAPACITY, _DISK + r"(?P<failed>Read Capacity\(1[06]\) failed)"),
        (LogKind.DISK, _DISK + r"Attached SCSI (?P<removable>removable )?disk"),
        (LogKind.READ_ERROR, r"\bI/O error, dev (?P<disk>\w+), sector (?P<sector>\d+)"),
        (LogKind.READ_ERROR, r"\bBuffer I/O error on dev (?P<disk>\w+), logical block (?P<block>\d+)"),
        (LogKind.DETACH, _USB + r"USB disconnect, device number (?P<address>\d+)"),
    )
)  # fmt: skip

ERRORS = {
    32: "the device refused (stall)",
    62: "no answer within the time of the bus",
    71: "no answer, or garbled bits, on the bus",
    75: "more data than asked for",
    84: "wrong checksums on the bus",
    110: "no answer before the time ran out",
}
"""Error numbers in words: include/uapi/asm-generic/errno.h and Documentation/driver-api/usb/error-codes.rst of
Linux."""


def read_log(path: Path) -> tuple[LogEvent, ...]:
    """Read a saved kernel log.

    Raises:
        InputError: it cannot be read, is no text, is far too long, or is no kernel log.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path}: more than {MOST_BYTES >> 20} MiB; keep the part around the attach")
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except OSError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    if b"\0" in data:
        raise InputError(f"{path}: this is no text; save the kernel's log with dmesg > FILE")
    lines = data.decode("utf-8", errors="replace").splitlines()
    events = log_events(lines)
    # Nothing in a log is evidence; no log is none, and dmesg leaves an empty file where it is not permitted.
    if not events and not any(_KERNEL_LINE.search(line) for line in lines):
        raise InputError(
            f"{path}: no line of it is from a kernel's log; save that with dmesg > FILE, as root if need be"
        )
    return events


def log_events(lines: Iterable[str]) -> tuple[LogEvent, ...]:
    """The events in the lines of a log, in their order.

    >>> [event.kind.value for event in log_events(["[ 5.1] usb 1-3: device descriptor read/64, error -71"])]
    ['descriptor not read']
    """
    events: list[LogEvent] = []
    port_of_host: dict[str, str] = {}
    port_of_disk: dict[str, str] = {}
    storage = ""
    for number, line in enumerate(lines, start=1):
        for kind, pattern in _PATTERNS:
            found = pattern.search(line)
            if found is None:
                continue
            values = {name: value.strip() for name, value in found.groupdict().items() if value is not None}
            port = _port(values, port_of_host, port_of_disk, storage)
            if kind is LogKind.STORAGE:
                storage = port
                port_of_host[values.get("host", "")] = port
            if "disk" in values and "host" in values:
                port_of_disk[values["disk"]] = port
            events.append(LogEvent(kind, port, number, values))
            break
    return tuple(events)


def _port(values: dict[str, str], of_host: dict[str, str], of_disk: dict[str, str], storage: str) -> str:
    if "port" in values:
        return values["port"]
    if "number" in values:
        hub = values["hub"]
        return f"{hub[3:]}-{values['number']}" if hub.startswith("usb") else f"{hub}.{values['number']}"
    if "host" in values and "disk" in values:
        return of_host.get(values["host"], "")
    if "disk" in values:
        # A partition is named after its disk.
        return of_disk.get(values["disk"].rstrip("0123456789"), of_disk.get(values["disk"], ""))
    return storage


def last_attempt(events: Iterable[LogEvent], port: str = "") -> tuple[LogEvent, ...]:
    """The events of the last time that something was plugged in.

    Args:
        events: of a whole log.
        port: only of this one; by default of the port on which something happened last.

    Returns:
        Events of that port after its last detach that something followed; none where nothing ever happened.
    """
    known = [event for event in events if event.port and (not port or event.port == port)]
    if not known:
        return ()
    chosen = [event for event in known if event.port == (port or known[-1].port)]
    while chosen and chosen[-1].kind is LogKind.DETACH:
        chosen.pop()
    start = max((place + 1 for place, event in enumerate(chosen) if event.kind is LogKind.DETACH), default=0)
    return tuple(chosen[start:])
