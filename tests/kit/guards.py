"""Real guards for tests: started as processes, watched over their sockets."""

import contextlib
import os
import signal
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import msgspec

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.protocol import Bye, EventTurn, Frame, Message
from monitor.guard.process import Order

# A pull in third, the pump stops in it at full boost: 9 s in all.
SHORT_PUMP_STOP = """
name = "short pump stop"
teaches = "What a pump stop looks like, quickly."
rig = "brindle"
seed = 11

[[drive]]
do = "cruise"
for = "1 s"
gear = 3

[[drive]]
do = "pull"
for = "6 s"
gear = 3

[[drive]]
do = "lift"
for = "2 s"

[[faults]]
kind = "pump_stop"
at = "4.5 s"
"""


def short_pump_stop(folder: Path) -> Path:
    """Write the short scenario down."""
    path = folder / "short_pump_stop.toml"
    path.write_text(SHORT_PUMP_STOP, encoding="utf-8")
    return path


@contextlib.contextmanager
def guard(order: Order) -> Iterator[tuple[int, ViewerLink]]:
    """Start a guard; kill it at the end if it still lives. Yields its process and a link to it."""
    process, endpoint = start_guard(msgspec.structs.replace(order, awaits_viewer=True))
    try:
        yield process.pid, ViewerLink(endpoint)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)
        process.wait()


async def until_bye(link: ViewerLink) -> tuple[list[EventTurn], list[Frame], Bye | None]:
    """Watch until the guard ends; return its events, its frames and its goodbye."""
    events: list[EventTurn] = []
    frames: list[Frame] = []
    async for message in link.messages():
        if isinstance(message, EventTurn):
            events.append(message)
        elif isinstance(message, Frame):
            frames.append(message)
        elif isinstance(message, Bye):
            return events, frames, message
    return events, frames, None


async def frames_of(messages: AsyncIterator[Message]) -> AsyncIterator[Frame]:
    """Yield only the frames."""
    async for message in messages:
        if isinstance(message, Frame):
            yield message
