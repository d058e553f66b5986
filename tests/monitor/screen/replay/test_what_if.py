"""What if, on the replay screen: thresholds changed, compared, undone and kept."""

import re
from pathlib import Path

import pytest

from monitor.review import decide, edit
from monitor.screen.replay.what_if import Change, WhatIf
from simulator.rig import load_rig
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE
from tests.kit.replay_script import Hand


@pytest.mark.asyncio
async def test_a_lower_threshold_moves_an_action_and_undo_brings_it_back(hand: Hand) -> None:
    """The top line says so as long as it applies; base and shown are those of the rules."""
    calm = await hand.press("n")
    assert "WHAT-IF" not in calm
    await hand.press("w", "enter")
    text = await hand.type("debt.pull = 0.2 mL")
    assert "WHAT-IF: debt.pull 0.3 mL -> 0.2 mL" in text
    assert "pull timing of under-delivery: 0.20 s earlier" in text
    assert "what if: not what happened" in text
    await hand.press("tab", "enter")  # to the first difference
    text = await hand.look()
    assert hand.room.open[1].time_s == pytest.approx(41.42)
    assert re.search(r"Would be: \d+ of 213 mL/min arrive", text)
    assert re.search(r"Was: \d+ of 213 mL/min arrive", text)
    assert "▼ PULL TIMING" in text
    assert "would be" in text
    other = edit(BRINDLE, "debt.pull = 0.2 mL")
    decided, player = hand.room.open
    again = decide(hand.room.log, other)
    assert str(decided.decision(player.index)) == str(again.decision(player.index))
    await hand.press("z")
    text = await hand.done()
    assert "WHAT-IF" not in text
    assert "! WARN" in text
    assert hand.room.shown is hand.room.base


@pytest.mark.asyncio
async def test_actions_appear_and_vanish(hand: Hand) -> None:
    """Thresholds so high that nothing is done, then a limit so low that something is."""
    await hand.press("w", "enter")
    high = "debt.warn = 90 mL; debt.pull = 95 mL; debt.cut = 99 mL; debt.arrears = 99 mL"
    text = await hand.type(high)
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
    "debt.pul = 1 mL": "expected debt.pull",
    "debt.pull = soon": "expected text with a volume unit",
    "debt.pull": "expected a key and a value",
    "debt.pull = 0.1 mL": "debt.",  # below the warning
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
    await hand.type("debt.pull = 0.2 mL")
    kept = tmp_path / "kept.toml"
    await hand.press("k")
    assert "kept as" in await hand.type(str(kept))
    assert load_rig(kept).rig.debt.pull_ml == 0.2
    await hand.press("k")
    assert "nothing is overwritten" in " ".join((await hand.type(str(kept))).split())
    await hand.press("escape", "enter")
    await hand.type("debt.pull = 0.6 mL")
    await hand.press("q")
    assert hand.app.return_value == ("Replay left at 0.00 s. The changed thresholds were not kept.")


def test_changes_are_typed_taken_and_undone() -> None:
    """Several at once; a key typed again replaces; back at its own value it is no change."""
    own = {"debt.pull": "0.8 mL", "paid.timing[1]": "3.5 deg"}
    what_if = WhatIf()
    what_if.take(what_if.with_typed("debt.pull = 0.6 mL; paid.timing.1 = 4 deg", own))
    assert what_if.words == "debt.pull 0.8 mL -> 0.6 mL; paid.timing[1] 3.5 deg -> 4 deg"
    what_if.take(what_if.with_typed("debt.pull = 0.5 mL", own))
    assert what_if.edits == ("paid.timing[1] = 4 deg", "debt.pull = 0.5 mL")
    what_if.take(what_if.with_typed('debt.pull = "0.8  mL"', own))
    assert what_if.changes == {"paid.timing[1]": Change("paid.timing[1]", "3.5 deg", "4 deg")}
    for _ in range(3):
        what_if.undo()
    assert what_if.undone() is None
    assert not what_if.changes
    assert what_if.saved
    for typed in ("debt.pull", "= 3", "debt.pull ="):
        with pytest.raises(BadInput, match="expected a key and a value"):
            what_if.with_typed(typed, own)
