"""What if, on the replay screen: thresholds changed, compared, undone and kept."""

import re
from pathlib import Path

import pytest

from monitor.review.decide_log import decide
from monitor.review.edit import edit
from monitor.screen.replay.what_if import Change, WhatIf
from rules.channels import COMMANDED, DELIVERED, TIME
from rules.facts import Action
from simulator.rig import load_rig
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE
from tests.kit.replay_script import (
    HALF,
    SHORT_S,
    TRIP_S,
    Hand,
    brindled,
    drive,
    first_s,
    replaying,
)
from tests.kit.replays import log_of


@pytest.mark.asyncio
async def test_a_lower_threshold_moves_an_action_and_undo_brings_it_back(hand: Hand) -> None:
    """The top line says so as long as it applies; base and shown are those of the rules."""
    calm = await hand.press("n")
    assert "WHAT-IF" not in calm
    await hand.press("w", "enter")
    text = await hand.type("debt.cut = 0.2 s")
    assert "WHAT-IF: debt.cut 0.4 s -> 0.2 s" in text
    # Half of the spray is missing by then, of which 0.2 s of full flow are owed so much sooner.
    sooner = re.search(r"cut boost of under-delivery: (0\.[0-9]+) s earlier", text)
    assert sooner is not None
    assert float(sooner[1]) == pytest.approx(0.2 / (0.5 * 213.0 / 234.0), abs=0.05)
    assert "what if: not what happened" in text
    await hand.press("tab", "enter")  # to the first difference
    text = await hand.look()
    assert hand.room.open[1].time_s == pytest.approx(
        first_s(Action.CUT_BOOST) - float(sooner[1]), abs=0.011
    )
    assert re.search(r"Would be: Evidence \d+ of \d+: no car", text)
    assert re.search(r"Was: Evidence \d+ of \d+: no car", text)
    assert "▬ CUT BOOST" in text
    assert "would be" in text
    other = edit(BRINDLE, "debt.cut = 0.2 s")
    decided, player = hand.room.open
    again = decide(hand.room.log, other)
    assert str(decided.decision(player.index)) == str(again.decision(player.index))
    await hand.press("z")
    text = await hand.done()
    assert "WHAT-IF" not in text
    assert "▼ PULL TIMING" in text
    assert hand.room.shown is hand.room.base


@pytest.mark.asyncio
async def test_actions_appear_and_vanish(tmp_path: Path) -> None:
    """A gain so wide that it explains what is missing, then a limit so low that it is passed."""
    rows = drive().copy()
    half = rows[:, DELIVERED] < 0.6 * rows[:, COMMANDED]
    half &= (rows[:, TIME] > TRIP_S) & (rows[:, TIME] < TRIP_S + SHORT_S)
    rows[half, DELIVERED] *= 0.88 / (1.0 - HALF)
    async with replaying(brindled(log_of(rows, tmp_path / "faint.parquet"))) as hand:
        await hand.press("w", "enter")
        text = await hand.type("flow_sensor.gain_within = 30 %")
        assert "- vanishes" in text
        assert "What would have been different: 1" in text
        text = await hand.press("escape", "n")  # what differs is stopped at
        assert "= NO ACTION" in text
        assert "under-delivery (cut boost) vanishes" in text
        await hand.press("w", "up", "enter")
        text = await hand.type("limits.boost_kpa.above = 140 kPa")
        assert "+ appears" in text
        for _ in range(2):
            await hand.press("z")
            text = await hand.done()
        assert "WHAT-IF" not in text
        assert hand.room.what_if.undone() is None


WRONG = {
    "debt.cu = 1 s": "expected debt.cut",
    "debt.cut = soon": "expected text with a time unit",
    "debt.cut": "expected a key and a value",
    "flow_sensor.lag_within = 0.2 s": "flow_sensor.",  # more than the lag
    "channels.boost_kpa.column = x": "can't change here",
}


@pytest.mark.asyncio
async def test_a_wrong_threshold_is_one_line_and_changes_nothing(hand: Hand) -> None:
    """It can be mended where it was typed."""
    await hand.press("w", "enter")
    for typed, told in WRONG.items():
        text = await hand.type(typed)
        assert f"! {typed.split('.')[0]}" in text or "! what if:" in text
        assert told in " ".join(text.split())
        assert "WHAT-IF:" not in text
        assert hand.app._ask_line._input.value == typed
        assert hand.room.shown is hand.room.base


@pytest.mark.asyncio
async def test_what_was_tried_is_kept_as_a_rig(hand: Hand, tmp_path: Path) -> None:
    """A new file, never over one that is there; leaving without says so."""
    await hand.press("w", "enter")
    await hand.type("debt.cut = 0.2 s")
    kept = tmp_path / "kept.toml"
    await hand.press("k")
    assert "kept as" in await hand.type(str(kept))
    assert load_rig(kept).rig.debt.cut_s == 0.2
    await hand.press("k")
    assert "nothing is overwritten" in " ".join((await hand.type(str(kept))).split())
    await hand.press("escape", "enter")
    await hand.type("debt.cut = 0.6 s")
    await hand.press("q")
    assert hand.app.return_value == ("Replay left at 0.00 s. The changed thresholds were not kept.")


def test_changes_are_typed_taken_and_undone() -> None:
    """Several at once; a key typed again replaces; back at its own value it is no change."""
    own = {"debt.cut": "0.8 s", "paid.timing[1]": "3.5 deg"}
    what_if = WhatIf()
    what_if.take(what_if.with_typed("debt.cut = 0.6 s; paid.timing.1 = 4 deg", own))
    assert what_if.words == "debt.cut 0.8 s -> 0.6 s; paid.timing[1] 3.5 deg -> 4 deg"
    what_if.take(what_if.with_typed("debt.cut = 0.5 s", own))
    edits = [change.edit for change in what_if.changes.values()]
    assert edits == ["paid.timing[1] = 4 deg", "debt.cut = 0.5 s"]
    what_if.take(what_if.with_typed('debt.cut = "0.8  s"', own))
    assert what_if.changes == {"paid.timing[1]": Change("paid.timing[1]", "3.5 deg", "4 deg")}
    for _ in range(3):
        what_if.undo()
    assert what_if.undone() is None
    assert not what_if.changes
    assert what_if.saved
    for typed in ("debt.cut", "= 3", "debt.cut ="):
        with pytest.raises(BadInput, match="expected a key and a value"):
            what_if.with_typed(typed, own)
