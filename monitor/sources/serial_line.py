"""Samples as lines, text or SenML, from a serial port or URL, through a thread of its own."""

import contextlib
import threading
from typing import Final

import serial

from monitor.clock import now_ns
from monitor.sources.fed import FedSource
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.port_faults import PORT_FAULTS, plainly
from monitor.sources.ports import ListPorts, PortFinder
from simulator.rig import RigFile
from simulator.strict import clean

READ_TIMEOUT_S: Final = 0.1  # so that the thread sees a request to stop
MOST_BYTES: Final = 4096
FIRST_WAIT_S: Final = 0.1
LONGEST_WAIT_S: Final = 2.0


class SerialSource(FedSource):
    """A serial port with CSV text or SenML packs.

    The port is read by a thread of its own, which also decodes: the loop sees samples only. An
    unplugged port is tried again, more and more slowly, until its adapter is back, at whatever
    device that then is.

    Args:
        url: A device, a pyserial URL, or an adapter's name as ``flowdebt ports`` prints it.
        rig_file: The rig.
        baud: Instead of the rig's.
        lister: What lists the system's ports; pyserial's by default.

    Raises:
        BadInput: A ``usb:`` name that is none.
    """

    unusable = "a port that can't be opened"
    expected = "a serial port or URL that can be read"

    def __init__(
        self,
        url: str,
        rig_file: RigFile,
        *,
        baud: int | None = None,
        lister: ListPorts | None = None,
    ) -> None:
        super().__init__(clean(url))
        self._url = url
        self._finder = PortFinder(url, lister)
        self._device = url
        self._baud = baud or rig_file.serial.baud
        self._rig_file = rig_file
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work, name=f"read {self.name}", daemon=True)

    def _start(self) -> None:
        self._thread.start()

    def _stop(self) -> None:
        self._stopped.set()

    # --- on the thread ------------------------------------------------------------------------

    def _work(self) -> None:
        port = self._first_port()
        while port is not None:
            at = "" if self._device == self._url else f", at {clean(self._device)}"
            self._connected(at)
            why = self._read_until_lost(port)
            with contextlib.suppress(*PORT_FAULTS):
                port.close()
            if self._stopped.is_set():
                return
            self._lost(why)
            port = self._port_again()

    def _first_port(self) -> serial.SerialBase | None:
        # Opened here, not on the loop: a TCP address that doesn't answer takes seconds.
        port = None
        fault = "unknown fault"
        try:
            port = self._open_port()
        except PORT_FAULTS as error:
            fault = plainly(error)
        finally:
            if port is None:
                self._lost(fault)
        return port

    def _port_again(self) -> serial.SerialBase | None:
        """Try until the port is back; return None where the source is closed before."""
        wait_s = FIRST_WAIT_S
        while not self._stopped.wait(wait_s):
            with contextlib.suppress(*PORT_FAULTS):
                return self._open_port()
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
        return None

    def _open_port(self) -> serial.SerialBase:
        device = self._finder.find()
        # Of two readers of one port each would get a part of every line. Windows never lets two in.
        port = serial.serial_for_url(
            device,
            do_not_open=True,
            baudrate=self._baud,
            timeout=READ_TIMEOUT_S,
            exclusive=True,
        )
        # Both assert on open; many a device takes that as a reset.
        port.dtr = False
        port.rts = False
        port.open()
        self._device = device
        self._finder.opened(device)
        return port

    def _read_until_lost(self, port: serial.SerialBase) -> str:
        baud = None if "://" in self._url else self._baud
        decoder = StreamDecoder(self._rig_file, self.name, self.statistics, baud, midway=True)
        try:
            while not self._stopped.is_set():
                data = port.read(1)
                waiting = port.in_waiting  # asked even after silence: it is how a lost port shows
                if not data:
                    continue
                if waiting:
                    data += self._read_waiting(port, waiting)
                self._put(decoder.feed(data, now_ns()))
        except PORT_FAULTS as error:
            return plainly(error)
        return "closed"

    def _read_waiting(self, port: serial.SerialBase, waiting: int) -> bytes:
        if not self._url.startswith("socket://"):
            return bytes(port.read(min(waiting, MOST_BYTES)))
        # A socket only says *that* something waits, not how much: take what there is, at once.
        port.timeout = 0
        data = bytes(port.read(MOST_BYTES))
        port.timeout = READ_TIMEOUT_S
        return data
