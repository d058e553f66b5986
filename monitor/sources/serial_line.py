"""Samples as lines, text or SenML, from a serial port or URL, through a thread of its own."""

import asyncio
import contextlib
import threading
from types import TracebackType
from typing import Any, Final, Self

import serial

from monitor.clock import now_ns
from monitor.source_facts import SourceKind, SourceStatistics
from monitor.sources.base import Arrival, Notice
from monitor.sources.inbox import Inbox
from monitor.sources.lines.framer import LineFramer
from monitor.sources.lines.stream import StreamDecoder
from monitor.sources.ports import ListPorts, PortFinder
from monitor.wake import Answer
from rules.step.state import Decision
from simulator.rig import RigFile
from simulator.strict import BadInput, clean

READ_TIMEOUT_S: Final = 0.1  # so that the thread sees a request to stop
MOST_BYTES: Final = 4096
FIRST_WAIT_S: Final = 0.1
LONGEST_WAIT_S: Final = 2.0
# What an unplugged or broken port has been seen to raise: SerialException from read, a bare OSError
# from in_waiting, termios.error (no OSError) from the rest, TypeError from a port closed under it.
# LookupError is ours: the adapter asked for is not there.
PORT_FAULTS: tuple[type[Exception], ...] = (
    serial.SerialException,
    OSError,
    TypeError,
    ValueError,
    LookupError,
)
with contextlib.suppress(ImportError):
    import termios

    PORT_FAULTS = (*PORT_FAULTS, termios.error)
_GONE: Final = "the port is gone"
IN_USE: Final = "in use by another program"
# What the libraries say, by a part of it in lower case; the first that fits.
_PLAIN_WORDS: Final = (
    ("readiness to read but returned no data", f"{_GONE}, or another program reads from it too"),
    ("socket disconnected", "the other end closed the connection"),
    ("connection reset", "the other end closed the connection"),
    ("connection refused", "nobody listens there"),
    ("timed out", "no answer"),
    ("permission denied", "no permission to use the port"),
    ("no such file", "no such port"),
    ("inappropriate ioctl", "no serial port"),
    ("is a directory", "a folder"),
    ("filenotfounderror", "no such port"),
    ("exclusively lock", IN_USE),
    ("busy", IN_USE),
    ("access is denied", f"{IN_USE}, or no permission to use the port"),  # Windows says no more
    ("input/output error", _GONE),
    ("device not configured", _GONE),
    ("no such device", _GONE),
    ("bad file descriptor", _GONE),
    ("clearcommerror", _GONE),
    ("readfile failed", _GONE),
    ("getoverlappedresult", _GONE),
    ("port that is not open", _GONE),
)


def plainly(error: Exception) -> str:
    """Return what a port's fault means; the library's own words where that isn't known."""
    said = clean(str(error), 200)
    lower = said.lower()
    for part, meaning in _PLAIN_WORDS:
        if part in lower:
            return meaning
    # pyserial closes its descriptor under a thread that reads: a TypeError about None.
    return _GONE if isinstance(error, TypeError) else clean(said) or type(error).__name__


class SerialSource:
    """A serial port with CSV text or SenML packs.

    The port is read by a thread of its own, which also decodes: the loop sees samples only. An
    unplugged port is tried again, more and more slowly, until its adapter is back, at whatever
    device that then is; a port that can't be opened the first time is bad input, since that is most
    likely a wrong name.

    Args:
        url: A device, a pyserial URL, or an adapter's name as ``flowdebt ports`` prints it.
        rig_file: The rig.
        baud: Instead of the rig's.
        lister: What lists the system's ports; pyserial's by default.

    Raises:
        BadInput: A ``usb:`` name that is none.
    """

    kind = SourceKind.LIVE

    def __init__(
        self,
        url: str,
        rig_file: RigFile,
        *,
        baud: int | None = None,
        lister: ListPorts | None = None,
    ) -> None:
        self.name = clean(url)
        self.statistics = SourceStatistics()
        self._url = url
        self._finder = PortFinder(url, lister)
        self._device = url
        self._baud = baud or rig_file.serial.baud
        self._rig_file = rig_file
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._inbox: Inbox | None = None

    async def __aenter__(self) -> Self:
        """Open the port.

        Raises:
            BadInput: The port can't be opened.
        """
        inbox = Inbox(self.statistics)
        opened: Answer[str | None] = Answer()
        self._thread = threading.Thread(
            target=self._work, args=(inbox, opened), name=f"read {self.name}", daemon=True
        )
        self._thread.start()
        try:
            fault = await opened
        except asyncio.CancelledError:
            self._stop.set()
            raise
        if fault is not None:
            raise BadInput(
                f"{self.name}: found a port that can't be opened ({fault}), "
                "expected a serial port or URL that can be read"
            )
        self._inbox = inbox
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the thread; it closes its port within the read timeout."""
        self._stop.set()
        if self._inbox is not None:
            self._inbox.close()

    def __aiter__(self) -> Self:
        """Return itself."""
        return self

    async def __anext__(self) -> Arrival | Notice:
        """Return the next sample or notice."""
        if self._inbox is None:
            raise StopAsyncIteration
        return await self._inbox.get()

    def react(self, decision: Decision) -> None:
        """Do nothing: this end only listens."""

    # --- on the reader thread ----------------------------------------------------------------

    def _open(self) -> Any:
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

    def _work(self, inbox: Inbox, opened: Answer[str | None]) -> None:
        # Opened here, not on the loop: a TCP address that doesn't answer takes seconds.
        fault: str | None = "unknown fault"
        try:
            port = self._open()
            fault = None
        except PORT_FAULTS as error:
            fault = plainly(error)
            return
        finally:
            opened.say(fault)
        self._read(port, inbox)

    def _read(self, port: Any, inbox: Inbox) -> None:
        self.statistics.connects += 1
        told = f"reading {self.name}{self._elsewhere()}"
        inbox.put_from_thread([Notice("connected", told)])
        wait_s = FIRST_WAIT_S
        while not self._stop.is_set():
            if port is not None:
                why = self._read_until_lost(port, inbox)
                with contextlib.suppress(*PORT_FAULTS):
                    port.close()
                port = None
                if self._stop.is_set():
                    return
                inbox.put_from_thread([Notice("lost", f"{self.name}: {why}; trying again")])
                wait_s = FIRST_WAIT_S
            if self._stop.wait(wait_s):
                return
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
            with contextlib.suppress(*PORT_FAULTS):
                port = self._open()
                self.statistics.connects += 1
                told = f"reading {self.name} again{self._elsewhere()}"
                inbox.put_from_thread([Notice("connected", told)])

    def _elsewhere(self) -> str:
        return "" if self._device == self._url else f", at {clean(self._device)}"

    def _read_until_lost(self, port: Any, inbox: Inbox) -> str:
        framer = LineFramer()
        baud = None if "://" in self._url else self._baud
        decoder = StreamDecoder(self._rig_file, self.name, self.statistics, baud, midway=True)
        try:
            while not self._stop.is_set():
                data = port.read(1)
                waiting = port.in_waiting  # asked even after silence: it is how a lost port shows
                if not data:
                    continue
                if waiting:
                    data += self._read_waiting(port, waiting)
                readable_ns = now_ns()
                before = framer.overlong
                lines = framer.feed(data)
                self._count_overlong(framer.overlong - before)
                decoder.saw(data)
                items: list[Arrival | Notice] = [
                    Arrival(sample, readable_ns)
                    for line in lines
                    for sample in decoder.decode(line, readable_ns * 1e-9)
                ]
                items += decoder.notices()
                if items:
                    inbox.put_from_thread(items)
        except PORT_FAULTS as error:
            return plainly(error)
        return "closed"

    def _read_waiting(self, port: Any, waiting: int) -> bytes:
        if not self._url.startswith("socket://"):
            return bytes(port.read(min(waiting, MOST_BYTES)))
        # A socket only says *that* something waits, not how much: take what there is, at once.
        port.timeout = 0
        data = bytes(port.read(MOST_BYTES))
        port.timeout = READ_TIMEOUT_S
        return data

    def _count_overlong(self, count: int) -> None:
        if count:
            self.statistics.received += count
            self.statistics.rejected["line too long"] += count
