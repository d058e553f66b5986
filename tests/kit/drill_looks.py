"""Hands on a drill's screens over a class without cars, and the screens of it that are kept."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any, Final
from unittest.mock import patch

from textual.pilot import Pilot

from monitor.screen import base
from monitor.screen.drill.instructor import InstructorDashboard
from monitor.screen.drill.trainee import TraineeDashboard
from simulator.drill.words import Failsafe
from tests.kit.drill_script import FakeClass
from tests.kit.screen_script import text_of

SIZES: Final = ((80, 24), (140, 40))
Screen = TraineeDashboard | InstructorDashboard


class Seated:
    """Somebody in front of a screen of a class."""

    def __init__(self, drill: FakeClass, app: Screen, pilot: Pilot[str | None]) -> None:
        self.drill, self.app, self.pilot = drill, app, pilot

    async def press(self, *keys: str) -> str:
        """Press keys; return what the screen shows once the class has answered."""
        await self.pilot.press(*keys)
        return await self.look()

    async def type(self, text: str) -> str:
        """Type an answer to what is asked; return what the screen shows then."""
        line = self.app._ask_line
        line._input.value = text
        return await self.press("enter")

    async def drive(self, seconds: float) -> str:
        """Let the drive run on; return what the screen shows then."""
        await self.drill.advance(seconds)
        return await self.look()

    async def look(self) -> str:
        """Return what the screen shows, once it has settled."""
        await self.pilot.pause()
        await self.drill.settle()
        self.app.redraw()
        await self.pilot.pause()
        return text_of(self.app)  # type: ignore[arg-type]


@asynccontextmanager
async def seated(
    drill: FakeClass, size: tuple[int, int] = (80, 24), alias: str = "ann"
) -> AsyncIterator[Seated]:
    """Seat a trainee; an empty alias seats the instructor, ``?`` a trainee who gave none."""
    clock = drill.clock
    app: Screen = InstructorDashboard(drill.instruct, owner=True, clock=clock)
    if alias:
        app = TraineeDashboard(drill.link_for, alias.strip("?"), clock=clock)
    # Nothing is drawn but when a test looks: the machine's speed shall not matter.
    with patch.object(base, "TICK_S", 3600.0):
        async with app.run_test(size=size) as pilot:
            there = Seated(drill, app, pilot)
            await there.look()
            yield there


@dataclass(frozen=True)
class Look:
    """A screen kept in ``tests/screens``: whose, how to come to it, what must be read there."""

    name: str
    does: Callable[[Seated], Any]
    words: tuple[str, ...]
    never: tuple[str, ...] = ("GUARD", "NO DATA")
    alias: str = "ann"
    bare: bool = False


async def _brief(_: Seated) -> None:
    pass


async def _driving(seat: Seated) -> None:
    await seat.press("space")
    await seat.drive(13.0)


async def _calling(seat: Seated) -> None:
    await _driving(seat)
    await seat.press("space")


async def _debrief(seat: Seated) -> None:
    await _driving(seat)
    await seat.press("3", "space", "b")
    await seat.drive(20.0)


async def _class(seat: Seated) -> None:
    seat.drill.link_for("ann")
    seat.drill.link_for("bob")
    await _driving(seat)
    await seat.press("m")
    await seat.type("first pull")
    await seat.press("n")
    await seat.type("watch the line pressure")


def looks() -> list[Look]:
    """Return every screen of a drill that is kept."""
    secret = ("pump stops", "Truth")
    return [
        Look(
            "drill_brief",
            _brief,
            ("READY   space begins", "Lesson 1 of 14", "The failsafe acts", "Held back: causes"),
            secret,
        ),
        Look(
            "drill_driving",
            _driving,
            ("▬ CUT BOOST", "you: hold", "13.0 of 30 s", "2 pull timing", "nothing yet"),
            secret,
        ),
        Look(
            "drill_calling",
            _calling,
            ("NO FAILSAFE", "held back in this lesson", " a  nothing is wrong", " l  data late"),
            (*secret, "CUT BOOST", "under-delivery"),
            bare=True,
        ),
        Look(
            "drill_debrief",
            _debrief,
            (
                "96 of 100",
                "The pump stops, from 12.0 s on.",
                "pressure (right)",
                "first sign",
                "▼ ▬ guard",
            ),
        ),
        Look(
            "drill_class",
            _class,
            ("DRIVING", "Truth: The pump stops", ">the pump stops", "(bob)", "first pull 13.0 s"),
            alias="",
        ),
    ]


def sized_looks() -> list[tuple[Look, tuple[int, int]]]:
    """Return every kept screen with its sizes."""
    return [(look, size) for look in looks() for size in SIZES]


async def shown(look: Look, size: tuple[int, int]) -> str:
    """Return a kept screen's look at a size."""
    drill = FakeClass()
    if look.bare:
        drill = FakeClass(helped=Failsafe.OFF, shows=())
    async with seated(drill, size, look.alias) as seat:
        await look.does(seat)
        return await seat.look()
