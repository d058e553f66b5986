"""A source that makes its items itself, each when it is due: a recording, a simulated car."""

import asyncio
import contextlib
from abc import abstractmethod
from collections.abc import Generator
from math import inf

from monitor.source_facts import SourceStatistics
from monitor.sources.base import Item, Source
from simulator.strict import BadInput


def pace_of(speed: float) -> float:
    """Return the pace a ``--speed`` asks for: 1 is real time, infinite as fast as possible.

    Raises:
        BadInput: Negative or no number.
    """
    if not 0.0 <= speed < inf:
        raise BadInput(f"--speed: found {speed}, expected 0 (as fast as possible) or more")
    return speed if speed > 0.0 else inf


class PacedSource(Source):
    """A source whose items a generator makes, and says how long to wait for the next one."""

    def __init__(self, name: str) -> None:
        super().__init__(name, SourceStatistics(connects=1))
        self._closed = asyncio.Event()
        self._coming = self._items()

    @abstractmethod
    def _items(self) -> Generator[Item | float, None, None]:
        """Yield items; between them, wherever other tasks shall run, seconds to wait."""

    async def open(self) -> None:
        """Do nothing: the first item opens what there is to open."""

    def close(self) -> None:
        """End a wait under way; close what the generator holds open."""
        self._closed.set()
        self._coming.close()

    async def __anext__(self) -> Item:
        """Return the next item when it is due.

        Raises:
            BadInput: A log can't be read on from here.
        """
        for item in self._coming:
            if not isinstance(item, float):
                return item
            await self._wait(item)
        raise StopAsyncIteration

    async def _wait(self, for_s: float) -> None:
        """Wait, but not once it is closed; let other tasks run in any case."""
        if for_s > 0.0:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(for_s):
                    await self._closed.wait()
        else:
            await asyncio.sleep(0.0)
