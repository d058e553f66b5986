"""Listening to a device on a serial port: a control line, its heartbeat, or any bytes at all."""

import contextlib
import threading
from abc import abstractmethod
from collections.abc import Callable
from typing import Any, Final

import serial

from monitor.clock import now_s
from monitor.device.base import HELD, RELEASED, Ear, Heard
from monitor.outputs.serial_lines import LONGEST_LINE, beat_of
from monitor.sources.port_faults import PORT_FAULTS, plainly
from monitor.sources.serial_line import MOST_BYTES
from simulator.strict import BadInput, clean

LINES: Final = {"cts": "cts", "dsr": "dsr", "dcd": "cd", "ri": "ri"}  # as pyserial calls them
LOOK_S: Final = 0.001
READ_S: Final = 0.02  # so that a listener sees that it shall end
MakePort = Callable[[], Any]  # pyserial's ports have no types


class _PortEar(Ear):
    """A thread that listens to a port.

    Args:
        name: What it is, and where.
        heard: What it will be told.
        port: Opens the port, or returns one that is open already.
        shared: Whether somebody else closes it.
    """

    def __init__(self, name: str, heard: Heard, port: MakePort, *, shared: bool) -> None:
        self.name = clean(name)
        self.heard = heard
        self._make = port
        self._shared = shared
        self._port: Any = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, name=self.name, daemon=True)

    def open(self) -> None:
        """Open the port and begin.

        Raises:
            BadInput: It can't be opened, or has no such line.
        """
        try:
            self._port = self._make()
            self._port.timeout = READ_S
            self._listen()
        except PORT_FAULTS as error:
            fault = plainly(error)
            self.close()
            raise BadInput(
                f"--listen: {self.name}: found {fault}, expected {self._wants}"
            ) from None
        self._thread.start()

    def close(self) -> None:
        """End the thread; close the port, unless it is somebody else's."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        port, self._port = self._port, None
        if port is not None and not self._shared:
            with contextlib.suppress(*PORT_FAULTS):
                port.close()

    def _work(self) -> None:
        try:
            while not self._ended.is_set():
                self._listen()
            self._listen()  # to what has come until now
        except PORT_FAULTS as error:
            self.heard.fault = plainly(error)

    _wants: str

    @abstractmethod
    def _listen(self) -> None:
        """Wait for a moment, and take what came."""


class LineEar(_PortEar):
    """CTS, DSR, DCD or RI of a port: asserted while held, where ``rises`` doesn't turn that round.

    It is looked at every millisecond, as not every adapter's driver tells of an edge by itself;
    an edge's time is that of the look which saw it. What the device drives with RTS arrives here as
    CTS (null-modem cable), with DTR as DSR and DCD.
    """

    _wants = "a port with that line (a pseudo-terminal and a TCP address have none)"

    def __init__(
        self, url: str, line: str, port: MakePort, *, shared: bool = False, rises: bool = False
    ) -> None:
        super().__init__(f"{line.upper()} of {url}", Heard(), port, shared=shared)
        self._line = LINES[line]
        self._rises = rises
        self._looked_s = 0.0

    def _listen(self) -> None:
        asserted = bool(getattr(self._port, self._line))
        at_s = now_s()
        if self._looked_s:
            self.late_s = max(self.late_s, at_s - self._looked_s)
        self._looked_s = at_s
        self.heard.take(at_s, RELEASED if asserted is self._rises else HELD)
        self._ended.wait(LOOK_S)


class BeatEar(_PortEar):
    """A heartbeat on a port.

    Args:
        url: The port, for its name.
        silence_s: How long a beat lasts.
        port: See above.
        shared: See above.
        any_bytes: Whatever comes is a beat. Otherwise lines ``beat,NUMBER,HELD,CRC``
            (``monitor.outputs.serial_lines``): a good 1 with a new number holds, a good 0 releases
            at once.
    """

    _wants = "a serial port or URL that can be read"

    def __init__(
        self,
        url: str,
        silence_s: float,
        port: MakePort,
        *,
        shared: bool = False,
        any_bytes: bool = False,
    ) -> None:
        what = "bytes" if any_bytes else "heartbeat"
        super().__init__(f"{what} on {url}", Heard(silence_s), port, shared=shared)
        self._any_bytes = any_bytes
        self._rest = b""
        self._number = -1

    def _listen(self) -> None:
        port = self._port
        data = port.read(1)
        waiting = port.in_waiting
        if data and waiting:
            data += port.read(min(waiting, MOST_BYTES))
        at_s = now_s()
        if self._any_bytes:
            if data:
                self.heard.take(at_s, HELD)
            return
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-LONGEST_LINE:]
        for line in lines:
            self._take(at_s, line)

    def _take(self, at_s: float, line: bytes) -> None:
        beat = beat_of(line)
        if beat is None or beat[0] == self._number:
            return
        self._number, held = beat
        self.heard.take(at_s, HELD if held else RELEASED)


def open_port(url: str, baud: int) -> serial.SerialBase:
    """Open a port to listen to; RTS and DTR stay as the system leaves them."""
    return serial.serial_for_url(url, baudrate=baud)
