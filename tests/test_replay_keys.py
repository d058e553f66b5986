"""Keys in a burst, keys that come early, keys that can do nothing now, and the mouse."""

import threading
from pathlib import Path

import pytest
from textual.events import Key

from monitor.replay import Decided
from monitor.screen.replay import app as app_module
from tests.replay_script import TRIP_S, Hand, brindled, log_file, replaying
from tests.screen_script import Clock, text_of


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
        _burst(hand, "end", "left", "home", "right")
        await hand.done()
        assert hand.room.open[1].index == 1


@pytest.mark.asyncio
async def test_keys_pressed_while_opening_are_done_once_it_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In their order; leaving doesn't wait."""
    go = threading.Event()
    decide = app_module.decide

    def slow(*arguments: object, **options: object) -> Decided:
        go.wait(30.0)
        return decide(*arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(app_module, "decide", slow)
    log = brindled(log_file(tmp_path))
    app = app_module.ReplayDashboard(log, who="Ada", clock=Clock())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n", "a", "right")
        assert "keys wait" in text_of(app)
        go.set()
        while app.room.shown is None:
            await pilot.pause()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert app.room.cursors["a"] == pytest.approx(TRIP_S + 0.22)
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
