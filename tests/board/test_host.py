"""What the host sees. The log lines are made of the format strings of Linux 6.1: drivers/usb/core/hub.c
(announce_device, hub_port_init, hub_port_connect, port_event), drivers/usb/storage/usb.c, drivers/scsi/sd.c
(sd_print_capacity, sd_probe) and fs/buffer.c; the tree has the file names of Documentation/ABI."""

import json
import math
from pathlib import Path

import pytest

from deadstick.board.faults import hypotheses
from deadstick.board.host import Expected, Pattern, judge_log, judge_snapshots
from deadstick.board.host_evidence import CHANCES, Class, class_of, host_evidence
from deadstick.board.host_log import LogKind, last_attempt, log_events, read_log
from deadstick.board.host_tree import Snapshot, look, lsblk_now, read_lsblk, with_lsblk
from deadstick.board.templates import card, usb2_stick, usb3_stick
from deadstick.errors import InputError

ATTACH = "usb 1-3: new high-speed USB device number 7 using xhci_hcd"
FOUND = [
    ATTACH,
    "usb 1-3: New USB device found, idVendor=1d6b, idProduct=0104, bcdDevice= 1.00",
    "usb 1-3: New USB device strings: Mfr=1, Product=2, SerialNumber=3",
    "usb 1-3: Product: Slate 64",
    "usb 1-3: Manufacturer: Shoreline",
    "usb 1-3: SerialNumber: 0A51",
    "usb-storage 1-3:1.0: USB Mass Storage device detected",
    "scsi host6: usb-storage 1-3:1.0",
]
DISK = ["sd 6:0:0:0: [sdb] 121110528 512-byte logical blocks: (62.0 GB/57.8 GiB)",
        "sd 6:0:0:0: [sdb] Attached SCSI removable disk"]  # fmt: skip
FAILED = [
    "usb 1-3: new full-speed USB device number 8 using xhci_hcd",
    "usb 1-3: device descriptor read/64, error -71",
    "usb 1-3: device descriptor read/64, error -110",
    "usb 1-3: Device not responding to setup address.",
    "usb 1-3: device not accepting address 9, error -71",
    "usb usb1-port3: unable to enumerate USB device",
]


def stamped(lines: list[str]) -> list[str]:
    return [f"[ {100 + number / 7:.6f}] {line}" for number, line in enumerate(lines)]


@pytest.mark.parametrize(
    ("lines", "pattern", "words"),
    [
        ([], Pattern.NO_ATTACH, "no sign"),
        (FAILED, Pattern.FAILS, "full-speed device was noticed, but 4 times"),
        ([ATTACH], Pattern.FAILS, "no descriptor came"),
        (["usb usb1-port3: over-current condition"], Pattern.OVER_CURRENT, "over-current"),
        (FOUND + DISK, Pattern.HEALTHY, "1d6b:0104 'Shoreline' 'Slate 64' '0A51' enumerates with 62,008,590,336 bytes"),
        ([*FOUND, "sd 6:0:0:0: [sdb] 0 512-byte logical blocks: (0 B/0 B)", DISK[1]], Pattern.NO_MEDIUM, "no medium"),
        ([*FOUND, DISK[1]], Pattern.NO_MEDIUM, "no medium or no capacity"),
        ([*FOUND, "sd 6:0:0:0: [sdb] Read Capacity(10) failed: Result: hostbyte=DID_OK driverbyte=DRIVER_OK", DISK[1]],
         Pattern.NO_MEDIUM, "no medium"),
        ([*FOUND, *DISK, "Buffer I/O error on dev sdb, logical block 0, async page read",
          "Buffer I/O error on dev sdb1, logical block 5, async page read"], Pattern.READ_ERRORS, "2 reads failed"),
        ([ATTACH, "usb 1-3: New USB device found, idVendor=ffff, idProduct=1201, bcdDevice= 0.00"],
         Pattern.WRONG_IDENTITY, "no maker has that vendor number and it shows no mass storage"),
    ],
)  # fmt: skip
def test_patterns_in_a_log(lines: list[str], pattern: Pattern, words: str) -> None:
    sight = judge_log(last_attempt(log_events(stamped(lines))))
    assert (sight.pattern, sight.port) == (pattern, "1-3" if lines else "")
    assert words in sight.sentence


def test_what_the_errors_mean_is_said() -> None:
    sentence = judge_log(log_events(FAILED)).sentence
    assert "error -71: no answer, or garbled bits, on the bus" in sentence
    assert "error -110: no answer before the time ran out" in sentence


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (Expected(vendor="1234"), "the vendor should be 1234"),
        (Expected(vendor="1D6B", product="0105"), "the product should be 0105"),
        (Expected(bytes=16_000_000_000), "62,008,590,336 bytes instead of about 16,000,000,000"),
    ],
)
def test_an_identity_that_is_not_the_sticks_own(expected: Expected, words: str) -> None:
    sight = judge_log(log_events(FOUND + DISK), expected)
    assert sight.pattern is Pattern.WRONG_IDENTITY
    assert words in sight.sentence
    own = Expected("1d6b", "0104", 64_000_000_000)
    assert judge_log(log_events(FOUND + DISK), own).pattern is Pattern.HEALTHY


def test_only_the_last_attempt_counts() -> None:
    lines = [*FOUND, *DISK, "usb 1-3: USB disconnect, device number 7", *FAILED]
    assert judge_log(last_attempt(log_events(lines))).pattern is Pattern.FAILS
    # Pulled out at the end: the attempt before that is the last one.
    lines = [*FAILED, *FOUND, *DISK, "usb 1-3: USB disconnect, device number 7"]
    assert judge_log(last_attempt(log_events(lines))).pattern is Pattern.HEALTHY


def test_another_port_does_not_mix_in() -> None:
    keyboard = ["usb 1-1.2: new low-speed USB device number 3 using xhci_hcd",
                "usb 1-1.2: New USB device found, idVendor=1d6b, idProduct=0003, bcdDevice= 1.00"]  # fmt: skip
    events = log_events([*FAILED[:3], *keyboard, *FAILED[3:]])
    assert judge_log(last_attempt(events)).port == "1-3"
    assert judge_log(last_attempt(events, "1-1.2")).port == "1-1.2"
    assert last_attempt(events, "4-4") == ()


def test_ports_behind_a_hub_have_one_name() -> None:
    events = log_events(["usb 1-1-port2: unable to enumerate USB device", "usb 2-1.4-port1: over-current condition"])
    assert [event.port for event in events] == ["1-1.2", "2-1.4.1"]


@pytest.mark.parametrize(
    "line",
    [
        "[    0.5] Linux version 6.1.0",
        "[Tue Mar  3 10:11:12 2026] audit: ready",
        "Mar 03 10:11:12 bench kernel: ready",
        "kern  :info  : [    0.5] ready",
        "2026-03-03T10:11:12,123456+01:00 ready",
        "[Mar 3 10:11] ready",
        "[  +0.000012] ready",
    ],
)
def test_a_kernel_log_without_usb_says_that_nothing_attached(tmp_path: Path, line: str) -> None:
    (tmp_path / "kernel.log").write_text(line + "\n")
    assert judge_log(last_attempt(read_log(tmp_path / "kernel.log"))).pattern is Pattern.NO_ATTACH


def test_prefixes_of_logging_daemons_do_not_matter() -> None:
    for prefix in ("", "[12.5] ", "May 04 10:11:12 bench kernel: ", "kern  :err   : [ 5.0] "):
        (event,) = log_events([prefix + FAILED[1]])
        assert (event.kind, event.values["error"]) == (LogKind.NO_DESCRIPTOR, "-71")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\0\1", "no text"),
        (None, "no such file"),
        (b"", "from a kernel's log"),
        (b"Dear all,\n[1] is a footnote\n", "from a kernel's log"),
    ],
)
def test_an_unusable_log_is_refused(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "kernel.log"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=rf"kernel\.log: .*{words}"):
        read_log(path)


# The tree ---------------------------------------------------------------------------------------------------


def files(folder: Path, **values: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, value in values.items():
        (folder / name).write_text(value + "\n")


def plug_in(root: Path, *, sectors: int | None, vendor: str = "1d6b", over: int = 0, device: bool = True) -> Path:
    """A sysfs with a root hub, and a stick in its port 3."""
    bus, real = root / "sys/bus/usb/devices", root / "sys/devices/pci0/usb1"
    bus.mkdir(parents=True, exist_ok=True)
    files(real, idVendor="1d6b", idProduct="0002", bDeviceClass="09", speed="480")
    files(real / "1-0:1.0/usb1-port3", over_current_count=str(over))
    links = [real, real / "1-0:1.0"]
    if device:
        stick = real / "1-3"
        files(stick, idVendor=vendor, idProduct="0104", bcdDevice="0100", bDeviceClass="00", speed="480",
              manufacturer="Shoreline", product="Slate 64", serial="0A51", bMaxPower="200mA")  # fmt: skip
        files(stick / "1-3:1.0", bInterfaceClass="08", bInterfaceSubClass="06", bInterfaceProtocol="50")
        links += [stick, stick / "1-3:1.0"]
        if sectors is not None:
            disk = stick / "1-3:1.0/host6/target6:0:0/6:0:0:0/block/sdb"
            files(disk, size=str(sectors), removable="1", ro="0")
            files(disk / "device", vendor="Shoreline", model="Slate 64")
            (root / "sys/block").mkdir(exist_ok=True)
            (root / "sys/block/sdb").symlink_to(disk)
    for link in links:
        if not (bus / link.name).exists():
            (bus / link.name).symlink_to(link)
    return root


@pytest.fixture
def empty(tmp_path: Path) -> Snapshot:
    return look(plug_in(tmp_path / "before", sectors=None, device=False))


@pytest.mark.parametrize(
    ("sectors", "vendor", "pattern"),
    [
        (121_110_528, "1d6b", Pattern.HEALTHY),
        (0, "1d6b", Pattern.NO_MEDIUM),
        (121_110_528, "0000", Pattern.WRONG_IDENTITY),
    ],
)
def test_patterns_in_sysfs(empty: Snapshot, tmp_path: Path, sectors: int, vendor: str, pattern: Pattern) -> None:
    now = look(plug_in(tmp_path / "after", sectors=sectors, vendor=vendor))
    sight = judge_snapshots(empty, now)
    assert (sight.pattern, sight.port) == (pattern, "1-3")
    assert now.devices[0].names == ("Shoreline", "Slate 64", "0A51")
    assert now.disks[0].bytes == sectors * 512


def test_nothing_new_and_over_current_in_sysfs(empty: Snapshot, tmp_path: Path) -> None:
    assert judge_snapshots(empty, empty).pattern is Pattern.NO_ATTACH
    tripped = look(plug_in(tmp_path / "after", sectors=None, device=False, over=2))
    sight = judge_snapshots(empty, tripped)
    assert (sight.pattern, sight.port) == (Pattern.OVER_CURRENT, "1-3")


def test_looking_changes_nothing(tmp_path: Path) -> None:
    root = plug_in(tmp_path / "tree", sectors=9)
    before = {place: place.stat().st_mtime_ns for place in root.rglob("*")}
    look(root)
    assert {place: place.stat().st_mtime_ns for place in root.rglob("*")} == before


def test_a_snapshot_comes_back_from_its_file(tmp_path: Path) -> None:
    now = look(plug_in(tmp_path / "tree", sectors=9, over=1))
    now.save(tmp_path / "before.json")
    assert Snapshot.load(tmp_path / "before.json") == now
    with pytest.raises(InputError, match="such a file already"):
        now.save(tmp_path / "before.json")


def test_no_sysfs_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--log"):
        look(tmp_path)


def test_lsblk_adds_disks_that_sysfs_did_not_show(tmp_path: Path) -> None:
    rows = [{"name": "sdb", "size": 0, "rm": True, "ro": False, "type": "disk", "tran": "usb", "vendor": "Shore   ",
             "model": "Slate"}, {"name": "vda", "size": 10, "rm": False, "ro": False, "tran": None}]  # fmt: skip
    path = tmp_path / "lsblk.json"
    path.write_text(json.dumps({"blockdevices": rows}))
    (disk,) = read_lsblk(path, Snapshot()).disks
    assert (disk.name, disk.bytes, disk.removable, disk.model) == ("sdb", 0, True, "Shore Slate")
    # Older versions print every value as text.
    old = json.dumps({"blockdevices": [{"name": "sdb", "size": "512", "rm": "1", "ro": "0", "tran": "usb"}]})
    assert with_lsblk(Snapshot(), old).disks[0].bytes == 512


def test_the_lsblk_of_this_machine_can_be_read() -> None:
    text = lsblk_now()
    if text is None:
        pytest.skip("no lsblk here, or it has nothing to tell")
    assert isinstance(with_lsblk(Snapshot(), text), Snapshot)


@pytest.mark.parametrize("text", ["{", '{"blockdevices": [{"size": 1}]}', "[]"])
def test_no_lsblk_output_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="saved: "):
        with_lsblk(Snapshot(), text, "saved")


# Evidence ---------------------------------------------------------------------------------------------------


def test_the_chances_of_each_class_add_up_and_none_is_nought() -> None:
    for kind in Class:
        assert sum(CHANCES[kind].values()) == pytest.approx(1)
        assert set(CHANCES[kind]) == set(Pattern)
        assert min(CHANCES[kind].values()) >= 0.01 / 1.2


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("C1 short", Class.INPUT_SHORT),
        ("U1.VCC1 short", Class.RAIL_SHORT),
        ("J1.VBUS open", Class.NO_SUPPLY),
        ("J1.DP open", Class.DATA),
        ("D1.IO1 short", Class.DATA),
        ("Y1 dead", Class.CLOCK),
        ("U1 logic", Class.LOGIC),
        ("U2.VCC short", Class.MEMORY),
        ("U1.VCC1 leak", Class.LEAK),
        ("U3 dead", Class.NO_SUPPLY),
    ],
)
def test_what_a_fault_takes_away(key: str, kind: Class) -> None:
    circuit = usb2_stick()
    faults = hypotheses(circuit)
    assert class_of(circuit, faults.faults[faults.index(key)]) is kind


def test_every_fault_of_every_template_has_a_class() -> None:
    for circuit in (usb2_stick(), usb3_stick(), card()):
        faults = hypotheses(circuit).faults
        evidence = host_evidence(judge_log([]), circuit, faults)
        assert set(evidence.log_likelihoods) == {fault.key for fault in faults}


def test_evidence_points_the_right_way() -> None:
    circuit = usb2_stick()
    faults = hypotheses(circuit).faults
    nothing = host_evidence(judge_log([]), circuit, faults).log_likelihoods
    failing = host_evidence(judge_log(log_events(FAILED)), circuit, faults).log_likelihoods
    hollow = host_evidence(judge_log(log_events([*FOUND, DISK[1]])), circuit, faults).log_likelihoods
    assert nothing["J1.VBUS open"] > nothing["U2.VCC short"] + math.log(5)
    assert failing["J1.DP open"] > failing["J1.VBUS open"] + math.log(3)
    assert hollow["U2.VCC short"] > hollow["C1 short"] + math.log(10)
