"""When the terminal's bell rings."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.attach.protocol import Message
from monitor.screen.app import Dashboard
from monitor.screen.bell import AGAIN_S, Bell
from monitor.screen.fake_link import FakeLink
from monitor.words.look import BellName, Look
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."


@pytest.mark.parametrize(
    ("mode", "rung"),
    [("off", []), ("action", [2, 4]), ("alarm", [1, 2, 4])],
)
def test_the_bell_rings_for_what_is_new(mode: BellName, rung: list[int]) -> None:
    """Once for each action that goes further; going back, unknown and the same are silent."""
    bell = Bell(mode)
    actions = [0, 1, 2, 2, 3, -1, 3, 1, 0]
    heard = [i for i, action in enumerate(actions) if bell.rings(action, i * 0.1, sounding=False)]
    assert heard == rung


@given(some.lists(some.tuples(some.integers(-1, 3), some.floats(0.0, 2.0), some.booleans())))
def test_a_sounding_alarm_rings_seldom(steps: list[tuple[int, float, bool]]) -> None:
    """Between two rings that no new action explains lie five seconds; silenced, there is none."""
    bell, silent, now_s, last_s, known = Bell("alarm"), Bell("alarm"), 0.0, float("-inf"), 0
    silent.switch()
    for action, step_s, sounding in steps:
        now_s += step_s
        new = action > known
        known = action if action >= 0 else known
        assert not silent.rings(action, now_s, sounding=sounding)
        if bell.rings(action, now_s, sounding=sounding):
            assert new or now_s - last_s >= AGAIN_S
            last_s = now_s
        elif sounding:
            assert now_s - last_s < AGAIN_S


@pytest.mark.asyncio
async def test_the_terminal_rings_and_can_be_silenced(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pull rings once; b silences this screen, says so, and lets it ring again."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, look=Look(bell="alarm"), clock=clock)
    rung: list[float] = []
    monkeypatch.setattr(app, "bell", lambda: rung.append(clock.now_s))

    def pulled(action: float, *, sounding: bool = False) -> Message:
        made = frame(CALM, rows(17.0, 18.0), 9, action=action)
        made.sounding = sounding
        return made

    async with app.run_test(size=(80, 24)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), pulled(0.0)])], 100.1)
        assert rung == []
        assert "b bell on" in text_of(app)
        await tell(app, link, clock, [(101.0, [pulled(2.0, sounding=True)])], 101.0)
        app.redraw()
        await tell(app, link, clock, [(107.0, [pulled(2.0, sounding=True)])], 107.0)
        assert rung == [101.0, 107.0]
        await tell(app, link, clock, [], 120.0)
        assert rung == [101.0, 107.0]  # a guard that doesn't speak has nothing to sound
        await pilot.press("b")
        await pilot.pause()
        assert "b bell silent" in text_of(app)
        await tell(app, link, clock, [(121.0, [pulled(3.0, sounding=True)])], 121.0)
        assert rung == [101.0, 107.0]
        await pilot.press("b")
        await tell(app, link, clock, [(130.0, [pulled(3.0, sounding=True)])], 130.0)
        # It sounds still, and anew five seconds later.
        assert rung == [101.0, 107.0, 121.0, 130.0]


def test_a_bell_that_was_off_rings_for_actions_once_switched() -> None:
    """Switching it on is all it takes."""
    bell = Bell("off")
    assert bell.silent
    bell.switch()
    assert bell.rings(2, 0.0, sounding=False)
    assert not bell.rings(2, 60.0, sounding=True)
