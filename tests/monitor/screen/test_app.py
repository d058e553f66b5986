"""The dashboard, over a fake link and a clock that stands still."""

import asyncio
from math import isnan

import pytest
from msgspec import structs
from textual.pilot import Pilot

from monitor.attach.protocol import Bye, Command, Ending, Message, Notice, Recording
from monitor.screen import app as app_module
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from simulator.strict import BadInput
from tests.kit.paths import kept_screen
from tests.kit.patience import PATIENCE_S
from tests.kit.screen_messages import event_turn, statistics
from tests.kit.screen_script import (
    Clock,
    Story,
    event,
    frame,
    hello,
    only_pause,
    rows,
    screen_of,
    sizes,
    stories,
    tell,
    text_of,
)

CALM = "No action: 500 of 500 mL/min arrive at 150 kPa boost."
HOSTILE = (
    "[@click=app.quit]x[/]",
    "[/] x",
    "\x1b]0;owned\x07title\x1b[2J",
    "a\x9b31mb\x85c",
    "word " * 500,
    "W" * 5000,
    "\u202eright to left\u202c \u05e9\u05dc\u05d5\u05dd \u2066x\u2069",
    "\u6c34\u55b7\u5c04" * 60,
    "e" + "\u0301" * 50,
    "\U0001f468\u200d\U0001f527 \ufe0f \ud800 \u2028 \x00",
)


def _app(link: FakeLink, clock: Clock, *, owner: bool = False) -> Dashboard:
    return Dashboard(lambda: link, owner, clock=clock)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("story", "size"),
    [(story, size) for story in stories() for size in sizes(story)],
    ids=lambda case: getattr(case, "name", None) or str(case),
)
async def test_each_state_has_its_screen(story: Story, size: tuple[int, int]) -> None:
    """Every state says its words, keeps quiet about others, and looks as it did when last read."""
    shown = await screen_of(story, size, only_pause)
    for words in story.words:
        assert words in shown, words
    for words in story.never:
        assert words not in shown, words
    assert kept_screen(story.name, size).read_text(encoding="utf-8") == shown


@pytest.mark.asyncio
@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
async def test_hostile_text_is_only_text(text: str) -> None:
    """Whatever a message carries, wherever it carries it, is shown and obeyed by nobody."""
    odd = event(finding=text, explanation=text)
    bad = frame(text, rows(17.0, 18.0), 1800, ill={"boost_kpa": text, text: text})
    told: list[Message] = [
        hello(rig=text, source=text, session=text, events=[odd]),
        structs.replace(bad, recording=Recording(text, text)),
        event_turn("raised", odd, text),
        Notice(text, text),
        Notice("recording", text),
    ]
    bye: list[Message] = [Bye(Ending.FAILED, text, statistics(rejected={text: 1}))]
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    seen = []
    async with app.run_test(size=(140, 40)) as pilot:
        for messages in (told, bye):
            await tell(app, link, clock, [(100.0, messages)], 100.1)
            await pilot.pause()
            for row in (0, 1, 31, 32, 37):
                await pilot.click(offset=(20, row))
            await pilot.pause()
            seen.append(text_of(app))
            assert app.is_running
    assert seen[0] != seen[1]
    for shown in seen:
        assert all(char.isprintable() or char == "\n" for char in shown)
        if text.startswith("["):
            assert text in shown


@pytest.mark.asyncio
@pytest.mark.parametrize("key", ["q", "ctrl+c"])
async def test_quitting_stops_an_owned_guard_and_waits_for_its_goodbye(key: str) -> None:
    """The owner's quit says stop, and the last line tells what was recorded where."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock, owner=True)
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello()])], 100.0)
        await pilot.press(key)
        await pilot.pause()
    assert link.sent == [Command("stop")]
    assert app.return_value == (
        "Guard gone: stopped by a viewer. Recorded 1234 rows in /logs/2026-01-31T12-00-00Z-sorrel"
    )


@pytest.mark.asyncio
async def test_a_guard_that_says_no_goodbye_is_not_waited_for_long(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """After the bound the screen leaves, and says that the guard may still run."""
    monkeypatch.setattr(app_module, "BYE_WITHIN_S", 0.01)
    link, clock = FakeLink(bye_on_stop=False), Clock()
    app = _app(link, clock, owner=True)
    async with app.run_test() as pilot:
        await pilot.press("q")
        await app.workers.wait_for_complete(
            [worker for worker in app.workers if worker.name == "_leave_after_bye"]
        )
    assert app.return_value is not None
    assert "it may still be running" in app.return_value


@pytest.mark.asyncio
async def test_quitting_twice_waits_no_longer() -> None:
    """The first quit says so on the screen; the second leaves at once, and stop was said once."""
    link, clock = FakeLink(bye_on_stop=False), Clock()
    app = _app(link, clock, owner=True)
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello(), frame(CALM, rows(17.0, 18.0), 9)])], 100.1)
        await pilot.press("q")
        await pilot.pause()
        assert "stopping the guard, 5 s at most" in text_of(app)
        await pilot.press("q")
    assert link.sent == [Command("stop")]
    assert app.return_value == "Told the guard to stop; did not wait for its goodbye."


@pytest.mark.asyncio
@pytest.mark.parametrize(("owner", "key"), [(True, "d"), (False, "d"), (False, "q")])
async def test_detaching_leaves_the_guard_running(owner: bool, key: str) -> None:
    """Nobody but the owner's quit stops a guard."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock, owner=owner)
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello()])], 100.0)
        await pilot.press(key)
    assert link.sent == []
    assert app.return_value == "Detached; the guard goes on (process 4711)."
    assert not link.attached


@pytest.mark.asyncio
async def test_acknowledging_says_so_to_the_guard() -> None:
    """The key sends the command, and the guard's own notice is what the screen shows."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello()])], 100.0)
        await pilot.press("a")
        assert link.sent == [Command("acknowledge")]
        assert "acknowledged" not in text_of(app)
        told: list[Message] = [Notice("operator", "acknowledged")]
        await tell(app, link, clock, [(100.0, told)], 100.0)
        await pilot.pause()
        assert "operator: acknowledged" in text_of(app)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("link", "why"),
    [
        (FakeLink(refuse=BadInput("guard 7: found no such file")), "guard 7: found no such file"),
        (FakeLink(refuse=ConnectionResetError("reset")), "The connection broke: reset"),
        (FakeLink(), "The connection was lost without a goodbye"),
    ],
)
async def test_a_lost_guard_is_said_plainly(link: FakeLink, why: str) -> None:
    """Refused, broken or ended without a word: the screen stays up and says which."""
    clock = Clock()
    app = _app(link, clock, owner=True)
    async with app.run_test(size=(140, 40)) as pilot:
        link.end()
        await pilot.pause()
        app.redraw()
        await pilot.pause()
        shown = text_of(app)
        assert "× GUARD GONE" in shown
        assert f"{why[:1].upper()}{why[1:]}" in shown
        await pilot.press("q")
    assert link.sent == []
    assert app.return_value is not None
    assert why in app.return_value


@pytest.mark.asyncio
async def test_an_unhealthy_channel_shows_no_old_value() -> None:
    """A stale channel says so in a word; its last good value is nowhere, and its trend stops."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    ill = frame(CALM, rows(18.0, 19.0), 1900, ill={"knock": "stale", "boost_kpa": "implausible"})
    async with app.run_test() as pilot:
        told: list[tuple[float, list[Message]]] = [
            (100.0, [hello(), frame(CALM, rows(0.0, 18.0), 1800)]),
            (100.3, [ill]),
        ]
        await tell(app, link, clock, told, 100.4)
        await pilot.pause()
        lines = text_of(app).splitlines()
        boost = next(line for line in lines if line.startswith(" boost"))
        assert "? implausible" in boost
        assert "150" not in boost
        assert "? stale" in boost or any("knock" in line and "? stale" in line for line in lines)
        assert isnan(app.picture.trace.newest("boost_kpa"))
        assert app.picture.trace.newest("time_s") == 18.95


@pytest.mark.asyncio
async def test_a_choice_of_event_stays_when_a_newer_one_comes() -> None:
    """Down chooses the older event; a third event moves the list, not the choice; up goes back."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    knock = event(time_s=5.0, finding="knock", explanation="Older.", until_s=6.5, debt_ml=0.0)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(events=[knock, event()])])], 100.0)
        await pilot.pause()
        assert "cleared after 1.50 s" in text_of(app)
        assert "Older." not in text_of(app)
        await pilot.press("down", "down")
        newest = event_turn("raised", event(time_s=30.0, explanation="Newest."))
        await tell(app, link, clock, [(100.0, [newest])], 100.0)
        await pilot.pause()
        assert "Older." in text_of(app)
        await pilot.press("up", "up")
        await pilot.pause()
        assert "Newest." in text_of(app)


@pytest.mark.asyncio
async def test_help_names_every_key_and_keeps_the_top_line() -> None:
    """Help carries the caution, and what is done to the engine stays in sight."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello(), frame(CALM, rows(17.0, 18.0), 9)])], 100.1)
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        shown = text_of(app)
        for words in (
            "= NO ACTION",
            "Whoever drives must not read this screen",
            "a passenger or a dyno",
        ):
            assert words in shown
        for key in ("q, ctrl+c", " d ", " a ", " t ", " s ", " ↑↓ ", " c ", " ? "):
            assert key in shown
        await pilot.press("escape")
        await pilot.pause()
        await pilot.pause()
        assert "Spray flow" in text_of(app)


@pytest.mark.asyncio
async def test_spans_change_and_small_terminals_are_told() -> None:
    """The span key goes round; too small a terminal keeps the top line and says its size."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), frame(CALM, rows(17.0, 18.0), 9)])], 100.1)
        for span in ("-60 s", "-10 s", "-20 s"):
            await pilot.press("s")
            await pilot.pause()
            assert span in text_of(app)
        for width, height in ((60, 20), (1, 1), (3, 2), (79, 24), (20, 5)):
            await pilot.resize_terminal(width, height)
            await pilot.pause()
        await _until_shown(app, pilot, "20x5")
        assert "= NO ACTION" in text_of(app)
        await pilot.resize_terminal(140, 40)
        await _until_shown(app, pilot, "Over 20 s")


async def _until_shown(app: Dashboard, pilot: Pilot[str | None], words: str) -> None:
    """Wait until words stand on the screen: a new size is laid out a moment after it is told."""
    async with asyncio.timeout(PATIENCE_S):
        while words not in text_of(app):
            await pilot.pause(0.01)


@pytest.mark.asyncio
async def test_only_rows_that_changed_are_drawn_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same moment drawn twice refreshes nothing; half a second of silence not everything."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), frame(CALM, rows(0.0, 18.0), 9)])], 100.1)
        await pilot.pause()
        drawn: list[str] = []
        for pane in app._panes.values():
            monkeypatch.setattr(pane, "refresh", lambda *_, name=pane.id: drawn.append(name))
        app.redraw()
        assert drawn == []
        clock.now_s = 103.0
        app.redraw()
        assert "banner" in drawn
        assert "keys" not in drawn
        assert "detail" not in drawn


@pytest.mark.asyncio
async def test_a_recorder_in_trouble_is_said() -> None:
    """A fault of the recorder, and rows it lost, stand on the link line with a sign."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    troubled = frame(CALM, rows(17.0, 18.0), 1800)
    troubled.statistics.not_recorded = 12
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello(), troubled])], 100.1)
        await pilot.pause()
        assert "! 12 rows not recorded" in text_of(app)
        stopped = structs.replace(troubled, recording=Recording("/logs/x", "no space left"))
        await tell(app, link, clock, [(100.0, [stopped])], 100.1)
        await pilot.pause()
        assert "! recording: stopped: no space" in text_of(app)


@pytest.mark.asyncio
async def test_what_was_restored_stands_among_the_statistics() -> None:
    """From which session, to whoever joins later too; nothing of it where none was asked for."""
    for restored in ("restored from 2026-01-31T12-00-00Z-sorrel", ""):
        link, clock = FakeLink(), Clock()
        app = _app(link, clock)
        greeting = structs.replace(hello(), restored=restored)
        async with app.run_test() as pilot:
            said: list[Message] = [greeting, frame(CALM, rows(17.0, 18.0), 1800)]
            await tell(app, link, clock, [(100.0, said)], 100.1)
            await pilot.press("c")
            await pilot.pause()
            assert "Counts since the guard started" in text_of(app)
            assert ("restored from 2026" in text_of(app)) == bool(restored)


@pytest.mark.asyncio
async def test_refused_lines_are_marked_while_they_come() -> None:
    """A count that rises is marked for ten seconds; one that only is there, is not."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    more = frame(CALM, rows(18.0, 18.5), 1850)
    more.statistics.rejected = {"too short": 5}
    still = frame(CALM, rows(18.5, 30.0), 3000)
    still.statistics.rejected = {"too short": 5}
    async with app.run_test() as pilot:
        greeting: list[Message] = [hello(), frame(CALM, rows(17.0, 18.0), 1800)]
        await tell(app, link, clock, [(100.0, greeting)], 100.1)
        await pilot.pause()
        assert "! rejected" not in text_of(app)
        await tell(app, link, clock, [(100.5, [more])], 100.5)
        await pilot.pause()
        assert "! rejected 5" in text_of(app)
        await tell(app, link, clock, [(112.0, [still])], 112.0)
        await pilot.pause()
        assert "! rejected" not in text_of(app)
        assert "rejected 5" in text_of(app)
