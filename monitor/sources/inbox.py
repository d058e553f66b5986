"""A bounded inbox between a reader thread and the event loop."""

import asyncio
from collections import deque
from collections.abc import Iterable

from monitor.sources.base import Arrival, Notice, SourceStatistics

MOST_WAITING = 20_000  # 20 s at 1000 samples/s


class Inbox:
    """Takes items from a thread, hands them to one reader on the loop.

    Bounded: when full, the oldest item goes and is counted; what is newest matters most, and a
    drop must show.
    """

    def __init__(self, statistics: SourceStatistics, most: int = MOST_WAITING) -> None:
        self._items: deque[Arrival | Notice] = deque()
        self._statistics = statistics
        self._most = most
        self._closed = False
        self._fault: Exception | None = None
        self._ready = asyncio.Event()
        self._loop = asyncio.get_running_loop()

    def put_from_thread(self, items: Iterable[Arrival | Notice]) -> None:
        """Hand items over, from any thread."""
        self._on_loop(self._put, list(items))

    def close_from_thread(self, fault: Exception | None = None) -> None:
        """Say that nothing more will come, and why where that is a fault."""
        self._on_loop(self.close, fault)

    def close(self, fault: Exception | None = None) -> None:
        """Say that nothing more will come (on the loop)."""
        self._closed = True
        self._fault = self._fault or fault
        self._ready.set()

    async def get(self) -> Arrival | Notice:
        """Return the oldest item, waiting for one.

        Raises:
            StopAsyncIteration: Closed and empty.
        """
        while not self._items:
            if self._closed:
                if self._fault is not None:
                    raise self._fault
                raise StopAsyncIteration
            self._ready.clear()
            await self._ready.wait()
        item = self._items.popleft()
        self._statistics.waiting = len(self._items)
        return item

    def _put(self, items: list[Arrival | Notice]) -> None:
        self._items.extend(items)
        while len(self._items) > self._most:
            self._items.popleft()
            self._statistics.dropped += 1
        waiting = self._statistics.waiting = len(self._items)
        if waiting > self._statistics.most_waiting:
            self._statistics.most_waiting = waiting
        self._ready.set()

    def _on_loop(self, function: object, argument: object) -> None:
        try:
            self._loop.call_soon_threadsafe(function, argument)  # type: ignore[arg-type]
        except RuntimeError:  # the loop is gone, and with it whoever would have listened
            self._closed = True
