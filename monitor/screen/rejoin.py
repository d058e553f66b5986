"""Joining again: when a guard is gone, the next one that reads the same source is looked for."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import Endpoint, running_endpoints
from monitor.attach.protocol import Bye, Command, Message
from monitor.words.literal import plain
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


async def hear_out(
    link_factory: LinkFactory,
    linked: Callable[[GuardLink | None], None],
    take: Callable[[Message], None],
) -> str:
    """Hand on all that is said over a link, up to the goodbye; return why there is no more.

    Args:
        link_factory: Makes the link.
        linked: Told the link while there is one, and None when it is gone.
        take: Takes each message.
    """
    try:
        async with link_factory() as link:
            linked(link)
            async for message in link.messages():
                take(message)
                if isinstance(message, Bye):
                    break
    except BadInput as error:  # refused, in words of its own
        return plain(error)
    except (OSError, EOFError, ValueError) as error:
        return plain(f"The connection broke: {error}")
    finally:
        linked(None)
    return "The connection was lost without a goodbye"


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
