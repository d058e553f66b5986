"""A bounded inbox between a reader thread and the event loop."""

import asyncio
import threading
from collections import deque
from collections.abc import Iterable

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Item
from monitor.wake import WakeUp

MOST_WAITING = 20_000  # 20 s at 1000 samples/s


class Inbox:
    """Takes items from a thread, hands them to one reader on the loop.

    Bounded: when full, the oldest item goes and is counted; what is newest matters most, and a
    drop must show.
    """

    def __init__(self, statistics: SourceStatistics, most: int = MOST_WAITING) -> None:
        self._items: deque[Item] = deque()
        self._statistics = statistics
        self._most = most
        self._closed = False
        self._ready = asyncio.Event()
        # What threads left for the loop to fetch. Not where the reader takes from: it would never
        # wait while a flood goes on, and nothing else would run on the loop.
        self._left: deque[Item] = deque()
        self._left_dropped = 0
        self._lock = threading.Lock()
        self._wake = WakeUp(self._fetch)

    def put_from_thread(self, items: Iterable[Item]) -> None:
        """Hand items over, from any thread."""
        with self._lock:
            self._left.extend(items)
            while len(self._left) > self._most:
                self._left.popleft()
                self._left_dropped += 1
        self._wake.ask()

    def close(self) -> None:
        """Say that nothing more will come (on the loop)."""
        self._closed = True
        self._ready.set()

    async def get(self) -> Item:
        """Return the oldest item, waiting for one.

        Raises:
            StopAsyncIteration: Closed and empty.
        """
        while not self._items:
            if self._closed:
                raise StopAsyncIteration
            self._ready.clear()
            await self._ready.wait()
        item = self._items.popleft()
        self._statistics.waiting = len(self._items)
        return item

    def _fetch(self) -> None:
        with self._lock:
            left, self._left = self._left, deque()
            dropped, self._left_dropped = self._left_dropped, 0
        self._statistics.dropped += dropped
        self._items.extend(left)
        while len(self._items) > self._most:
            self._items.popleft()
            self._statistics.dropped += 1
        waiting = self._statistics.waiting = len(self._items)
        if waiting > self._statistics.most_waiting:
            self._statistics.most_waiting = waiting
        self._ready.set()
