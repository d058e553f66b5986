"""A source that a thread feeds: a port's reader, a broker's link."""

import asyncio
import contextlib
from abc import abstractmethod
from collections.abc import Sequence
from concurrent.futures import Future, InvalidStateError

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Item, Notice, Source
from monitor.sources.inbox import Inbox
from simulator.strict import BadInput


class FedSource(Source):
    """A live source whose thread connects, puts items into an inbox, and connects again when lost.

    What can't be opened the first time is bad input, since that is most likely a wrong name.

    Attributes:
        unusable: What was found where it can't be opened, in words.
        expected: What was expected instead.
    """

    unusable: str
    expected: str

    def __init__(self, name: str, statistics: SourceStatistics | None = None) -> None:
        super().__init__(name, statistics)
        self._inbox: Inbox | None = None
        # What kept the thread from connecting, if anything did; known once, by the first attempt.
        self._opened: Future[str | None] = Future()
        self._is_connected = False

    async def open(self) -> None:
        """Start the thread, and wait until it is connected.

        Raises:
            BadInput: It can't connect.
        """
        self._inbox = Inbox(self.statistics)
        self._start()
        try:
            fault = await asyncio.wrap_future(self._opened)
        except asyncio.CancelledError:
            self._stop()
            raise
        if fault is not None:
            self.close()
            found = f"{self.unusable} ({fault})"
            raise BadInput(f"{self.name}: found {found}, expected {self.expected}")

    def close(self) -> None:
        """Stop the thread, which ends soon by itself; end the iteration."""
        if self._inbox is not None:
            self._stop()
            self._inbox.close()

    async def __anext__(self) -> Item:
        """Return the next sample or notice."""
        if self._inbox is None:
            raise StopAsyncIteration
        return await self._inbox.get()

    @abstractmethod
    def _start(self) -> None:
        """Start the thread."""

    @abstractmethod
    def _stop(self) -> None:
        """Ask the thread to end; return at once."""

    # --- on the thread ------------------------------------------------------------------------

    def _put(self, items: Sequence[Item]) -> None:
        """Hand items over to whoever iterates."""
        if items and self._inbox is not None:
            self._inbox.put_from_thread(items)

    def _connected(self, where: str = "") -> None:
        """Report that it is connected; ``where``, if that isn't plain from its name."""
        again = " again" * (self.statistics.connects > 0)
        self.statistics.connects += 1
        self._is_connected = True
        self._answer(None)
        self._put([Notice("connected", f"reading {self.name}{again}{where}")])

    def _lost(self, why: str) -> None:
        """Report that there is no connection, or none any more."""
        self._answer(why)
        if self._is_connected:
            self._is_connected = False
            self._put([Notice("lost", f"{self.name}: {why}; trying again")])

    def _answer(self, fault: str | None) -> None:
        with contextlib.suppress(InvalidStateError):  # it is known, or nobody waits any more
            self._opened.set_result(fault)
