"""The replay screen by its keys: a person finds, compares, marks, tries and exports."""

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.csv
import pytest

from monitor.recorder.export import export
from monitor.review.log import Log, open_log
from rules.channels import BOOST, ENGINE_SPEED, TANK, TIME
from rules.facts import Action
from tests.kit.paths import OLDER_SESSION, kept_screen
from tests.kit.patience import PATIENCE_S
from tests.kit.replay_script import (
    TRIP_S,
    Hand,
    Look,
    brindled,
    drive,
    first_s,
    log_file,
    replaying,
    session,
    shown,
    sized_looks,
)
from tests.kit.replays import log_of

ANEW = "python -m tests.kit.screens writes it anew"


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("look", "size"), sized_looks(), ids=[f"{look.name}-{size[0]}" for look, size in sized_looks()]
)
async def test_it_looks_as_when_last_read(
    look: Look, size: tuple[int, int], tmp_path: Path
) -> None:
    """Every kept screen says its words, never takes itself for live, and looks as it did."""
    text = await shown(look, size, tmp_path)
    for words in look.words:
        assert words in text, words
    for words in look.never:
        assert words not in text, words
    assert kept_screen(look.name, size).read_text(encoding="utf-8") == text, ANEW


@pytest.mark.asyncio
async def test_playing_goes_by_the_clock_and_stops_at_the_end(hand: Hand) -> None:
    """Space plays, plus and minus change the rate; at the end it stands, and space begins again."""
    assert "paused, 1x" in await hand.press("g")
    await hand.type("10")
    assert "playing 1x" in await hand.press("space")
    hand.clock.now_s += 2.0
    assert "12.00 of 59.98 s" in await hand.look()
    assert "playing 5x" in await hand.press("plus", "plus")
    hand.clock.now_s += 2.0
    assert "22.00 of 59.98 s" in await hand.look()
    assert "playing 2x" in await hand.press("minus")
    assert "paused, 2x" in await hand.press("space")
    hand.clock.now_s += 50.0
    assert "22.00 of 59.98 s" in await hand.look()
    await hand.press("space")
    hand.clock.now_s += 50.0
    text = await hand.look()
    assert "paused, 2x" in text
    assert "59.98 of 59.98 s" in text
    await hand.press("space")
    assert "playing 2x" in await hand.look()
    assert hand.room.open[1].index == 0


@pytest.mark.asyncio
async def test_steps_rows_seconds_ends(hand: Hand) -> None:
    """Arrows move by rows, with shift by seconds; home and end by all of it."""
    index = hand.room.open[1]
    await hand.press("end")
    assert index.index == len(drive()) - 1
    await hand.press("left", "left")
    assert index.index == len(drive()) - 3
    await hand.press("home", "right")
    assert index.index == 1
    await hand.press("shift+right", "pagedown")
    assert index.time_s == pytest.approx(2.02)
    await hand.press("shift+left")
    assert index.time_s == pytest.approx(1.02)


TIMES = {"41": 41.0, "0:41": 41.0, "+5": 15.0, "-2.5": 7.5, "#1": None, "event 1": None}
NONSENSE = ("soon", "", "99", "nan", "1e3", "0:61", "#2", "a", "--1", "9" * 150, "[b]x[/b]")


@pytest.mark.asyncio
async def test_a_time_is_typed(hand: Hand) -> None:
    """Seconds, minutes, from here, or an event's number."""
    for typed, at_s in TIMES.items():
        await hand.press("g")
        await hand.type("10")
        await hand.press("g")
        await hand.type(typed)
        expected_s = first_s(Action.WARN) if at_s is None else at_s
        assert hand.room.open[1].time_s == pytest.approx(expected_s), typed


@pytest.mark.asyncio
async def test_nonsense_for_a_time_is_one_line_and_asked_again(hand: Hand) -> None:
    """What was found, what is expected; the moment stays, and the typed text can be mended."""
    await hand.press("g")
    for typed in NONSENSE:
        text = await hand.type(typed)
        assert "! go to: " in text
        assert "expected" in text
        assert hand.room.open[1].index == 0
        assert hand.app._ask_line.asking
        assert hand.app._ask_line._input.value == typed
    await hand.press("escape")
    assert not hand.app._ask_line.asking


@pytest.mark.asyncio
async def test_events_and_marks_are_jumped_to(hand: Hand) -> None:
    """N goes to the event; the banner says what was done then and why, the detail what to check."""
    text = await hand.press("n")
    assert "! WARN" in text
    assert "under-delivery, debt 0." in text
    assert "hardly a car" in text
    assert " of 213 mL/min " in " ".join(text.split())
    assert "Check first tank level" in text
    assert "Likely flow sensor reads low" in text  # lambda says the methanol burns
    assert "no event, gap or mark behind this moment" in await hand.press("n")
    await hand.press("home", "m")
    await hand.type("set out")
    assert "no event, gap or mark before" in await hand.press("p")
    await hand.press("end", "p")
    assert hand.room.open[1].time_s == pytest.approx(first_s(Action.WARN))
    await hand.press("p")
    assert hand.room.open[1].time_s == 0.0


@pytest.mark.asyncio
async def test_an_event_is_as_it_stood_at_the_moment(hand: Hand) -> None:
    """At first it warns, then pulls, then cuts; later it has cleared; before it is yet to come."""
    warned, pulled, cut = (f"{first_s(action):.2f}" for action in list(Action)[1:])
    for typed, words, not_yet in (
        (warned, ("! warn", "active", "hardly a car"), "▼ pull timing"),
        (pulled, ("▼ pull timing", "active", "no car"), "▬ cut boost"),
        (cut, ("▬ cut boost", "active", "no car"), "cleared"),
        ("53", ("▬ cut boost", "cleared"), "active "),
    ):
        await hand.press("g")
        text = await hand.type(typed)
        lists = text[text.index("> ") :]
        for word in words:
            assert word in lists, (typed, word)
        assert not_yet not in lists, typed


@pytest.mark.asyncio
async def test_two_moments_are_compared(hand: Hand) -> None:
    """A, B and the change of every quantity, against what the log itself holds."""
    await hand.press("g")
    await hand.type("20")
    await hand.press("a", "g")
    await hand.type("57")
    text = await hand.press("b", "d")
    rows = drive()
    one, other = rows[20 * 50], rows[57 * 50]

    def line(name: str) -> list[str]:
        found = [row for row in text.splitlines() if row.startswith(f" {name}  ")]
        return found[0].removeprefix(f" {name}").split()

    assert line("time") == ["20.00", "57.00", "+37.00", "s"]
    for name, column, unit in (
        ("boost", BOOST, "kPa"),
        ("engine speed", ENGINE_SPEED, "rpm"),
        ("tank", TANK, "mL"),
    ):
        a, b = float(one[column]), float(other[column])
        assert line(name) == [f"{a:.0f}", f"{b:.0f}", f"{b - a:.0f}", unit]
    assert line("evidence") == ["0.0", "0.0", "0.0"]
    assert line("debt, at full flow") == ["0.00", "0.00", "0.00", "s"]
    assert line("spray asked for")[0] == line("commanded flow")[0]
    await hand.press("A")
    assert hand.room.open[1].time_s == 20.0
    await hand.press("B")
    assert hand.room.open[1].time_s == 57.0
    assert "A" not in hand.room.cursors
    text = await hand.press("x")
    assert "Go to the first moment and press a" in text


@pytest.mark.asyncio
async def test_debt_between_cursors_is_what_the_rules_counted(hand: Hand) -> None:
    """The debt's change from A to B is that of the decisions themselves."""
    await hand.press("n", "a", "pagedown", "b")
    text = await hand.press("d")
    decided, _ = hand.room.open
    begin_s = first_s(Action.WARN)
    before, after = (decided.decision(decided.index_at(begin_s + s)).debt_s for s in (0.0, 1.0))
    line = next(line for line in text.splitlines() if line.startswith(" debt, at full flow "))
    assert line.split()[-2:] == [f"{after - before:+.2f}", "s"]
    assert after - before > 0.1


@pytest.mark.asyncio
async def test_a_note_may_hold_any_letter(hand: Hand) -> None:
    """Keys are letters while something is typed; leaving takes a control key then."""
    await hand.press("m", *(key if key != " " else "space" for key in "quite amid keys"))
    assert hand.app.is_running
    assert "quite amid keys" in await hand.press("enter")
    await hand.press("m", "x", "ctrl+c")
    assert hand.app.return_value == "Replay left at 0.00 s."


@pytest.mark.asyncio
async def test_marks_stay(tmp_path: Path) -> None:
    """A mark set is there when the log is opened again, by whom; taken away, it is gone."""
    path = log_file(tmp_path)
    async with replaying(brindled(path), who="Ada") as hand:
        await hand.press("n", "m")
        assert f"mark 1 set at {first_s(Action.WARN):.2f} s" in await hand.type("pump?")
        await hand.press("home", "m")
        assert "found no text, expected some" in await hand.type("")
        await hand.press("escape")
    async with replaying(brindled(path), who="Bo") as hand:
        text = await hand.press("n", "l")
        for words in ("◆ mark", "pump?", "by Ada", f"{first_s(Action.WARN):.2f} s"):
            assert words in text
        await hand.press("escape")
        assert "◆" in await hand.press("right", "right", "right", "right")  # on the time axis
        await hand.press("l", "down", "delete")
        assert "mark 1 taken away" in await hand.done()
    async with replaying(brindled(path)) as hand:
        assert "pump?" not in await hand.press("l")


@pytest.mark.asyncio
async def test_what_the_plot_spans_is_exported(tmp_path: Path) -> None:
    """The same rows as flowdebt export writes of that range; nothing is overwritten."""
    folder = session(tmp_path / "sessions")
    ours, theirs = tmp_path / "ours.csv", tmp_path / "theirs.csv"
    async with replaying(open_log(str(folder))) as hand:
        await hand.press("g")
        await hand.type("30")
        await hand.press("e")
        assert "wrote 1001 rows, 20.00 to 40.00 s" in await hand.type(str(ours))
        from_s, to_s = hand.room.stretch(hand.app.plot_columns())
        await hand.press("e")
        text = await hand.type(str(ours))
        assert "nothing is overwritten" in " ".join(text.split())
        text = await hand.type(str(tmp_path / "x.xls"))
        assert "found .xls, expected .csv or .parquet" in " ".join(text.split())
    export(folder, theirs, from_s, to_s)
    assert ours.read_bytes() == theirs.read_bytes()
    times = pyarrow.csv.read_csv(ours)[0].to_numpy()
    rows = drive()[:, TIME]
    within = rows[(rows >= from_s) & (rows <= to_s)]
    assert np.array_equal(times, within)


@pytest.mark.asyncio
async def test_a_session_says_whether_it_came_out_as_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit for bit: as recorded; by another rig: decided anew; where it differs: from when on."""
    folder = session(tmp_path / "sessions")
    async with replaying(open_log(str(folder))) as hand:
        assert "as recorded" in await hand.look()
        assert "as recorded, bit for bit" in await hand.press("c")
    async with replaying(open_log(str(folder), "tarnwick")) as hand:
        text = await hand.look()
        assert "decided anew" in text
        assert "as recorded" not in text
    log = open_log(str(folder))
    log.read()
    log.recorded = log.recorded.copy()
    log.recorded[1000, 1] += 1.0
    async with replaying(log) as hand:
        assert "! DIFFERS from the record from 20.00 s" in await hand.look()
        assert "DIFFER from those recorded, first at 20.000 s" in await hand.press("c")


@pytest.mark.asyncio
async def test_a_session_of_an_older_version_says_so() -> None:
    """Neither as recorded nor differing: decided anew, beside what was done then."""
    async with replaying(open_log(str(OLDER_SESSION))) as hand:
        text = await hand.look()
        assert "older version's: decided anew" in text
        assert "DIFFER" not in text
        text = " ".join((await hand.press("c")).split())
        assert "by today's rules; an older version's did then: warn at 3.05 s, pull" in text


@pytest.mark.asyncio
async def test_spans_and_zoom(hand: Hand) -> None:
    """S goes through the usual spans; in and out from a second to all of it."""
    said = []
    for _ in range(4):
        text = " ".join((await hand.press("s")).split())
        said.append(text.partition(" s span ")[2].partition(" ↑↓")[0])
    assert said == ["whole log", "10 s", "20 s", "whole log"]
    for _ in range(12):
        await hand.press("i")
    assert hand.room.span_s == 1.0
    for _ in range(12):
        await hand.press("o")
    assert hand.room.whole
    assert hand.room.stretch(100)[0] == 0.0
    assert hand.room.stretch(100)[1] == pytest.approx(59.98)


@pytest.mark.asyncio
async def test_the_list_leads_to_what_is_chosen(hand: Hand) -> None:
    """Chosen with the arrows, gone to with enter; the page closes."""
    await hand.press("end", "m")
    await hand.type("the end")
    await hand.press("home", "l", "down", "enter")
    assert hand.room.open[1].time_s == pytest.approx(59.98)
    assert hand.app.open_page == ""
    await hand.press("up")
    warned_s = first_s(Action.WARN)
    assert f"enter goes to {warned_s:.2f} s" in await hand.look()
    await hand.press("enter")
    assert hand.room.open[1].time_s == pytest.approx(warned_s)
    assert warned_s > TRIP_S


@pytest.mark.asyncio
async def test_it_starts_where_it_was_told(tmp_path: Path) -> None:
    """--at is gone to; one beyond the log is told of and changes nothing."""
    path = log_file(tmp_path)
    async with replaying(brindled(path), start="0:41") as hand:
        assert "41.00 of 59.98 s" in await hand.look()
    async with replaying(brindled(path), start="99") as hand:
        assert "found 99.00 s, expected 0.00 to 59.98 s" in await hand.look()


@pytest.mark.asyncio
async def test_q_leaves_while_the_log_is_still_being_opened(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Progress shows, other keys do nothing, and q stops the work."""
    import threading

    from monitor.review.log import Stopped
    from monitor.screen.replay import app as app_module
    from tests.kit.screen_script import Clock, text_of

    stopped = threading.Event()
    begun = threading.Event()

    def never_done(*_: Any, progress: Any, stop: Any) -> None:
        progress(0.43)
        begun.set()
        while not stop():
            stopped.wait(0.001)
        stopped.set()
        raise Stopped

    monkeypatch.setattr(app_module, "decide", never_done)
    app = app_module.ReplayDashboard(log, who="Ada", clock=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        while not begun.is_set():
            await pilot.pause()
        app.redraw()
        await pilot.pause()
        text = text_of(app)  # type: ignore[arg-type]
        assert "43 %" in text
        assert "opening log" in text or "opening drive.parquet" in text
        await pilot.press("space", "w", "n", "escape")
        assert app.open_page == "opening"
        await pilot.press("q")
    assert stopped.wait(PATIENCE_S)
    assert app.fault is None


@pytest.mark.asyncio
async def test_gaps_are_found(tmp_path: Path) -> None:
    """Where rows are missing is listed, stopped at, and summed up; an even log has none of it."""
    rows = drive()
    kept = np.ones(len(rows), dtype=bool)
    kept[20 * 50 + 1 : 21 * 50] = False  # a second without a row
    kept[30 * 50 : 40 * 50 : 10] = False  # single ones
    source = log_of(rows[kept], tmp_path / "gaps.parquet")
    async with replaying(brindled(source)) as hand:
        text = await hand.press("n")
        assert hand.room.open[1].time_s == pytest.approx(20.0)
        for words in ("? no data", "no row for 1.00 s", "No row came from 20.00 to 21.00 s"):
            assert words in text
        text = await hand.press("c")
        assert "3.3 % of the rows are missing, at 51 places, 1.00 s at the most" in text
    async with replaying(brindled(log_file(tmp_path))) as hand:
        assert "a row every 20 ms, none missing" in await hand.press("c")
        assert hand.room.pace.silences == []


@pytest.mark.asyncio
async def test_between_events_the_first_of_the_worst_that_hold_is_explained(hand: Hand) -> None:
    """On an event it is that one; behind it, what holds leads, not what merely came last."""
    room = hand.room
    decided, player = room.open
    raised = next(entry for entry in room.entries if entry.kind == "event")
    await hand.press("m")
    await hand.type("later")
    player.seek(raised.time_s, 0.0)
    assert room.chosen_entry == raised
    player.seek(raised.time_s + 0.5, 0.0)
    await hand.press("m")
    await hand.type("on top of it")
    assert room.chosen_entry is not None
    assert room.chosen_entry.kind == "mark"
    player.step_rows(5, 0.0)
    assert room.chosen_entry == raised
    player.seek_row(decided.rows - 1, 0.0)
    assert room.chosen_entry == room.entries[-1]
