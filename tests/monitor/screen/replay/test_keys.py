"""Keys in a burst, keys that come early, keys that can do nothing now, and the mouse."""

import threading
from pathlib import Path

import numpy as np
import pytest
from textual.events import Key

from monitor.review import decide_log as deciding
from monitor.review.decided_log import Decided
from monitor.review.marks import marks_path, read_marks
from monitor.screen.replay import app as app_module
from monitor.screen.replay.app import ReplayDashboard
from monitor.screen.replay.controls import REPLAY_CONTROLS, UNSAID
from monitor.screen.replay.what_if import WhatIf
from rules.channels import TIME, Sample
from rules.facts import Action
from simulator.logfile import mapped, write_csv
from tests.kit.patience import PATIENCE_S
from tests.kit.recordings import BRINDLE
from tests.kit.replay_script import Hand, brindled, drive, first_s, log_file, replaying
from tests.kit.replays import log_of
from tests.kit.screen_script import Clock, text_of


def _burst(hand: Hand, *keys: str) -> None:
    """Press keys without a pause, as a paste or a slow line brings them."""
    for key in keys:
        hand.app.post_message(Key(key, key if len(key) == 1 else None))


@pytest.mark.asyncio
async def test_a_burst_of_keys_is_taken_in_order(tmp_path: Path) -> None:
    """Enter doesn't overtake letters, and what is typed at once belongs to the line that opens."""
    async with replaying(brindled(log_file(tmp_path)), (80, 24)) as hand:
        _burst(hand, "g", "4", "1", "enter")
        await hand.done()
        assert hand.room.open[1].time_s == pytest.approx(41.0)
        _burst(hand, "m", "w", "z", "enter")
        await hand.done()
        assert [mark.text for mark in hand.room.marks.marks] == ["wz"]
        assert hand.app.open_page == ""
        _burst(hand, "g", "9", "9", "backspace", "backspace", "4", "2", "enter", "right", "a")
        await hand.done()
        assert hand.room.cursors == {"a": pytest.approx(42.02)}
        _burst(hand, "end", "left", "home", "right")
        await hand.done()
        assert hand.room.open[1].index == 1


@pytest.mark.asyncio
async def test_keys_pressed_while_opening_are_done_once_it_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In their order; leaving doesn't wait."""
    go = threading.Event()
    decide = deciding.decide

    def slow(*arguments: object, **options: object) -> Decided:
        go.wait(PATIENCE_S)
        return decide(*arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(app_module, "decide", slow)
    log = brindled(log_file(tmp_path))
    app = app_module.ReplayDashboard(log, who="Ada", clock=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n", "a", "right")
        app.redraw()
        await pilot.pause()
        assert "keys wait" in text_of(app)  # type: ignore[arg-type]
        go.set()
        while app.room.shown is None:
            await pilot.pause()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert app.room.cursors["a"] == pytest.approx(first_s(Action.WARN))
        assert app.room.open[1].index == app.room.open[0].raised_at[0] + 1
    log.close()


@pytest.mark.asyncio
async def test_a_click_chooses_an_entry(tmp_path: Path) -> None:
    """On its row beside the picture, and on the page; a click on a heading does nothing."""
    async with replaying(brindled(log_file(tmp_path)), (80, 24)) as hand:
        await hand.press("home", "m")
        await hand.type("first")
        await hand.pilot.click("#events", offset=(20, 2))
        await hand.look()
        assert hand.room.chosen == ("event", hand.room.open[0].raised_at[0], 0)
        await hand.pilot.click("#events", offset=(20, 0))
        assert hand.room.chosen is not None
        assert hand.room.chosen[0] == "event"
        await hand.press("l")
        await hand.pilot.click("#list", offset=(20, 2))
        await hand.look()
        assert hand.room.chosen is not None
        assert hand.room.chosen[0] == "mark"
        assert hand.room.open[1].index == 0  # chosen, not gone to


@pytest.mark.asyncio
async def test_a_click_on_a_word_at_the_foot_does_it(tmp_path: Path) -> None:
    """Where one key alone does it: a row back or forth is two."""
    async with replaying(brindled(log_file(tmp_path)), (140, 40)) as hand:
        at = (await hand.look()).splitlines()[-2]
        await hand.pilot.click("#keys", offset=(at.index("row"), 0))
        await hand.pilot.click("#keys", offset=(at.index("play"), 0))
        assert "pause" in await hand.look()
        _, player = hand.room.open
        assert player.playing
        assert player.index == 0


DEAD = {
    "z": "nothing to undo",
    "k": "nothing to keep",
    "x": "no cursor is set",
    "tab": "w shows them",
    "delete": "a mark that is chosen in the list",
}


@pytest.mark.asyncio
async def test_a_key_that_can_do_nothing_now_says_so(tmp_path: Path) -> None:
    """Each in a line; the moment stays."""
    async with replaying(brindled(log_file(tmp_path)), (80, 24)) as hand:
        for key, said in DEAD.items():
            assert said in await hand.press(key), key
        assert "50x is the highest rate" in await hand.press(*["plus"] * 6)
        assert "0.1x is the lowest rate" in await hand.press(*["minus"] * 9)
        assert hand.room.open[1].index == 0
    empty = drive()[:200]
    async with replaying(brindled(log_of(empty, tmp_path / "empty.parquet"))) as hand:
        assert "nothing to go to" in await hand.press("enter")


@pytest.mark.asyncio
async def test_a_stretch_that_lost_rows_is_found(tmp_path: Path) -> None:
    """Though no gap in it is long: where it is, how much is missing, and on the plot how far."""
    rows = drive()
    lossy = (rows[:, TIME] >= 20.0) & (rows[:, TIME] < 23.0) & (np.arange(len(rows)) % 5 < 2)
    path = log_of(rows[~lossy], tmp_path / "lossy.parquet")
    async with replaying(brindled(path), (80, 24)) as hand:
        (thin,) = hand.room.pace.silences
        assert thin.time_s == pytest.approx(20.0, abs=0.1)
        assert thin.lasted_s == pytest.approx(3.0, abs=0.1)
        assert thin.share == pytest.approx(0.4, abs=0.02)
        text = await hand.press("n")
        assert "? rows missing" in text
        assert thin.words in text
        assert "41 % of the rows are missing from 19.98 to 22.94 s" in text
        assert "▲???????????" in text
    odd = rows[np.arange(len(rows)) % 5 < 3]  # as a logger writes that skips all along
    async with replaying(brindled(log_of(odd, tmp_path / "odd.parquet"))) as hand:
        assert hand.room.pace.share > 0.3
        assert hand.room.pace.silences == []


OWN = {"debt.cut": "0.4 s", "ladder.margin": "1.2", "paid.timing": "[0 deg, 8 deg]"}


@pytest.mark.parametrize(
    ("typed", "after"),
    [
        ("debt.cut = 0.2", "0.2 s"),
        ("debt.cut=0.2 s", "0.2 s"),
        ("debt.cut = 200 ms", "200 ms"),
        ("debt.cut = 1e-1", "1e-1"),
        ("ladder.margin = 1.4", "1.4"),
        ("paid.timing = 3", "3"),
        ("other.key = 3", "3"),
    ],
)
def test_a_bare_number_has_the_unit_that_is_there(typed: str, after: str) -> None:
    """Anything else stays as it was typed, to be refused where it means nothing."""
    (change,) = WhatIf().with_typed(typed, OWN).values()
    assert change.after == after


@pytest.mark.asyncio
async def test_where_the_clock_stepped_back_all_times_are_the_axis_s(tmp_path: Path) -> None:
    """List, position and key to go there agree; what the log's own clock says is beside it."""
    rows = drive().copy()
    rows[1500:, TIME] -= 12.0
    async with replaying(brindled(log_of(rows, tmp_path / "back.parquet")), (80, 24)) as hand:
        text = await hand.press("n")
        assert ">   29.98 s  clock step" in text
        assert "Steps by the log's own clock: warn at 18.00 s" in text
        assert "29.98 of 59.96 s (by its own clock 18.00 s)" in text
        assert "steps back, 11.98 s in all" in await hand.press("c")
    async with replaying(brindled(log_file(tmp_path)), (80, 24)) as hand:
        assert "own clock" not in await hand.press("n")
        assert "steps back" not in await hand.press("c")


@pytest.mark.asyncio
async def test_times_count_from_the_start_whatever_the_logs_clock_counts(tmp_path: Path) -> None:
    """What stood on that clock is beside them."""
    rows = drive().copy()
    rows[:, TIME] += 5000.0
    path = tmp_path / "uptime.csv"
    write_csv([Sample(*row) for row in rows.tolist()], path, mapped(BRINDLE.rig))
    async with replaying(brindled(path)) as hand:
        await hand.press("g")
        await hand.type("0:12")
        assert "12.00 of 59.98 s (its clock: 5012.00 s)" in await hand.look()


@pytest.mark.asyncio
async def test_a_log_opens_though_its_marks_can_not_be_read(tmp_path: Path) -> None:
    """It is told of, and setting one is refused in a line."""
    log = brindled(log_file(tmp_path))
    marks_path(log).mkdir()
    async with replaying(log, (140, 40)) as hand:
        said = "! the marks can't be read: drive.parquet.marks.jsonl: found a fol"
        assert said in await hand.look()
        await hand.press("m")
        assert "found a folder" in await hand.type("x")
        assert hand.room.open[0].events


@pytest.mark.asyncio
async def test_one_key_marks_at_once(tmp_path: Path) -> None:
    """Nothing is asked, playing goes on, and the mark is on the disk."""
    log = brindled(log_file(tmp_path))
    async with replaying(log, (80, 24)) as hand:
        await hand.press("space")
        text = await hand.press("M")
        assert "mark 1 set at 0.00 s" in text
        player = hand.room.player
        assert player is not None
        assert player.playing
        found = read_marks(hand.room.log).marks
    assert [(mark.time_s, mark.text, mark.who) for mark in found] == [
        (0.0, "no note", hand.room.who)
    ]


def test_no_key_means_two_things() -> None:
    """Said and unsaid keys together."""
    keys = [key for one in (*REPLAY_CONTROLS, *UNSAID) for key in one.keys.split(",") if key]
    assert len(keys) == len(set(keys))
    bound = [binding.key for binding in ReplayDashboard.BINDINGS]  # type: ignore[union-attr]
    single = [key for keys in bound for key in keys.split(",")]
    assert len(single) == len(set(single))


@pytest.mark.asyncio
async def test_the_finder_lists_every_key(tmp_path: Path) -> None:
    """Also those that share a place in the footer; nothing that has no words."""
    async with replaying(brindled(log_file(tmp_path))) as hand:
        found = {one.action: one for one in hand.app.found()}
        for action in ("rate(1)", "rows(-1)", "event(1)", "goto", "mark", "page('what_if')"):
            assert found[action].help
        assert "undo" not in found  # nothing to undo
        assert all(one.shown for one in found.values())
