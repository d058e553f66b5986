"""A guard to listen to, and a listener that remembers: for the listeners' and the loop's tests."""

import asyncio
from collections.abc import Callable
from typing import TypeVar

from monitor.attach.listeners import Listener, ListenerFacts
from monitor.attach.message_parts import Statistics
from monitor.attach.protocol import Bye, Message, Notice
from rules.facts import Rig
from rules.learned import Learned
from tests.kit.patience import PATIENCE_S
from tests.kit.screen_messages import statistics

M = TypeVar("M", bound=Message)


class FakeGuard:
    """Remembers what its listeners reported.

    Attributes:
        rig: The rig.
        reported: The texts of notices, in order.
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.reported: list[str] = []

    def report(self, message: Message) -> None:
        """Remember a notice."""
        assert isinstance(message, Notice)
        self.reported.append(message.text)

    def has(self, part: str) -> bool:
        """Whether a notice had this in it."""
        return any(part in text for text in self.reported)

    def state(self) -> list[float]:
        """Remember nothing."""
        return []

    def learned(self) -> Learned:
        """Know nothing of the car."""
        return Learned()

    def listener_facts(self) -> ListenerFacts:
        """Have no listeners."""
        return ListenerFacts()

    def statistics(self) -> Statistics:
        """Count nothing."""
        return statistics()


class Told(Listener):
    """Remembers what a loop reported, and waits for some of it.

    Attributes:
        messages: All of it, the goodbye too.
    """

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self._news = asyncio.Event()

    def handle(self, message: Message) -> None:
        """Take a message."""
        self.messages.append(message)
        self._news.set()

    async def close(self, bye: Bye) -> None:
        """Take the goodbye."""
        self.handle(bye)

    async def until(self, kind: type[M], wanted: Callable[[M], bool]) -> M:
        """Wait for a message of a kind."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                for message in self.messages:
                    if isinstance(message, kind) and wanted(message):
                        return message
                self._news.clear()
                await self._news.wait()

    async def notice(self, wanted: Callable[[str], bool], topic: str = "recording") -> str:
        """Wait for a notice; return its text."""
        found = await self.until(Notice, lambda n: n.topic == topic and wanted(n.text))
        return found.text
