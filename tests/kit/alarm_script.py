"""Scripted alarms for the screen, and a link that tells when its viewer has taken a message."""

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Final

from msgspec import structs
from textual.pilot import Pilot

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import Endpoint
from monitor.attach.message_parts import StandingAlarm
from monitor.attach.protocol import CauseLine, Frame, Message
from tests.kit.patience import PATIENCE_S
from tests.kit.screen_messages import alarm, cause, event_turn
from tests.kit.screen_script import (
    Story,
    event,
    frame,
    hello,
    rows,
)

PULL: Final = (
    "Pull 5.5 deg of timing: under-delivery, debt 0.09 s of full flow, 40 % of the spray missing."
)
CAUSES: Final = [
    cause(
        "pump_weak",
        "pump weak or stopped",
        0.61,
        "line pressure 40 % of what the pump gives",
        "duty rises, flow does not",
    ),
    cause("nozzle", "nozzle clogged", 0.22, "flow fell over 3 s"),
    cause("air", "air in the line", 0.09),
]


def alarmed(*alarms: StandingAlarm, decoded: int = 1840) -> Frame:
    """Return a frame with these alarms standing."""
    trace = rows(18.0, 18.4, share=0.6, evidence=17.0, debt_s=0.09, action=2, retard_deg=5.5)
    return structs.replace(frame(PULL, trace, decoded), alarms=list(alarms), causes=CAUSES)


EVERY_STATE: Final = (
    alarm(first_out=True, priority="high"),
    alarm("knock", state="acknowledged", since_s=19.05),
    alarm("tank_low", state="returned unacknowledged", priority="low", since_s=12.5),
    alarm("knock_persists", state="latched acknowledged", priority="high", since_s=15.75),
    alarm("intake_hot", state="shelved", priority="low", since_s=16.0, shelf_left_s=290.0),
    alarm("no_command", state="suppressed by design", priority="low", since_s=17.0),
    alarm("signal_lost", state="out of service", priority="low", since_s=3.0),
)


def told(*alarms: StandingAlarm) -> list[tuple[float, list[Message]]]:
    """Return a story told: a pull, a shortfall, its causes, and these alarms."""
    raised = event_turn("raised", event())
    first: list[Message] = [hello(), frame("No action.", rows(0.0, 18.0), 1800)]
    then: list[Message] = [raised, CauseLine(18.7, CAUSES), alarmed(*alarms)]
    return [(100.0, first), (101.4, then)]


def page_story() -> Story:
    """Return the story whose list of alarms has a screen of its own."""
    return Story("alarm_page", told(*EVERY_STATE), 101.45)


async def open_page(pilot: Pilot[str | None]) -> None:
    """Open the list of alarms and let the screen settle."""
    await pilot.press("l")
    for _ in range(3):
        await pilot.pause()


class Taken:
    """What viewers have taken so far; tests wait on it instead of sleeping."""

    def __init__(self) -> None:
        self._messages: list[Message] = []
        self._read = 0
        self._news = asyncio.Event()

    def add(self, message: Message) -> None:
        """Note a message that was taken."""
        self._messages.append(message)
        self._news.set()

    async def until(self, wanted: Callable[[Message], bool]) -> Message:
        """Return the next message that is wanted, once a viewer has taken it."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                while self._read < len(self._messages):
                    self._read += 1
                    if wanted(self._messages[self._read - 1]):
                        return self._messages[self._read - 1]
                self._news.clear()
                await self._news.wait()


class HeardLink(ViewerLink):
    """A real link that tells what its viewer has taken."""

    def __init__(self, endpoint: Endpoint, taken: Taken) -> None:
        super().__init__(endpoint)
        self._taken = taken

    async def messages(self) -> AsyncIterator[Message]:
        """Yield what the guard says."""
        async for message in super().messages():
            try:
                yield message
            finally:
                self._taken.add(message)
