"""Action not followed: what the engine controller confirms, and by when."""

from math import inf

import pytest

from rules.channels import CONFIRMED_RETARD, NOT_SENT
from rules.events import EventTracker, Turn
from rules.explain import explain
from rules.facts import Action, Limit, Rig
from rules.findings import FINDINGS, why_impossible
from rules.intervals import intervals
from rules.step.state import FINDING_NAMES, NOT_FOLLOWED, Decision
from tests.kit.decisions import matrix_of
from tests.kit.rigs import ESSENTIAL, Drive, healthy, rig, terms

BOTH = ("confirmed_retard_deg", "confirmed_ceiling_kpa")
DONE = {"confirmed_retard_deg": 0.0, "confirmed_ceiling_kpa": 400.0}
WITHIN_S = 0.06 + 0.2


def facts(*confirmed: str, **watch: object) -> Rig:
    """Return a rig on which knock pulls 12 deg and overboost cuts to 80 kPa."""
    return rig(
        channels=terms(*ESSENTIAL, "knock", *confirmed),
        limits={
            "knock": Limit(4.0, 0.0, Action.PULL_TIMING),
            "boost_kpa": Limit(180.0, 0.0, Action.CUT_BOOST),
        },
        watch={
            "over_ml": inf,
            "knock_persists_for_s": inf,
            **watch,
        },
    )


def raised_s(decisions: list[Decision]) -> float | None:
    """Return how long after the action the finding came, None where it didn't; to the sample."""
    acted = next(i for i, d in enumerate(decisions) if d.action >= Action.PULL_TIMING)
    found = next((i for i, d in enumerate(decisions) if d.level[NOT_FOLLOWED] > 0.0), None)
    return None if found is None else 0.01 * (found - acted)


def test_a_pull_nobody_confirms_cuts_boost() -> None:
    """After reaction time and tolerance, not before, boost is cut; the sentence has the numbers."""
    drive = healthy(facts(*BOTH), knock=0.0, **DONE)
    decisions = drive.run(1.0, knock=5.0, **DONE)
    assert raised_s(decisions) == pytest.approx(WITHIN_S, abs=0.021)
    found = next(d for d in decisions if d.level[NOT_FOLLOWED] > 0.0)
    assert found.action == Action.CUT_BOOST
    assert explain(drive.guard.rig, NOT_FOLLOWED, found).startswith(
        "The engine controller does not follow within 0.26 s: 0.0 of 12.0 deg of retard confirmed: "
        "cut boost to 80 kPa"
    )
    found_in = intervals(drive.guard.rig, NOT_FOLLOWED, found)
    assert found_in.detection_s == pytest.approx(WITHIN_S)


def test_a_pull_confirmed_in_time_is_followed() -> None:
    """Confirmed after 0.2 s (reaction and bus), to within the tolerance, is no finding."""
    drive = healthy(facts(*BOTH), knock=0.0, **DONE)
    decisions = drive.run(0.2, knock=5.0, **DONE)
    decisions += drive.run(1.0, knock=5.0, **{**DONE, "confirmed_retard_deg": 11.5})
    assert raised_s(decisions) is None


def test_a_rising_retard_followed_with_a_lag_is_followed() -> None:
    """Boost, and with it the retard, rises for 2 s; the controller is 0.1 s behind all the time."""
    drive = healthy(facts(BOTH[0]), knock=0.0, boost_kpa=60.0, confirmed_retard_deg=0.0)
    asked: list[float] = []
    for i in range(200):
        confirmed = asked[-10] if len(asked) >= 10 else 0.0
        (decision,) = drive.run(
            0.01, boost_kpa=60.0 + 0.45 * i, knock=5.0, confirmed_retard_deg=confirmed
        )
        asked.append(decision.retard_deg)
        assert decision.level[NOT_FOLLOWED] == 0.0
    assert asked[-1] > asked[50] > asked[10] > 0.0


def test_a_retard_that_stops_half_way_is_found() -> None:
    """The controller follows up to 5 deg and no further (its own limit)."""
    drive = healthy(facts(BOTH[0]), knock=0.0, confirmed_retard_deg=0.0)
    decisions = drive.run(1.0, knock=5.0, confirmed_retard_deg=5.0)
    assert raised_s(decisions) == pytest.approx(WITHIN_S, abs=0.021)


def test_a_ceiling_nobody_confirms_is_found() -> None:
    """With the ceiling's channel alone: above ceiling and tolerance is found, at it is not."""
    for confirmed_kpa, found in ((86.0, True), (85.0, False)):
        drive = healthy(facts(BOTH[1]), knock=0.0, confirmed_ceiling_kpa=400.0)
        drive.run(0.1, boost_kpa=190.0, knock=0.0, confirmed_ceiling_kpa=confirmed_kpa)
        decisions = drive.run(1.0, knock=0.0, confirmed_ceiling_kpa=confirmed_kpa)
        assert (raised_s(decisions) is not None) is found


def test_a_confirmation_that_falls_silent_confirms_nothing() -> None:
    """A stale confirmation is no confirmation, though its last value was right."""
    drive = healthy(facts(BOTH[0]), knock=0.0, confirmed_retard_deg=0.0)
    drive.run(0.3, knock=5.0, confirmed_retard_deg=12.0)
    decisions = drive.run(1.0, knock=5.0, confirmed_retard_deg=NOT_SENT)
    stale = next(i for i, d in enumerate(decisions) if d.health[CONFIRMED_RETARD] != 0.0)
    found = next(i for i, d in enumerate(decisions) if d.level[NOT_FOLLOWED] > 0.0)
    assert 0 <= found - stale <= 1


def test_nothing_asked_needs_no_confirmation() -> None:
    """Without an action, whatever is confirmed, or nothing at all, is no finding."""
    drive = healthy(facts(*BOTH), knock=0.0, **DONE)
    for readings in (DONE, {"confirmed_retard_deg": 30.0, "confirmed_ceiling_kpa": 50.0}):
        assert max(d.level[NOT_FOLLOWED] for d in drive.run(1.0, knock=0.0, **readings)) == 0.0


def test_it_is_released_like_any_latch() -> None:
    """Out of boost a controller that confirms nothing does not keep the latch for ever."""
    drive = healthy(facts(*BOTH), knock=0.0, **DONE)
    tracker = EventTracker(drive.guard.rig)
    turns = [
        turn
        for decision in drive.run(1.0, knock=5.0, **DONE)
        + drive.run(4.0, boost_kpa=0.0, commanded_ml_min=0.0, knock=0.0, **DONE)
        if decision.changed
        for turn, event in tracker.feed(decision)
        if event.finding == "not_followed"
    ]
    assert turns == [Turn.RAISED, Turn.CLEARED]
    assert drive.last.action == 0.0
    again = drive.run(1.0, knock=5.0, **DONE)
    assert raised_s(again) is not None


def test_the_rig_says_what_it_leads_to() -> None:
    """A rig that only wants a warning gets one, beside the pull."""
    drive = healthy(facts(BOTH[0], not_followed_action=Action.WARN), knock=0.0, **DONE)
    decisions = drive.run(1.0, knock=5.0, confirmed_retard_deg=0.0)
    assert decisions[-1].level[NOT_FOLLOWED] == Action.WARN
    assert decisions[-1].action == Action.PULL_TIMING


def test_without_the_channels_nothing_changes() -> None:
    """A rig that maps no confirmation can't find it, says so, and decides as before."""
    finding = FINDINGS[FINDING_NAMES.index("not_followed")]
    assert why_impossible(facts(), finding) == (
        "no channel confirmed_retard_deg or confirmed_ceiling_kpa"
    )
    assert why_impossible(facts(BOTH[1]), finding) is None
    bare = healthy(facts(), knock=0.0).run(1.0, knock=5.0)
    mapped = healthy(facts(*BOTH), knock=0.0, **DONE).run(
        1.0, knock=5.0, confirmed_retard_deg=12.0, confirmed_ceiling_kpa=400.0
    )
    assert [d.flat()[:22] for d in bare] == [d.flat()[:22] for d in mapped]


def test_interpreted_and_compiled_agree_bit_for_bit() -> None:
    """The same samples, random confirmations among them, through both forms of the code."""
    import numpy as np

    from rules.channels import ROW_WIDTH, Sample
    from rules.guard import Guard

    random = np.random.default_rng(5)
    rows = np.full((3000, ROW_WIDTH), NOT_SENT)
    for i, row in enumerate(rows):
        readings = {
            "boost_kpa": 150.0 if i % 900 < 700 else 0.0,
            "commanded_ml_min": 500.0,
            "delivered_ml_min": 500.0 + random.normal(),
            "knock": float(random.choice([0.0, 5.0], p=[0.97, 0.03])),
            "confirmed_retard_deg": float(random.choice([0.0, 12.0, NOT_SENT, np.nan])),
            "confirmed_ceiling_kpa": float(random.choice([80.0, 400.0, NOT_SENT])),
        }
        row[:] = Sample(0.01 * i, **readings)
    live = Guard(facts(*BOTH))
    stepped = matrix_of(live.step(row.tolist()) for row in rows)
    batch = Guard(facts(*BOTH)).run_rows(rows)
    assert stepped.tobytes() == batch.tobytes()
    assert len(set(batch[:, Decision.names().index("level_not_followed")])) > 1


def test_the_drive_helper_does_not_confirm_by_itself() -> None:
    """A drive without the channels sends none, or the tests above prove nothing."""
    assert Drive(facts(*BOTH)).run(0.01)[0].health[CONFIRMED_RETARD] != 0.0
