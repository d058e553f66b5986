"""Joining again: when a guard is gone, the next one that reads the same source is looked for."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import Endpoint, running_endpoints
from monitor.attach.protocol import Command, Message
from simulator.strict import BadInput

LOOK_EVERY_S: Final = 1.0


class GuardLink(Protocol):
    """What the dashboard needs of a link."""

    def messages(self) -> AsyncIterator[Message]:
        """Yield what the guard says, until it ends."""
        ...

    def send(self, command: Command) -> None:
        """Say something to the guard."""
        ...


LinkFactory = Callable[[], AbstractAsyncContextManager[GuardLink]]


@dataclass(frozen=True, slots=True)
class Joinable:
    """A guard that can be joined: its process, and what makes a link to it."""

    pid: int
    link: LinkFactory


class NextGuard:
    """Looks for the guard that takes the place of one that is gone.

    Args:
        endpoint: Where the dashboard was attached.
        by_itself: Whether the dashboard joins it without being asked.
        look_every_s: Pause between two looks, s.
    """

    def __init__(
        self, endpoint: Endpoint, *, by_itself: bool, look_every_s: float = LOOK_EVERY_S
    ) -> None:
        self.by_itself = by_itself
        self._source = endpoint.source
        self._token = endpoint.token
        self._look_every_s = look_every_s

    async def find(self, *, said_bye: bool) -> Joinable:
        """Wait until there is one; the same one counts where it said no goodbye but still lives."""
        while True:
            await asyncio.sleep(self._look_every_s)  # also keeps a guard that refuses from a flood
            with contextlib.suppress(BadInput, OSError):
                for endpoint in await asyncio.to_thread(running_endpoints):
                    same = endpoint.token == self._token
                    if endpoint.source == self._source and not (same and said_bye):
                        return self._found(endpoint)

    def _found(self, endpoint: Endpoint) -> Joinable:
        def link() -> ViewerLink:
            self._token = endpoint.token
            return ViewerLink(endpoint)

        return Joinable(endpoint.pid, link)
