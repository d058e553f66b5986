"""Flooding an event loop from threads, and counting how often that wakes it."""

import asyncio
import threading
from collections.abc import Callable
from typing import Any

from monitor.sources.base import Notice
from monitor.sources.inbox import Inbox

FLOOD = 20_000


def from_a_thread(work: Callable[[], object]) -> None:
    """Run something on a thread to its end, the caller standing still meanwhile."""
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()


def counted(loop: asyncio.AbstractEventLoop) -> list[object]:
    """Count the wake-ups of a loop from now on."""
    seen: list[object] = []
    before = loop.call_soon_threadsafe

    def count(function: Any, *arguments: Any, **more: Any) -> Any:
        seen.append(function)
        return before(function, *arguments, **more)

    loop.call_soon_threadsafe = count  # type: ignore[assignment]
    return seen


def flood(inbox: Inbox) -> Callable[[], None]:
    """Return what puts many items into an inbox, one by one."""

    def put() -> None:
        for i in range(FLOOD):
            inbox.put_from_thread([Notice("clock", str(i))])

    return put
