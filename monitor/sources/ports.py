"""Which serial ports there are, and how one is found again wherever its plug goes."""

import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

from simulator.strict import BadInput, clean

USB: Final = "usb:"
_EXPECTED: Final = "expected usb:VID:PID or usb:VID:PID:SERIAL as flowdebt ports prints it"
_HEX: Final = frozenset("0123456789abcdefABCDEF")

ListPorts = Callable[[], Iterable[Any]]  # pyserial's ports have no types


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port the system knows of; all text is safe to print.

    Attributes:
        device: What to open: ``/dev/ttyUSB0``, ``/dev/cu.usbserial-1``, ``COM3``.
        description: As the system has it.
        vid, pid: USB vendor and product; None for what is no USB port.
        serial_number: As the adapter's maker burnt it in; empty where there is none.
        location: Which USB socket; empty where that isn't known.
    """

    device: str
    description: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""

    @property
    def name(self) -> str:
        """How to name it so that it is found again: its USB identity, else the device."""
        if self.vid is None or self.pid is None:
            return self.device
        known = f"{USB}{self.vid:04x}:{self.pid:04x}"
        return f"{known}:{self.serial_number}" if self.serial_number else known

    def is_like(self, other: "Port") -> bool:
        """Whether this is the same kind of adapter, and the same one where that can be told."""
        mine = (self.vid, self.pid, self.serial_number)
        return self.vid is not None and mine == (other.vid, other.pid, other.serial_number)


def list_ports(lister: ListPorts | None = None) -> list[Port]:
    """Return the system's serial ports, in order of their devices.

    Args:
        lister: What gives them, as pyserial's ``comports`` does.
    """
    ports = [
        Port(
            device=str(found.device),
            description=_words(found.description),
            vid=found.vid,
            pid=found.pid,
            serial_number=_words(found.serial_number),
            location=_words(found.location),
        )
        for found in (lister or _comports)()
    ]
    return sorted(ports, key=lambda port: (len(port.device), port.device))


def _comports() -> Iterable[Any]:
    # Late: not needed for TCP lines, and not there on systems pyserial doesn't know.
    from serial.tools.list_ports import comports

    found: Iterable[Any] = comports()
    return found


class PortFinder:
    """Finds the port a name means, each time it is opened; and the same adapter after a replug.

    Args:
        name: A device, a pyserial URL, or ``usb:VID:PID[:SERIAL]``.
        lister: What lists ports; pyserial's by default.
        platform: As ``sys.platform``.

    Raises:
        BadInput: A ``usb:`` name that is none.
    """

    def __init__(
        self, name: str, lister: ListPorts | None = None, platform: str = sys.platform
    ) -> None:
        self.name = name
        self._lister = lister
        self._platform = platform
        self._wanted = _usb_name(name) if name.lower().startswith(USB) else None
        self._seen: Port | None = None

    def find(self) -> str:
        """Return what to open now.

        Raises:
            LookupError: The adapter isn't plugged in, or more than one fits; says so in words.
        """
        if "://" in self.name:
            return self.name
        if self._wanted is not None and self._seen is None:
            return self._one([port for port in self._ports() if self._fits(port)])
        if self._seen is None or self._seen.vid is None:
            return self._device()
        return self._again(self._seen)

    def find_or_bad_input(self) -> str:
        """Return what to open now.

        Raises:
            BadInput: As ``find``'s LookupError.
        """
        try:
            return self.find()
        except LookupError as error:
            raise BadInput(f"{clean(self.name)}: found {error}, {_EXPECTED}") from None

    def opened(self, device: str) -> None:
        """Remember which adapter is behind the device that could be opened."""
        if "://" in self.name or self._seen is not None:
            return
        here = same_device(device, self._platform)
        found = [port for port in self._ports() if same_device(port.device, self._platform) == here]
        self._seen = found[0] if len(found) == 1 else None

    def _device(self) -> str:
        # On macOS the tty of a pair waits for a carrier when opened; its cu doesn't.
        if self._platform == "darwin" and self.name.startswith("/dev/tty."):
            return "/dev/cu." + self.name.removeprefix("/dev/tty.")
        return self.name

    def _again(self, seen: Port) -> str:
        likely = [port for port in self._ports() if port.is_like(seen)]
        if not seen.serial_number and len(likely) > 1:
            # Adapters of one make without serial numbers: only the socket tells them apart.
            likely = [port for port in likely if port.location == seen.location]
        return self._one(likely)

    def _one(self, found: list[Port]) -> str:
        if len(found) == 1:
            return found[0].device
        if found:
            devices = clean(", ".join(port.device for port in found), 80)
            raise LookupError(f"more than one adapter that fits: {devices}; name the device")
        raise LookupError("no such adapter plugged in")

    def _fits(self, port: Port) -> bool:
        if self._wanted is None:
            return False
        vid, pid, serial_number = self._wanted
        return (port.vid, port.pid) == (vid, pid) and serial_number in ("", port.serial_number)

    def _ports(self) -> list[Port]:
        try:
            return list_ports(self._lister)
        except (OSError, ValueError, TypeError, ImportError):  # a system that won't list its ports
            return []


def same_device(device: str, platform: str) -> str:
    """Return what is equal for two names of one device."""
    if platform == "win32":
        return device.upper().removeprefix("\\\\.\\")
    if platform == "darwin" and device.startswith("/dev/tty."):
        return "/dev/cu." + device.removeprefix("/dev/tty.")
    return os.path.realpath(device)


def _usb_name(name: str) -> tuple[int, int, str]:
    parts = name[len(USB) :].split(":", 2)
    if len(parts) < 2 or not all(1 <= len(p) <= 4 and _HEX.issuperset(p) for p in parts[:2]):
        raise BadInput(f"{clean(name)}: found no USB identity, {_EXPECTED}")
    return int(parts[0], 16), int(parts[1], 16), parts[2] if len(parts) > 2 else ""


def _words(text: object) -> str:
    found = clean(str(text), 60) if text is not None else ""
    return "" if found == "n/a" else found
