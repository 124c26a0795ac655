"""What the host knows now: USB devices and disks, read from sysfs and, where it is there, from `lsblk --json`.

Only files of sysfs are read, and nothing of a device itself: looking changes nothing. The names of the files are those
of Linux, Documentation/ABI (stable/sysfs-bus-usb, testing/sysfs-bus-usb, stable/sysfs-block). Sizes in
`/sys/block/*/size` count sectors of 512 bytes whatever the device says.
"""

import json
import re
import subprocess
from pathlib import Path
from shutil import which
from typing import Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deadstick.errors import InputError

SECTOR_BYTES = 512
MASS_STORAGE = 0x08
"""USB class code of mass storage, bInterfaceClass."""
HUB = 0x09
_DEVICE = re.compile(r"\d+-\d+(\.\d+)*")
_Model = TypeVar("_Model", bound=BaseModel)
_LSBLK = ("--json", "--bytes", "--nodeps", "--output", "NAME,SIZE,RM,RO,TYPE,TRAN,VENDOR,MODEL")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Disk(_Table):
    """A disk that hangs on a USB device; `port` is empty where only lsblk told of it."""

    name: str
    bytes: int
    port: str = ""
    removable: bool = False
    read_only: bool = False
    model: str = ""


class UsbDevice(_Table):
    """A device that was enumerated.

    Attributes:
        port: where it hangs, as in `1-3`.
        vendor, product: four hexadecimal digits.
        speed_mbps: of the link.
        names: manufacturer, product and serial number as the device tells them; empty where it tells none.
        interfaces: class codes.
        max_power: as it stands in sysfs, such as `200mA`.
    """

    port: str
    vendor: str
    product: str
    release: str = ""
    speed_mbps: float | None = None
    names: tuple[str, str, str] = ("", "", "")
    interfaces: tuple[int, ...] = ()
    max_power: str = ""

    @property
    def is_storage(self) -> bool:
        """Whether one of its interfaces is mass storage."""
        return MASS_STORAGE in self.interfaces


class Snapshot(_Table):
    """All USB devices, their disks, and the over-current events that each port has counted."""

    devices: tuple[UsbDevice, ...] = ()
    disks: tuple[Disk, ...] = ()
    over_currents: dict[str, int] = Field(default_factory=dict)

    def save(self, path: Path) -> None:
        """Write it as JSON into a new file.

        Raises:
            InputError: there is such a file.
        """
        try:
            with path.open("x", encoding="utf-8") as stream:
                stream.write(self.model_dump_json(indent=1) + "\n")
        except FileExistsError as error:
            raise InputError(f"{path}: there is such a file already; choose a new name") from error

    @classmethod
    def load(cls, path: Path) -> Self:
        """Read a saved snapshot.

        Raises:
            InputError: the file cannot be read or is none.
        """
        return _parsed(cls, path, _text(path))


def look(root: Path = Path("/")) -> Snapshot:
    """Read what the host knows now.

    Args:
        root: under which `sys` lies.

    Raises:
        InputError: there is no sysfs with USB there; on other systems than Linux a saved log is the way.
    """
    devices_folder = root / "sys/bus/usb/devices"
    if not devices_folder.is_dir():
        raise InputError(
            f"{devices_folder}: not there; without Linux's sysfs, save a kernel log and give it with --log"
        )
    devices = tuple(_device(folder) for folder in sorted(devices_folder.iterdir()) if _DEVICE.fullmatch(folder.name))
    plain = tuple(device for device in devices if HUB not in device.interfaces)
    return Snapshot(devices=plain, disks=tuple(_disks(root)), over_currents=_over_currents(devices_folder))


def lsblk_now() -> str | None:
    """The answer of lsblk, or None where there is none. It reads sysfs and the udev database."""
    program = which("lsblk")
    if program is None:
        return None
    done = subprocess.run([program, *_LSBLK], check=False, capture_output=True, text=True, timeout=20)  # noqa: S603 - no shell, no input
    return done.stdout if done.returncode == 0 else None


class _Row(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)

    name: str
    size: int | None = 0
    rm: bool = False
    ro: bool = False
    tran: str | None = None
    vendor: str | None = None
    model: str | None = None


class _Lsblk(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)

    blockdevices: list[_Row]


def with_lsblk(snapshot: Snapshot, text: str, source: str = "lsblk") -> Snapshot:
    """Add the USB disks of `lsblk --json --bytes` that sysfs did not show.

    Args:
        snapshot: to complete.
        text: what lsblk printed; TRAN must be among its columns.
        source: name for messages.

    Raises:
        InputError: it is no such text.
    """
    rows = _parsed(_Lsblk, source, text).blockdevices
    known = {disk.name for disk in snapshot.disks}
    added = tuple(
        Disk(
            name=row.name, bytes=row.size or 0, removable=row.rm, read_only=row.ro,
            model=" ".join(part.strip() for part in (row.vendor, row.model) if part),
        )
        for row in rows
        if row.tran == "usb" and row.name not in known
    )  # fmt: skip
    return snapshot.model_copy(update={"disks": snapshot.disks + added})


def read_lsblk(path: Path, snapshot: Snapshot) -> Snapshot:
    """`with_lsblk` with a saved file."""
    return with_lsblk(snapshot, _text(path), str(path))


def _device(folder: Path) -> UsbDevice:
    interfaces = sorted(folder.glob(f"{folder.name}:*/bInterfaceClass"))
    codes = [code for place in interfaces if (code := _hex(_value(place))) is not None]
    own = _hex(_value(folder / "bDeviceClass"))
    if own:
        codes.append(own)
    speed = _value(folder / "speed")
    return UsbDevice(
        port=folder.name,
        vendor=_value(folder / "idVendor"),
        product=_value(folder / "idProduct"),
        release=_value(folder / "bcdDevice"),
        speed_mbps=float(speed) if re.fullmatch(r"\d+(\.\d+)?", speed) else None,
        names=(_value(folder / "manufacturer"), _value(folder / "product"), _value(folder / "serial")),
        interfaces=tuple(codes),
        max_power=_value(folder / "bMaxPower"),
    )


def _disks(root: Path) -> list[Disk]:
    found = []
    blocks = root / "sys/block"
    for folder in sorted(blocks.iterdir()) if blocks.is_dir() else []:
        # The link of a disk runs through every device that it hangs on; the innermost one is its own.
        way = [part for part in folder.resolve().parts if _DEVICE.fullmatch(part)]
        if not way:
            continue
        sectors = _value(folder / "size")
        words = (_value(folder / "device/vendor"), _value(folder / "device/model"))
        found.append(
            Disk(
                name=folder.name,
                bytes=int(sectors) * SECTOR_BYTES if sectors.isdecimal() else 0,
                port=way[-1],
                removable=_value(folder / "removable") == "1",
                read_only=_value(folder / "ro") == "1",
                model=" ".join(word for word in words if word),
            )
        )
    return found


def _over_currents(devices: Path) -> dict[str, int]:
    counts = {}
    for place in sorted(devices.glob("*/*-port*/over_current_count")):
        hub, _, number = place.parent.name.rpartition("-port")
        port = f"{hub[3:]}-{number}" if hub.startswith("usb") else f"{hub}.{number}"
        value = _value(place)
        if value.isdecimal():
            counts[port] = int(value)
    return counts


def _value(place: Path) -> str:
    """A file of sysfs; empty where it is missing, which tells as much as an empty one, or goes while we look."""
    try:
        return place.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _hex(text: str) -> int | None:
    return int(text, 16) if re.fullmatch(r"[0-9a-fA-F]+", text) else None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: this is no text") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _parsed(model: type[_Model], path: Path | str, text: str) -> _Model:
    try:
        return model.model_validate(json.loads(text))
    except json.JSONDecodeError as error:
        raise InputError(f"{path}: no JSON: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise InputError(f"{path}: {where}: {first['msg']}") from error
