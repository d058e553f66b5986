"""A link without a guard: says what it is told to say. Shipped beside the real one, for tests."""

import asyncio
from collections.abc import AsyncIterator

from monitor.attach.message_parts import Latency, Statistics
from monitor.attach.protocol import Bye, Command, Ending, Message
from monitor.source_facts import SourceStatistics


class FakeLink:
    """Behaves as ``ViewerLink``; also its own factory: ``Dashboard(lambda: link)``.

    Args:
        bye_on_stop: Say goodbye when told to stop, as a guard does.
        refuse: Raised on attaching; None attaches.

    Attributes:
        sent: Commands the viewer sent, oldest first.
        attached: Whether a viewer is attached now.
    """

    def __init__(self, *, bye_on_stop: bool = True, refuse: Exception | None = None) -> None:
        self.sent: list[Command] = []
        self.attached = False
        self._bye_on_stop = bye_on_stop
        self._refuse = refuse
        self._waiting: asyncio.Queue[Message | Exception | None] = asyncio.Queue()

    async def __aenter__(self) -> "FakeLink":
        """Attach.

        Raises:
            Exception: The one this link was made to refuse with.
        """
        if self._refuse is not None:
            raise self._refuse
        self.attached = True
        return self

    async def __aexit__(self, *_: object) -> None:
        """Detach."""
        self.attached = False

    def feed(self, *messages: Message) -> None:
        """Say these."""
        for message in messages:
            self._waiting.put_nowait(message)

    def end(self, error: Exception | None = None) -> None:
        """End the connection without a goodbye, or break it with an error."""
        self._waiting.put_nowait(error)

    async def taken(self) -> None:
        """Wait until the viewer has taken all that was said."""
        await self._waiting.join()

    async def messages(self) -> AsyncIterator[Message]:
        """Yield what was fed, until the end.

        Raises:
            Exception: The error the connection was ended with.
        """
        while True:
            message = await self._waiting.get()
            try:
                if message is None:
                    return
                if isinstance(message, Exception):
                    raise message
                yield message
            finally:
                self._waiting.task_done()

    def send(self, command: Command) -> None:
        """Note a command."""
        self.sent.append(command)
        if command.do == "stop" and self._bye_on_stop:
            none = Latency(0, 0.0, 0.0, 0.0, 0.0)
            counts = Statistics(drift_ppm=None, decided=0, late=0, latency=none, recorded=1234)
            counts.take(SourceStatistics())
            self.feed(Bye(Ending.STOPPED, "stopped by a viewer", counts))
