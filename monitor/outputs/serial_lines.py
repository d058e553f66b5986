"""Outputs on a serial port: a handshake pin held while all is well, or a heartbeat of text."""

import binascii
import contextlib
from typing import Any, Final

import serial

from monitor.outputs.base import OutputFault
from monitor.sources.port_faults import PORT_FAULTS, plainly
from simulator.strict import clean

WRITE_S: Final = 0.05
PINS: Final = ("rts", "dtr")


class HandshakePin:
    """RTS or DTR of a serial port, asserted while held: for a relay, or a controller's input.

    What happens to the pin around it, on Linux:

    - The system asserts both pins for a moment when a port is opened (some drivers; common
      practice, no source): a relay on it may click. Both are set False before and again after.
    - ``HUPCL`` is set, so the system drops both pins when the port closes, also when this process
      is killed. Without it a pin would stay asserted.
    - An adapter pulled out loses its power, and the pin with it.
    - A computer that freezes or sleeps leaves the pin as it is while the adapter has power. Only
      a heartbeat, with a timer at its other end, covers that.

    Args:
        url: A pyserial port or URL whose pins can be set.
        pin: ``rts`` or ``dtr``; the other one is kept False.
    """

    def __init__(self, url: str, pin: str) -> None:
        self.name = f"{pin.upper()} of {clean(url)}"
        self._url = url
        self._pin = pin
        self._port: Any = None
        self._held = False

    def open(self) -> None:
        """Open the port, both pins False.

        Raises:
            OutputFault: It isn't there, or its pins can't be set.
        """
        try:
            port = serial.serial_for_url(self._url, do_not_open=True, timeout=0)
            port.rts = port.dtr = False
            port.open()
            self._port = port
            port.rts = port.dtr = False  # raises where there are no such pins (a pseudo-terminal)
            _hang_up_on_close(port)
        except PORT_FAULTS as error:
            self.close()
            raise OutputFault(f"{self.name}: {plainly(error)}") from None
        self._held = False

    def beat(self, held: bool) -> None:
        """Assert the pin, or drop it; see that the port is still there.

        Raises:
            OutputFault: It isn't.
        """
        if self._port is None:
            raise OutputFault(f"{self.name}: not open")
        try:
            if held != self._held:
                setattr(self._port, self._pin, held)
                self._held = held
            _ = self._port.in_waiting  # how a port that was pulled out shows
        except PORT_FAULTS as error:
            raise OutputFault(f"{self.name}: {plainly(error)}") from None

    def close(self) -> None:
        """Drop both pins and close."""
        port, self._port = self._port, None
        self._held = False
        if port is None:
            return
        for pin in PINS:
            with contextlib.suppress(*PORT_FAULTS):
                setattr(port, pin, False)
        with contextlib.suppress(*PORT_FAULTS):
            port.close()


def _hang_up_on_close(port: Any) -> None:
    try:
        import termios

        attributes = termios.tcgetattr(port.fileno())
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except (ImportError, OSError, AttributeError, ValueError):
        pass  # no such thing here (Windows drops the pins by itself; a socket has none)
    except PORT_FAULTS:
        pass


class SerialBeat:
    """A heartbeat of text: ``beat,NUMBER,1,CRC`` while held, ``beat,NUMBER,0,CRC`` while released.

    NUMBER counts up by one from line to line; CRC is the CRC-16 (polynomial 0x1021, start 0xFFFF)
    of everything before its comma, as four hexadecimal digits. Whoever listens takes anything but a
    good ``1`` with a new number, often enough, for a release.

    Args:
        url: A pyserial port or URL.
        baud: Its speed.
    """

    def __init__(self, url: str, baud: int = 115200) -> None:
        self.name = f"heartbeat on {clean(url)}"
        self._url = url
        self._baud = baud
        self._port: Any = None
        self._number = 0

    def open(self) -> None:
        """Open the port.

        Raises:
            OutputFault: It isn't there.
        """
        try:
            port = serial.serial_for_url(
                self._url,
                do_not_open=True,
                baudrate=self._baud,
                timeout=0,
                write_timeout=WRITE_S,
            )
            port.rts = port.dtr = False
            port.open()
        except PORT_FAULTS as error:
            raise OutputFault(f"{self.name}: {plainly(error)}") from None
        self._port = port

    def beat(self, held: bool) -> None:
        """Write one line.

        Raises:
            OutputFault: It can't be written at once.
        """
        if self._port is None:
            raise OutputFault(f"{self.name}: not open")
        self._number += 1
        try:
            self._port.write(beat_line(self._number, held))
        except PORT_FAULTS as error:
            raise OutputFault(f"{self.name}: {plainly(error)}") from None

    def close(self) -> None:
        """Say that it is released, where that still goes, and close."""
        port, self._port = self._port, None
        if port is None:
            return
        self._number += 1
        with contextlib.suppress(*PORT_FAULTS):
            port.write(beat_line(self._number, False))
        with contextlib.suppress(*PORT_FAULTS):
            port.close()


def beat_line(number: int, held: bool) -> bytes:
    """Return a heartbeat line with its check sum and end."""
    body = b"beat,%d,%d" % (number, held)
    return b"%s,%04X\r\n" % (body, binascii.crc_hqx(body, 0xFFFF))


def read_beat_line(line: bytes) -> tuple[int, bool] | None:
    """Return number and state of a heartbeat line, None where it isn't a good one."""
    body, _, check = line.strip().rpartition(b",")
    fields = body.split(b",")
    if len(fields) != 3 or fields[0] != b"beat" or check != b"%04X" % binascii.crc_hqx(body, 65535):
        return None
    if not fields[1].isdigit() or fields[2] not in (b"0", b"1"):
        return None
    return int(fields[1]), fields[2] == b"1"
