"""What every source of samples promises, and what it hands over."""

from abc import abstractmethod
from collections.abc import AsyncIterator
from typing import NamedTuple, Self

from monitor.attach.protocol import Notice as Notice
from monitor.source_facts import SourceKind, SourceStatistics
from rules.channels import Sample
from rules.step.state import Decision


class Arrival(NamedTuple):
    """A sample, and when its last byte or message could be read (steady clock, ns)."""

    sample: Sample
    readable_ns: int


Item = Arrival | Notice


class Source(AsyncIterator[Item]):
    """A source of samples.

    Use as ``async with source: async for item in source: ...``. Items come in the order in which
    they arrived. Iteration ends where the source does (a file's end; a serial port never ends by
    itself) and when the source is closed. Leaving the ``with`` closes whatever was opened, at once,
    also from within a pending iteration.

    Attributes:
        name: One line that says what it is, for people: nothing follows from it.
        kind: Whether it is an engine that runs now, a simulated one, or the past.
        statistics: Counts so far.
    """

    kind = SourceKind.LIVE

    def __init__(self, name: str, statistics: SourceStatistics | None = None) -> None:
        self.name = name
        self.statistics = statistics or SourceStatistics()

    @abstractmethod
    async def open(self) -> None:
        """Open it.

        Raises:
            BadInput: It can't be opened as asked; waiting would not help.
        """

    @abstractmethod
    def close(self) -> None:
        """Close it, opened or not; a pending iteration ends."""

    @abstractmethod
    async def __anext__(self) -> Item:
        """Return the next item.

        Raises:
            StopAsyncIteration: Nothing more will come.
            BadInput: What came can't be used and nothing after it can.
        """

    def react(self, decision: Decision) -> None:
        """Take what was decided. Only the simulated car, a closed loop, does anything with it."""
        del decision

    async def __aenter__(self) -> Self:
        """Open it, as ``open`` does."""
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close it."""
        self.close()
