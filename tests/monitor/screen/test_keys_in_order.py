"""Keys in a burst, as fast hands, a paste or a slow line bring them: on every screen in order."""

import pytest
from textual.events import AppBlur, Key
from textual.pilot import Pilot

from monitor.attach.protocol import Command, Message
from monitor.screen.app import Dashboard
from monitor.screen.base import BaseDashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.finder import Finder
from monitor.words.units import METRIC, US
from tests.kit.alarm_script import told
from tests.kit.drill_looks import seated
from tests.kit.drill_script import FakeClass
from tests.kit.screen_messages import alarm
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of


def _burst(app: BaseDashboard, *keys: str) -> None:
    """Press keys without a pause between them."""
    for key in keys:
        app.post_message(Key(key, key if len(key) == 1 else None))


async def _settled(pilot: Pilot[str | None]) -> None:
    for _ in range(8):
        await pilot.pause()


@pytest.mark.asyncio
async def test_an_alarm_is_shelved_by_keys_in_a_burst() -> None:
    """The proposed minutes are replaced by what is typed, and the next key isn't part of them."""
    app, link, clock = _live()
    async with app.run_test(size=(80, 24)) as pilot:
        await _alarmed(app, link, clock)
        _burst(app, "l", "h", "9", "backspace", "0", ".", "5", "enter", "a")
        await _settled(pilot)
        assert link.sent == [
            Command("shelve", alarm="knock", for_s=30.0),
            Command("acknowledge", alarm="knock"),
        ]


@pytest.mark.asyncio
async def test_a_proposed_answer_is_taken_as_it_stands_or_replaced_by_the_first_letter() -> None:
    """It is selected, as text that is proposed mostly is; an arrow leaves it there to be edited."""
    app, link, clock = _live()
    async with app.run_test(size=(80, 24)) as pilot:
        await _alarmed(app, link, clock)
        for typed, minutes in (((), 5.0), (("7",), 7.0), (("left", "1"), 15.0), (("end", "."), 0)):
            _burst(app, "l", "h", *typed, "enter", "l")
            await _settled(pilot)
            sent = [command.for_s / 60.0 for command in link.sent]
            assert sent == ([minutes] if minutes else []), typed
            link.sent.clear()
        app.redraw()
        assert 'found "5."' in text_of(app)


@pytest.mark.asyncio
async def test_a_window_that_lost_the_focus_has_it_with_the_first_key() -> None:
    """A browser's begins so, and says nothing of it where a page's script types."""
    drill = FakeClass()
    async with seated(drill, alias="?") as ann:
        ann.app.post_message(AppBlur())
        await ann.look()
        _burst(ann.app, *"ann", "enter")
        await ann.look()
        assert list(drill.rides) == ["ann"]


@pytest.mark.asyncio
async def test_an_alias_and_an_instructor_s_answers_are_taken_in_order() -> None:
    """What is mistyped and taken back, too; none of it is a command."""
    drill = FakeClass(instructed=True)
    async with seated(drill, alias="?") as ann, seated(drill, alias="") as desk:
        _burst(ann.app, *"FinchRx", "backspace", *"obin", "enter")
        await ann.look()
        assert list(drill.rides) == ["FinchRobin"]
        _burst(desk.app, "space", "i", "enter", *"0.5 2", "enter", "i")
        await desk.look()
        assert drill.desk.sent[-1] == Command("inject", what="pump_stop", amount=0.5, ramp_s=2.0)
        _burst(desk.app, "escape", "e", *"0.85", "backspace", "enter", "n", *"qNE", "enter")
        await desk.look()
        assert drill.desk.sent[-2:] == [
            Command("escalate", number=0, amount=0.8),
            Command("note", text="qNE"),
        ]


@pytest.mark.asyncio
async def test_the_finder_does_what_was_typed_however_fast() -> None:
    """Letters that come before it stands, and enter before it has looked: never its first entry."""
    app, link, clock = _live(owner=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await _alarmed(app, link, clock)
        assert app.units is METRIC
        _burst(app, "ctrl+p", *"us unix", "backspace", *"ts", "enter")
        await _settled(pilot)
        while isinstance(app.screen, Finder):
            await pilot.pause()
        await _settled(pilot)
        assert app.units is US
        _burst(app, "ctrl+p", *"qqqq", "enter")
        await _settled(pilot)
        assert app.return_value is None
        assert link.sent == []


def _live(*, owner: bool = False) -> tuple[Dashboard, FakeLink, Clock]:
    link, clock = FakeLink(), Clock()
    return Dashboard(lambda: link, owner, clock=clock), link, clock


async def _alarmed(app: Dashboard, link: FakeLink, clock: Clock) -> None:
    messages: list[Message] = [hello(), frame("No action.", rows(0.0, 18.0), 1800)]
    for _, said in told(alarm("knock", priority="high")):
        messages += said
    await tell(app, link, clock, [(100.1, messages)], 100.1)
