"""Finding a port again by its USB identity, on every system, with the lists they would give."""

import json
from dataclasses import dataclass
from typing import Any

import pytest

from monitor.cli import run
from monitor.commands.port_list import in_words, rows
from monitor.sources import ports
from monitor.sources.ports import Port, PortFinder, list_ports
from monitor.sources.serial_line import SerialSource
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL


@dataclass
class Info:
    """What pyserial says of a port."""

    device: str
    description: str | None = "n/a"
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None


def usb(device: str, serial_number: str | None = "A1", location: str = "1-1") -> Info:
    """Return a USB adapter."""
    return Info(device, "USB to serial", 0x0403, 0x6001, serial_number, location)


class System:
    """A system whose ports change."""

    def __init__(self, *infos: Info) -> None:
        self.infos = list(infos)

    def __call__(self) -> list[Any]:
        """Return its ports."""
        return self.infos


def finder(name: str, system: System, platform: str = "linux") -> PortFinder:
    """Return a finder on a system."""
    return PortFinder(name, system, platform)


@pytest.mark.parametrize(
    ("platform", "before", "after"),
    [
        ("linux", "/dev/ttyUSB0", "/dev/ttyUSB1"),
        ("win32", "COM3", "COM12"),
        ("darwin", "/dev/cu.usbserial-110", "/dev/cu.usbserial-2140"),
    ],
)
def test_an_adapter_is_found_at_its_new_device(platform: str, before: str, after: str) -> None:
    """Opened by its device, pulled, plugged in elsewhere: the same adapter, not the same name."""
    system = System(usb(before), Info("/dev/ttyS0"))
    found = finder(before, system, platform)
    assert found.find() == before
    found.opened(before)
    system.infos = [usb(before, "OTHER"), usb(after)]  # another adapter took the old name
    assert found.find() == after
    system.infos = [usb(before, "OTHER")]
    with pytest.raises(LookupError, match="no such adapter"):
        found.find()


@pytest.mark.parametrize(
    "name", ["usb:0403:6001", "usb:403:6001", "usb:0403:6001:A1", "USB:0403:6001:A1"]
)
def test_an_adapter_is_named_by_its_identity(name: str) -> None:
    """With or without its serial number, as long as one fits."""
    system = System(usb("COM7"), Info("COM1"))
    found = finder(name, system, "win32")
    assert found.find() == "COM7"
    found.opened("COM7")
    system.infos = [usb("COM9")]
    assert found.find() == "COM9"


def test_two_that_fit_are_not_guessed_at() -> None:
    """The message names both; with the serial number it is one."""
    system = System(usb("COM7", "A1"), usb("COM8", "B2"))
    with pytest.raises(LookupError, match="COM7, COM8"):
        finder("usb:0403:6001", system).find()
    assert finder("usb:0403:6001:B2", system).find() == "COM8"
    with pytest.raises(BadInput, match="more than one adapter"):
        finder("usb:0403:6001", system).find_or_bad_input()


def test_adapters_without_a_serial_number() -> None:
    """One of them is found anywhere; of two, the one in the same socket."""
    system = System(usb("/dev/ttyUSB0", None, "1-1"))
    found = finder("/dev/ttyUSB0", system)
    found.opened("/dev/ttyUSB0")
    system.infos = [usb("/dev/ttyUSB3", None, "1-4")]
    assert found.find() == "/dev/ttyUSB3"
    system.infos = [usb("/dev/ttyUSB3", None, "1-4"), usb("/dev/ttyUSB4", None, "1-1")]
    assert found.find() == "/dev/ttyUSB4"


@pytest.mark.parametrize("name", ["/dev/ttyS0", "/dev/pts/7", "COM1", "socket://127.0.0.1:5000"])
def test_what_has_no_identity_keeps_its_name(name: str) -> None:
    """A built-in port, a pseudo-terminal, a TCP line: the same name again."""
    system = System(Info("/dev/ttyS0"), Info("COM1"), usb("/dev/ttyUSB0"))
    found = finder(name, system)
    found.opened(found.find())
    assert found.find() == name


def test_macos_opens_the_port_that_does_not_wait() -> None:
    """A tty there waits for a carrier; its cu is the same port."""
    system = System(usb("/dev/cu.usbserial-110"))
    found = finder("/dev/tty.usbserial-110", system, "darwin")
    assert found.find() == "/dev/cu.usbserial-110"
    found.opened("/dev/cu.usbserial-110")
    system.infos = [usb("/dev/cu.usbserial-9")]
    assert found.find() == "/dev/cu.usbserial-9"


@pytest.mark.parametrize("written", ["com3", "\\\\.\\COM3", "COM3"])
def test_windows_spells_one_port_in_many_ways(written: str) -> None:
    """Whichever was opened, the adapter behind it is known."""
    system = System(usb("COM3"))
    found = finder(written, system, "win32")
    found.opened(written)
    system.infos = [usb("COM4")]
    assert found.find() == "COM4"


def test_a_link_to_a_device_is_that_device(tmp_path: Any) -> None:
    """Linux's names by identity are links."""
    device = tmp_path / "ttyUSB0"
    device.touch()
    link = tmp_path / "by-id"
    link.symlink_to(device)
    system = System(usb(str(device)))
    found = finder(str(link), system)
    found.opened(str(link))
    system.infos = [usb("/dev/ttyUSB9")]
    assert found.find() == "/dev/ttyUSB9"


@pytest.mark.parametrize("name", ["usb:", "usb:0403", "usb:0403:", "usb:04g3:6001", "usb:00403:1"])
def test_a_name_that_is_none(name: str) -> None:
    """One clear error, before anything is opened."""
    with pytest.raises(BadInput, match="usb:VID:PID"):
        PortFinder(name)
    with pytest.raises(BadInput, match="usb:VID:PID"):
        SerialSource(name, rig_from_text(SMALL, "small.toml"))


@pytest.mark.parametrize("fault", [OSError("no"), ValueError(), TypeError(), ImportError()])
def test_a_system_that_will_not_list_its_ports(fault: Exception) -> None:
    """Then a port has the name it has, and no identity."""

    def lister() -> list[Any]:
        raise fault

    found = PortFinder("/dev/ttyUSB0", lister, "linux")
    found.opened(found.find())
    assert found.find() == "/dev/ttyUSB0"
    with pytest.raises(LookupError):
        PortFinder("usb:0403:6001", lister).find()


@pytest.mark.asyncio
async def test_an_adapter_that_is_not_plugged_in_is_bad_input() -> None:
    """Asked for by identity, and not there: one clear error."""
    source = SerialSource("usb:0403:6001:A1", rig_from_text(SMALL, "s"), lister=System())
    with pytest.raises(BadInput, match="no such adapter"):
        async with source:
            raise AssertionError("opened")


def test_what_an_adapter_says_of_itself_is_made_safe() -> None:
    """Descriptions come from the device: no control signs, bounded, never None."""
    info = Info("COM3", "\x1b]0;x\x07evil" + "y" * 500, 1, 2, "\x00A\n1", None)
    (port,) = list_ports(lambda: [info])
    assert port.description.isprintable()
    assert len(port.description) <= 60
    assert port.serial_number.isprintable()
    assert port.location == ""


def test_ports_are_listed_in_words() -> None:
    """Name to give, device now, description; the device where an identity means two."""
    found = [
        Port("COM3", "USB to serial", 0x0403, 0x6001, "A1"),
        Port("COM4", "No number", 0x1A86, 0x7523),
        Port("COM5", "No number", 0x1A86, 0x7523),
        Port("COM1", ""),
    ]
    lines = in_words(found)
    assert lines[1].split() == ["usb:0403:6001:A1", "COM3", "USB", "to", "serial"]
    assert [line.split()[0] for line in lines[2:]] == ["COM4", "COM5", "COM1"]
    assert rows(found)[0] == {
        "name": "usb:0403:6001:A1",
        "device": "COM3",
        "description": "USB to serial",
        "vid": 0x0403,
        "pid": 0x6001,
        "serial_number": "A1",
        "location": "",
    }


def test_the_command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """``flowdebt ports``: none said clearly; some in words and as JSON lines."""
    monkeypatch.setattr(ports, "_comports", System())
    assert run(["ports"]) == 0
    assert capsys.readouterr().out.startswith("no serial ports found\n")
    assert run(["ports", "--json"]) == 0
    assert capsys.readouterr().out == ""
    monkeypatch.setattr(ports, "_comports", System(usb("/dev/ttyUSB10"), usb("/dev/ttyUSB9", "B")))
    assert run(["ports", "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [row["name"] for row in told] == ["usb:0403:6001:B", "usb:0403:6001:A1"]
