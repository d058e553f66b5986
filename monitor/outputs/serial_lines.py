"""Outputs on a serial port: a handshake pin held while all is well, or a heartbeat of text."""

import binascii
import contextlib
from abc import ABC, abstractmethod
from typing import Any, Final

import serial

from monitor.outputs.base import OutputFault
from monitor.sources.port_faults import PORT_FAULTS, plainly
from simulator.strict import clean

WRITE_S: Final = 0.05
PINS: Final = ("rts", "dtr")
LONGEST_LINE: Final = 256  # bytes; a beat has some twenty


class _PortOutput(ABC):
    """An output on a port, which is opened with both pins False.

    Args:
        what: What it is, for its name.
        url: A pyserial port or URL.
        terms: How to open it.
    """

    def __init__(self, what: str, url: str, **terms: float) -> None:
        self.name = f"{what} {clean(url)}"
        self._url = url
        self._terms = terms
        self._port: Any = None

    def open(self) -> None:
        """Open the port, released.

        Raises:
            OutputFault: It isn't there, or can't be driven.
        """
        try:
            port = serial.serial_for_url(self._url, do_not_open=True, timeout=0, **self._terms)
            port.rts = port.dtr = False
            port.open()
            self._port = port
            self._opened(port)
        except PORT_FAULTS as error:
            self.close()
            raise OutputFault(f"{self.name}: {plainly(error)}") from None

    def beat(self, held: bool) -> None:
        """Hold or release, and see that the port is still there.

        Raises:
            OutputFault: It isn't, or it can't be told at once.
        """
        if self._port is None:
            raise OutputFault(f"{self.name}: not open")
        try:
            self._tell(self._port, held)
        except PORT_FAULTS as error:
            raise OutputFault(f"{self.name}: {plainly(error)}") from None

    def close(self) -> None:
        """Release, where that still goes, and close."""
        port, self._port = self._port, None
        if port is None:
            return
        self._release(port)
        with contextlib.suppress(*PORT_FAULTS):
            port.close()

    @abstractmethod
    def _opened(self, port: Any) -> None: ...

    @abstractmethod
    def _tell(self, port: Any, held: bool) -> None: ...

    @abstractmethod
    def _release(self, port: Any) -> None: ...


class HandshakePin(_PortOutput):
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
        super().__init__(f"{pin.upper()} of", url)
        self._pin = pin
        self._held = False

    def _opened(self, port: Any) -> None:
        port.rts = port.dtr = False  # raises where there are no such pins (a pseudo-terminal)
        _hang_up_on_close(port)
        self._held = False

    def _tell(self, port: Any, held: bool) -> None:
        if held != self._held:
            setattr(port, self._pin, held)
            self._held = held
        _ = port.in_waiting  # how a port that was pulled out shows

    def _release(self, port: Any) -> None:
        self._held = False
        for pin in PINS:
            with contextlib.suppress(*PORT_FAULTS):
                setattr(port, pin, False)


def _hang_up_on_close(port: Any) -> None:
    try:
        import termios

        attributes = termios.tcgetattr(port.fileno())
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except (ImportError, AttributeError):
        pass  # no such thing here (Windows drops the pins by itself; a socket has none)
    except PORT_FAULTS:
        pass


class SerialBeat(_PortOutput):
    """A heartbeat of text: ``beat,NUMBER,1,CRC`` while held, ``beat,NUMBER,0,CRC`` while released.

    NUMBER counts up by one from line to line; CRC is the CRC-16 (polynomial 0x1021, start 0xFFFF)
    of everything before its comma, as four hexadecimal digits. Whoever listens takes anything but a
    good ``1`` with a new number, often enough, for a release.

    Args:
        url: A pyserial port or URL.
        baud: Its speed.
    """

    def __init__(self, url: str, baud: int = 115200) -> None:
        super().__init__("heartbeat on", url, baudrate=baud, write_timeout=WRITE_S)
        self._number = 0

    def _opened(self, port: Any) -> None:
        pass

    def _tell(self, port: Any, held: bool) -> None:
        self._number += 1
        port.write(beat_line(self._number, held))

    def _release(self, port: Any) -> None:
        with contextlib.suppress(*PORT_FAULTS):
            self._tell(port, False)


def beat_line(number: int, held: bool) -> bytes:
    """Return a heartbeat line with its check sum and end."""
    body = b"beat,%d,%d" % (number, held)
    return b"%s,%04X\r\n" % (body, binascii.crc_hqx(body, 0xFFFF))


def beat_of(line: bytes) -> tuple[int, bool] | None:
    """Return number and state of a heartbeat line; None where it isn't a good one."""
    body, _, check = line.strip().rpartition(b",")
    fields = body.split(b",")
    if len(fields) != 3 or fields[0] != b"beat" or len(line) > LONGEST_LINE:
        return None
    if check != b"%04X" % binascii.crc_hqx(body, 0xFFFF):
        return None
    if not fields[1].isdigit() or fields[2] not in (b"0", b"1"):
        return None
    return int(fields[1]), fields[2] == b"1"
