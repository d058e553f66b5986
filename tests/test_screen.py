"""The dashboard, over a fake link and a clock that stands still."""

import asyncio
import subprocess
import sys
import unicodedata
from math import isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from rich.cells import cell_len

from monitor.guard.protocol import Bye, Command, EventTurn, Message, NoticeLine
from monitor.screen import app as app_module
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.literal import figure, number, plain, wrapped
from monitor.screen.palette import OKABE_ITO, PALETTES, Palette
from monitor.screen.raster import reach
from monitor.screen.trace import Trace
from simulator.strict import BadInput
from tests.screen_script import (
    CHECK,
    SIZES,
    Clock,
    Story,
    event,
    frame,
    golden,
    hello,
    only_pause,
    rows,
    screen_of,
    stories,
    tell,
    text_of,
)

HOLD = "Hold: 500 of 500 mL/min arrive at 150 kPa boost."
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
@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("story", stories(), ids=lambda story: story.name)
async def test_each_state_has_its_screen(story: Story, size: tuple[int, int]) -> None:
    """Every state says its words, keeps quiet about others, and looks as it did when last read."""
    shown = await screen_of(story, size, only_pause)
    for words in story.words:
        assert words in shown, words
    for words in story.never:
        assert words not in shown, words
    assert golden(story, size).read_text(encoding="utf-8") == shown


@pytest.mark.asyncio
@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
async def test_hostile_text_is_only_text(text: str) -> None:
    """Whatever a message carries, wherever it carries it, is shown and obeyed by nobody."""
    odd = event(finding=text, explanation=text, action=text, steps=[{"action": text}, text, 3])
    bad = frame(text, rows(17.0, 18.0), 1800, ill={"boost_kpa": text, text: text})
    told: list[Message] = [
        hello(rig=text, source=text, session=text, events=[odd, {}, {"time_s": text}]),
        bad,
        EventTurn(text, odd, text),
        NoticeLine(text, text),
        NoticeLine("recording", text),
    ]
    for messages in (told, [*told, Bye(text, {"latency": text, "rejected": {text: text}})]):
        link, clock = FakeLink(), Clock()
        app = _app(link, clock)
        async with app.run_test(size=(140, 40)) as pilot:
            await tell(app, link, clock, [(100.0, messages)], 100.1)
            await pilot.pause()
            for row in (0, 1, 31, 32, 37):
                await pilot.click(offset=(20, row))
            await pilot.pause()
            shown = text_of(app)
            assert app.is_running
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
        await tell(app, link, clock, [(100.0, [hello(), frame(HOLD, rows(17.0, 18.0), 9)])], 100.1)
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
        told: list[Message] = [NoticeLine("operator", "acknowledged")]
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
        assert why in shown
        await pilot.press("q")
    assert link.sent == []
    assert app.return_value is not None
    assert why in app.return_value


@pytest.mark.asyncio
async def test_an_unhealthy_channel_shows_no_old_value() -> None:
    """A stale channel says so in a word; its last good value is nowhere, and its trend stops."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    ill = frame(HOLD, rows(18.0, 19.0), 1900, ill={"knock": "stale", "boost_kpa": "implausible"})
    async with app.run_test() as pilot:
        told: list[tuple[float, list[Message]]] = [
            (100.0, [hello(), frame(HOLD, rows(0.0, 18.0), 1800)]),
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
        newest = EventTurn("raised", event(time_s=30.0, explanation="Newest."), CHECK)
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
        await tell(app, link, clock, [(100.0, [hello(), frame(HOLD, rows(17.0, 18.0), 9)])], 100.1)
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        shown = text_of(app)
        for words in (
            "= HOLD",
            "Whoever drives must not read this screen",
            "a passenger or a dyno",
        ):
            assert words in shown
        for key in ("q, ctrl+c", " d ", " a ", " t ", " s ", "up, down", "?, escape"):
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
        await tell(app, link, clock, [(100.0, [hello(), frame(HOLD, rows(17.0, 18.0), 9)])], 100.1)
        for span in ("-60 s", "-10 s", "-20 s"):
            await pilot.press("s")
            await pilot.pause()
            assert span in text_of(app)
        for width, height in ((60, 20), (1, 1), (3, 2), (79, 24), (20, 5)):
            await pilot.resize_terminal(width, height)
            await pilot.pause()
        shown = text_of(app)
        assert "= HOLD" in shown
        assert "20x5" in shown
        await pilot.resize_terminal(140, 40)
        await pilot.pause()
        await pilot.pause()
        assert "Debt over 20 s" in text_of(app)


@pytest.mark.asyncio
async def test_without_colour_the_words_carry_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR every cell is grey, and symbol and word still tell the action."""
    monkeypatch.setenv("NO_COLOR", "1")
    story = next(story for story in stories() if story.name == "cut_boost")
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, story.told, story.seen_at_s)
        await pilot.pause()
        strips = app.screen._compositor.render_strips(app.size)
        shown = text_of(app)
    colours = {
        colour.get_truecolor()
        for strip in strips
        for segment in strip
        if segment.style is not None
        for colour in (segment.style.color, segment.style.bgcolor)
        if colour is not None
    }
    assert len(colours) > 2
    assert all(max(colour) - min(colour) <= 1 for colour in colours)
    assert "■ CUT BOOST" in shown


@pytest.mark.asyncio
async def test_only_rows_that_changed_are_drawn_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same moment drawn twice refreshes nothing; half a second of silence not everything."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test(size=(140, 40)) as pilot:
        await tell(app, link, clock, [(100.0, [hello(), frame(HOLD, rows(0.0, 18.0), 9)])], 100.1)
        await pilot.pause()
        drawn: list[str] = []
        for pane in app._panes:
            monkeypatch.setattr(pane, "refresh", lambda *_, name=pane.id: drawn.append(name))
        app.redraw()
        assert drawn == []
        clock.now_s = 103.0
        app.redraw()
        assert "banner" in drawn
        assert "keys" not in drawn
        assert "detail" not in drawn


@pytest.mark.asyncio
async def test_both_themes_paint_their_own_ground() -> None:
    """The theme key changes every cell's background, and back."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    async with app.run_test() as pilot:
        for palette in (*PALETTES[1:], PALETTES[0]):
            await pilot.press("t")
            await pilot.pause()
            strips = app.screen._compositor.render_strips(app.size)
            grounds = [
                segment.style.bgcolor.get_truecolor().hex.upper()
                for strip in strips
                for segment in strip
                if segment.style is not None and segment.style.bgcolor is not None
            ]
            assert grounds.count(palette.ground) > len(grounds) / 2


# --- colours ------------------------------------------------------------------------------------


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_agrees_with_published_pairs() -> None:
    """W3C WCAG 2.1 SC 1.4.3, 1.4.6, 1.4.11: ratios of well-known pairs, to their last digit."""
    published = {
        ("#000000", "#FFFFFF"): 21.0,
        ("#777777", "#FFFFFF"): 4.4781,
        ("#767676", "#FFFFFF"): 4.5422,
        ("#949494", "#FFFFFF"): 3.0335,
        ("#FF0000", "#FFFFFF"): 3.9985,
        ("#0000FF", "#FFFFFF"): 8.5925,
        ("#595959", "#FFFFFF"): 7.0047,
    }
    for (one, other), ratio in published.items():
        assert _contrast(one, other) == pytest.approx(ratio, abs=5e-4)


def test_the_hues_are_the_published_ones() -> None:
    """Okabe & Ito, Color Universal Design (2002, rev. 2008); Wong, Nature Methods 8 (2011) 441."""
    on_white = [21.0, 2.252, 2.307, 3.421, 1.322, 5.185, 3.867, 3.061]
    on_black = [1.0, 9.324, 9.101, 6.138, 15.881, 4.05, 5.43, 6.86]
    for hue, white, black in zip(OKABE_ITO.values(), on_white, on_black, strict=True):
        assert _contrast(hue, "#FFFFFF") == pytest.approx(white, abs=1e-3)
        assert _contrast(hue, "#000000") == pytest.approx(black, abs=1e-3)


@pytest.mark.parametrize("palette", PALETTES, ids=lambda palette: palette.name)
def test_every_pair_in_use_can_be_read(palette: Palette) -> None:
    """WCAG 2.1: text at least 4.5 to 1, graphics 3 to 1; panes can use no style but these."""
    for styles, least in ((palette.text, 4.5), (palette.graphic, 3.0)):
        for role, style in styles.items():
            assert style.color is not None, role
            assert style.bgcolor is not None, role
            ratio = _contrast(style.color.name.upper(), style.bgcolor.name.upper())
            assert ratio >= least, (role, ratio)


# --- the parts ----------------------------------------------------------------------------------


def test_a_gap_is_not_joined() -> None:
    """Samples more than 0.3 s apart, and unknown ones, leave empty columns between them."""
    times_s = np.array([0.0, 0.1, 0.2, 0.9, 1.0, 1.1, 1.2, 1.3])
    values = np.array([1.0, 1.0, 1.0, 3.0, 3.0, nan, 3.0, 3.0])
    line = reach(times_s, values, 0.0, 1.4, 14)
    seen = ~np.isnan(line.low)
    assert seen.tolist() == [True] * 3 + [False] * 6 + [True] * 2 + [False] + [True] * 2
    assert line.high[9] == 3.0


def test_neighbours_are_joined_and_extremes_kept() -> None:
    """Sparse samples make a line; many samples in a column show their lowest and highest."""
    line = reach(np.array([0.0, 0.25]), np.array([0.0, 10.0]), 0.0, 0.25, 10)
    assert line.low.tolist() == pytest.approx(np.arange(10.0).tolist())
    assert line.high.tolist() == pytest.approx(np.arange(1.0, 11.0).tolist())
    spike = np.zeros(1000)
    spike[501] = 7.0
    line = reach(np.linspace(0.0, 9.99, 1000), spike, 0.0, 10.0, 20)
    assert np.nanmax(line.high) == 7.0
    assert int(np.nanargmax(line.high)) == 10


@given(
    some.lists(some.tuples(some.floats(0, 0.5), some.one_of(some.floats(-9, 9), some.just(nan)))),
    some.floats(-5.0, 20.0),
    some.integers(1, 40),
)
def test_no_line_leaves_the_range_of_its_samples(
    steps: list[tuple[float, float]], from_s: float, columns: int
) -> None:
    """Whatever the times and gaps, a drawn column lies between the lowest and highest sample."""
    times_s = np.cumsum([step for step, _ in steps], dtype=np.float64)
    values = np.array([value for _, value in steps], dtype=np.float64)
    line = reach(times_s, values, from_s, from_s + 3.0, columns)
    known = values[~np.isnan(values)]
    assert line.low.shape == line.high.shape == (columns,)
    assert np.array_equal(np.isnan(line.low), np.isnan(line.high))
    if not len(known):
        assert np.isnan(line.low).all()
    drawn = line.low[~np.isnan(line.low)]
    assert (drawn <= line.high[~np.isnan(line.low)]).all()
    assert (drawn >= known.min(initial=np.inf) - 1e-9).all()


def test_a_trace_is_bounded_and_takes_no_nonsense() -> None:
    """Old rows go, odd rows are left out, and a clock that steps back starts the picture anew."""
    trace = Trace(["time_s", "x"], capacity=10)
    for i in range(100):
        trace.add([[float(i), float(-i)]])
    assert trace.column("x").tolist() == [float(-i) for i in range(90, 100)]
    trace.add([[1e3 + i, 0.0] for i in range(500)])
    assert len(trace) == 10
    assert trace.newest("time_s") == 1499.0
    trace.add([[2000.0, None], [nan, 1.0], [2001.0], [None, 2.0], [2002.0, float("inf")]])
    assert trace.column("time_s")[-2:].tolist() == [2000.0, 2002.0]
    assert np.isnan(trace.column("x")[-2:]).all()
    trace.add([[5.0, 5.0]])
    assert trace.column("time_s").tolist() == [5.0]
    assert np.isnan(trace.column("y")).all()
    assert trace.column("x", since_s=-1.0).tolist() == [5.0]
    Trace([]).add([[1.0]])


@given(some.text())
def test_plain_text_steers_nothing(text: str) -> None:
    """No control, format, surrogate or separator character survives, and the length is bounded."""
    shown = plain(text, 40)
    assert len(shown) <= 40
    kinds = {unicodedata.category(char) for char in shown}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert plain(shown, 40) == shown


@given(some.text(), some.integers(1, 60), some.integers(1, 5))
def test_wrapped_text_fits(text: str, width: int, lines: int) -> None:
    """Every wrapped line fits the width, and there are no more than asked for."""
    made = wrapped(text, width, lines)
    assert 1 <= len(made) <= lines
    assert all(cell_len(line) <= width for line in made)


def test_numbers_out_of_messages_are_finite_or_unknown() -> None:
    """Text, booleans, infinities and whole numbers past a float's range all read as unknown."""
    facts = {"a": 1, "b": True, "c": "1", "d": float("inf"), "e": 10**400, "f": None}
    assert number(facts, "a") == 1.0
    assert all(isnan(number(facts, name)) for name in "bcdefg")
    assert isnan(number([1], "a"))
    assert (figure(nan, 1), figure(-0.04, 1), figure(1e30, 2)) == ("--", "0.0", "1.0e+30")


@pytest.mark.asyncio
async def test_a_recorder_in_trouble_is_said() -> None:
    """A fault of the recorder, and rows it lost, stand on the link line with a sign."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    troubled = frame(HOLD, rows(17.0, 18.0), 1800)
    troubled.statistics["not_recorded"] = 12
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello(), troubled])], 100.1)
        await pilot.pause()
        assert "! 12 rows not recorded" in text_of(app)
        told: list[Message] = [NoticeLine("recording", "no space left on device")]
        await tell(app, link, clock, [(100.0, told)], 100.1)
        await pilot.pause()
        assert "! recording: no space left" in text_of(app)


@pytest.mark.asyncio
async def test_refused_lines_are_marked_while_they_come() -> None:
    """A count that rises is marked for ten seconds; one that only is there, is not."""
    link, clock = FakeLink(), Clock()
    app = _app(link, clock)
    more = frame(HOLD, rows(18.0, 18.5), 1850)
    more.statistics["rejected"] = {"too short": 5}
    still = frame(HOLD, rows(18.5, 30.0), 3000)
    still.statistics["rejected"] = {"too short": 5}
    async with app.run_test() as pilot:
        greeting: list[Message] = [hello(), frame(HOLD, rows(17.0, 18.0), 1800)]
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


def test_panes_do_not_know_the_application() -> None:
    """Importing every pane in a fresh interpreter brings in neither the application nor a guard."""
    code = (
        "import sys, pkgutil, importlib, monitor.screen.panes as panes\n"
        "[importlib.import_module(f'{panes.__name__}.{m.name}')"
        " for m in pkgutil.iter_modules(panes.__path__)]\n"
        "odd = {'monitor.screen.app', 'monitor.guard.loop', 'monitor.link'} & set(sys.modules)\n"
        "sys.exit(f'found {odd}' if odd else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.asyncio
async def test_the_fake_link_behaves_as_a_link() -> None:
    """It yields what it is fed, in order, notes what it is told, and breaks when asked."""
    link = FakeLink()
    link.feed(NoticeLine("a", "1"), NoticeLine("b", "2"))
    link.end(ConnectionResetError("gone"))
    heard: list[Message] = []
    async with link as attached:
        attached.send(Command("acknowledge"))
        words = attached.messages()
        heard += [await anext(words), await anext(words)]
        with pytest.raises(ConnectionResetError):
            await anext(words)
    assert heard == [NoticeLine("a", "1"), NoticeLine("b", "2")]
    assert link.sent == [Command("acknowledge")]
    await asyncio.wait_for(link.taken(), 1.0)
