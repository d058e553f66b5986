"""Whole drills at the keys, over a real class with simulated cars and a clock of the test's own."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from unittest.mock import patch

import pytest
from textual.pilot import Pilot

from monitor.attach.protocol import FRAME_S
from monitor.screen import base
from monitor.screen.drill.instructor import InstructorDashboard
from monitor.screen.drill.trainee import TraineeDashboard
from tests.kit.drills import HEALTHY, ClassLink, School, short_lesson
from tests.kit.screen_script import Clock, text_of

CLOCK = Clock()


class Seat:
    """Somebody at the keys, and the class that their screen shows."""

    def __init__(
        self, school: School, app: TraineeDashboard | InstructorDashboard, pilot: Pilot[str | None]
    ) -> None:
        self.school, self.app, self.pilot = school, app, pilot

    async def press(self, *keys: str) -> str:
        """Press keys; return what the screen shows then."""
        await self.pilot.press(*keys)
        return await self.look()

    async def type(self, text: str) -> str:
        """Type an answer to what is asked; return what the screen shows then."""
        self.app._ask_line._input.value = text
        return await self.press("enter")

    async def drive(self, seconds: float) -> str:
        """Let the drive go on; return what the screen shows then."""
        for _ in range(round(seconds / (2.0 * FRAME_S))):  # as often as the wire brings frames
            CLOCK.now_s += 2.0 * FRAME_S
            self.school.advance(2.0 * FRAME_S)
            await _taken(self.school)
        return await self.look()

    async def look(self) -> str:
        """Return what the screen shows, once it has settled."""
        await self.pilot.pause()
        await _taken(self.school)
        self.app.redraw()
        await self.pilot.pause()
        return text_of(self.app)  # type: ignore[arg-type]


async def _taken(school: School) -> None:
    for links in (school.instructors, *school.places.values()):
        for link in links:
            if link.attached:
                await link.taken()


@asynccontextmanager
async def seated(school: School, alias: str = "ann") -> AsyncIterator[Seat]:
    """Seat a trainee, or, without an alias, the instructor."""

    def link_for(alias: str) -> ClassLink:
        return school.link("join", alias)

    app: TraineeDashboard | InstructorDashboard = TraineeDashboard(link_for, alias, clock=CLOCK)
    if not alias:
        app = InstructorDashboard(lambda: school.link("instruct"), clock=CLOCK)
    with patch.object(base, "TICK_S", 3600.0):
        async with app.run_test(size=(80, 24)) as pilot:
            seat = Seat(school, app, pilot)
            await seat.look()
            yield seat


@pytest.mark.asyncio
async def test_a_right_call_and_a_lift_spare_the_engine(tmp_path: Path) -> None:
    """With no failsafe: boost is read, the flow seen to fall, called, and the foot lifted."""
    school = School(short_lesson(tmp_path, failsafe="off"), results=tmp_path / "kept")
    async with seated(school) as seat:
        assert "One pull in third gear." in await seat.look()
        assert "NO FAILSAFE" in await seat.press("space")
        said = await seat.drive(3.3)
        assert "not in this log" not in said
        assert "-- kPa" not in said
        await seat.press("4", "space", "b")
        said = await seat.drive(5.0)
        assert "The pump stops, from 3.00 s on." in said
        assert "Called: pump, its voltage or its pressure (right)." in said
        assert "the guard would have" in said
        spared = school.drill.trainees["ann"].debriefing
        assert spared is not None
        harms = {one.who: one.harm for one in spared.outcomes}
        assert harms["driven"] < 0.5 * harms["nobody"]
        assert "REFUSED" not in await seat.press("w")
        said = await seat.press(*["down"] * 60)
        assert "Written:" in said
        said = await seat.press("space")
        assert "0.0 of 7 s" in said
        assert "you: hold" in said


@pytest.mark.asyncio
async def test_a_wrong_call_and_no_act_cost_the_engine(tmp_path: Path) -> None:
    """A clog is called where the pump stopped, and the car is driven on."""
    school = School(short_lesson(tmp_path, failsafe="off"))
    async with seated(school) as seat:
        await seat.press("space")
        await seat.drive(4.0)
        await seat.press("space", "c")
        said = await seat.drive(5.0)
        assert "clog, or a valve that stays shut (wrong; right: pump" in " ".join(said.split())
        found = school.drill.trainees["ann"].debriefing
        assert found is not None
        assert found.score < 30.0


@pytest.mark.asyncio
async def test_nothing_wrong_is_called_so(tmp_path: Path) -> None:
    """A healthy drive: to call that is right, and no onset is told."""
    lesson = short_lesson(tmp_path, cases=HEALTHY)
    text = lesson.read_text(encoding="utf-8").replace("weight = 1e-3", "weight = 1000")
    lesson.write_text(text, encoding="utf-8")
    async with seated(School(lesson)) as seat:
        await seat.press("space")
        await seat.drive(4.0)
        await seat.press("space", "a")
        said = await seat.drive(5.0)
        assert "Called: nothing is wrong (right)." in said
        assert "it began" not in said


@pytest.mark.asyncio
async def test_a_class_is_led_from_another_screen(tmp_path: Path) -> None:
    """An instructor begins, marks, injects and rewinds; two trainees answer for themselves."""
    school = School(short_lesson(tmp_path, failsafe="off"), instructed=True)
    async with (
        seated(school, "ann") as ann,
        seated(school, "bob") as bob,
        seated(school, "") as desk,
    ):
        assert "the instructor begins" in await ann.press("space")
        assert "DRIVING" in await desk.press("space")
        await desk.drive(1.5)
        await desk.press("m")
        await desk.type("before")
        await desk.press("i", "enter")
        await desk.type("1 0")
        assert "since 1.5 s" in await desk.drive(2.0)
        await ann.press("4", "space", "b")
        said = await desk.drive(0.4)
        (row,) = (line for line in said.splitlines() if line.startswith(" ann"))
        assert "3.5 s pump" in row
        assert "3.5 s lift" in row
        assert "you: hold" in await bob.look()
        await desk.press("r")
        assert "PAUSED" in await desk.type("before")
        for seat in (ann, bob):
            said = await seat.look()
            assert "PAUSED   by the instructor" in said
            assert "you: hold" in said
            assert "called: nothing yet" in said
        await desk.press("space")
        await desk.drive(6.5)
        assert "Debrief, ann" in await ann.look()
        assert "Debrief, bob" in await bob.look()
        assert "OVER" in await desk.look()
