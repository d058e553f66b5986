"""The live view: slow sources, freezing, the tank, the bell."""

from math import isnan

import pytest
from hypothesis import given
from hypothesis import strategies as some

from monitor.attach.protocol import Message
from monitor.screen.app import Dashboard
from monitor.screen.bell import AGAIN_S, Bell
from monitor.screen.fake_link import FakeLink
from monitor.screen.picture import Link, Picture
from monitor.screen.spacing import LONGEST_WAIT_S, SILENT_S, Spacing
from monitor.screen.trace import Trace
from monitor.words.look import BellName, Look
from tests.kit.screen_script import Clock, frame, hello, rows, stories, tell, text_of

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."

# --- a slow source ------------------------------------------------------------------------------


def _slow(spacing_s: float, seconds: float) -> tuple[Picture, list[Link]]:
    """Feed frames 20 times a second whose count rises every ``spacing_s``; return the standings."""
    picture = Picture(0.0)
    picture.take(hello(), 0.0)
    stood = []
    for i in range(round(seconds * 20)):
        now_s = i * 0.05
        picture.take(frame(CALM, [], 1 + int(now_s / spacing_s + 1e-9)), now_s)
        if now_s > 2.0 * spacing_s + 0.1:
            stood.append(picture.link(now_s))
    return picture, stood


@pytest.mark.parametrize("spacing_s", [0.01, 0.1, 0.5, 1.0, 1.4])
def test_a_slow_source_does_not_flicker(spacing_s: float) -> None:
    """Once its spacing is known, a source that keeps it is live at every look."""
    picture, stood = _slow(spacing_s, 20.0)
    assert set(stood) == {Link.LIVE}
    assert picture.samples_a_second(20.0) == pytest.approx(1.0 / spacing_s, rel=0.15)


def test_a_slow_source_that_stops_is_silent_soon() -> None:
    """Twice its spacing after the last sample, never more than three seconds."""
    picture, _ = _slow(1.0, 20.0)
    for now_s in (20.0, 20.5, 21.0):
        picture.take(frame(CALM, [], 20), now_s)
        assert picture.link(now_s) is Link.LIVE
    picture.take(frame(CALM, [], 20), 21.2)
    assert picture.link(21.2) is Link.SILENT


@given(some.lists(some.floats(0.0, 1e3), min_size=2, max_size=40))
def test_patience_is_bounded(gaps_s: list[float]) -> None:
    """Whatever came, silence is told between half a second and three."""
    spacing, now_s = Spacing(), 0.0
    assert spacing.silent_after_s == SILENT_S
    assert isnan(spacing.rate)
    for count, gap_s in enumerate(gaps_s):
        now_s += gap_s
        spacing.heard(now_s, count)
        assert SILENT_S <= spacing.silent_after_s <= LONGEST_WAIT_S


def test_a_few_gaps_do_not_make_a_fast_source_slow() -> None:
    """Four long silences among the last nine spacings leave the patience as it was."""
    spacing, now_s = Spacing(), 0.0
    for count in range(20):
        now_s += 30.0 if count % 5 in (1, 3) else 0.05
        spacing.heard(now_s, count)
    assert spacing.silent_after_s == SILENT_S


# --- the frozen moment --------------------------------------------------------------------------


@pytest.mark.asyncio
async def test_a_frozen_plot_stays_while_all_else_goes_on() -> None:
    """Plot, debt history and trends keep their picture; banner, figures and events do not."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, owner=False, clock=clock)
    cut = next(story for story in stories() if story.name == "cut_boost")
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, cut.told[:1], 100.1)
        await tell(app, link, clock, [(100.5, [frame(CALM, rows(0.0, 18.0), 1800)])], 100.5)
        await pilot.press("f")
        await pilot.pause()
        before = text_of(app).splitlines()
        assert "frozen 0.0 s ago" in before[3]
        clock.now_s = 112.5
        await tell(app, link, clock, [(112.5, cut.told[-1][1])], 112.5)
        await pilot.pause()
        after = text_of(app).splitlines()
        assert "frozen 12 s ago" in after[3]
        assert "Debt over 20 s, frozen" in after[5]
        assert [line[:82] for line in after[4:24]] == [line[:82] for line in before[4:24]]
        assert [line[89:] for line in after[6:9]] == [line[89:] for line in before[6:9]]
        shown = "\n".join(after)
        assert "▬ CUT BOOST" in after[0]
        assert "120 kPa" in shown
        assert "▬ past cut" in shown
        assert "under-delivery" in shown
        assert "f go on" in shown
        await pilot.press("f")
        await pilot.pause()
        assert "frozen" not in text_of(app)
        assert "! short by 500" in text_of(app)


def test_a_copied_trace_is_its_own() -> None:
    """What is added to the one never shows in the other, and only the asked span is copied."""
    trace = Trace(["time_s", "x"])
    trace.add([[float(i), 2.0 * i] for i in range(100)])
    twin = trace.copy(90.0)
    trace.add([[200.0, 1.0]])
    assert twin.column("time_s").tolist() == [float(i) for i in range(89, 100)]
    assert twin.newest("x") == 198.0
    twin.add([[300.0, 3.0]])
    assert trace.newest("time_s") == 200.0
    assert len(Trace(["time_s"]).copy(0.0)) == 0


# --- the tank -----------------------------------------------------------------------------------


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("tank_s", "ill", "words", "never"),
    [
        (95.0, {}, "empty in 95 s", "at full"),
        (None, {}, "7 min at full", "empty in"),
        (95.0, {"tank_ml": "stale"}, "? stale", "empty in"),
    ],
)
async def test_the_tank_says_how_long_it_lasts(
    tank_s: float | None, ill: dict[str, str], words: str, never: str
) -> None:
    """At the present use where there is one, at full flow else, and nothing on a stale level."""
    for size in ((80, 24), (120, 36), (200, 50)):
        link, clock = FakeLink(), Clock()
        app = Dashboard(lambda link=link: link, owner=False, clock=clock)  # type: ignore[misc]
        told: list[Message] = [hello(), frame(CALM, rows(17.0, 18.0), 9, ill=ill, tank_s=tank_s)]
        async with app.run_test(size=size) as pilot:
            await tell(app, link, clock, [(100.0, told)], 100.1)
            await pilot.pause()
            line = next(line for line in text_of(app).splitlines() if " tank  " in line)
            assert words in line
            assert never not in line


# --- the bell -----------------------------------------------------------------------------------


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
